"""The service log: no line lost or mangled, every bad one set aside with its reason."""

from __future__ import annotations

import multiprocessing
import os
from datetime import date
from pathlib import Path

import pytest

from remanence.pipelines.commands import main
from remanence.pipelines.store.service_log import add_service, read_service
from remanence.shared.errors import RemanenceError
from remanence.shared.venue_file import parse_venue


@pytest.fixture
def harbour(tmp_path: Path, harbour_text: str):
    path = tmp_path / "venue.toml"
    path.write_text(harbour_text)
    return parse_venue(harbour_text), path


def test_a_line_added_is_a_line_read(harbour):
    venue, path = harbour
    note = 'catch oiled, "stiff" before\nsecond line'
    add_service(venue, path, "chart-drawer", "replaced", day=date(2026, 11, 3), note=note,
                today=date(2026, 11, 3))
    entry = read_service(venue, path).entries.row(0, named=True)
    assert entry == {
        "date": date(2026, 11, 3), "lock": "chart-drawer", "action": "replaced",
        "part": "latch-s", "note": 'catch oiled, "stiff" before second line', "result": None,
        "by": None,
    }


def test_a_file_without_last_line_break_is_not_mangled(harbour):
    venue, path = harbour
    log = path.parent / "service.csv"
    log.write_text("date,lock,action,part,note\n2024-01-02,store-door,release-tested,,ok")
    add_service(venue, path, "store-door", "cleaned", day=date(2024, 1, 3))
    assert read_service(venue, path).entries["action"].to_list() == ["release-tested", "cleaned"]


def test_bad_lines_are_set_aside_with_their_reason(harbour):
    venue, path = harbour
    (path.parent / "service.csv").write_text(
        "date,lock,action,part,note\n02.01.2026,store-door,cleaned,,\n"
        "2026-01-02,stor-door,cleaned,,\n2026-01-02,store-door,oiled,,\n\n"
        "2026-01-02,store-door,cleaned\n"
    )
    log = read_service(venue, path)
    assert log.entries.height == 1
    assert [text.split(":")[0] for text in log.set_aside] == [
        "service.csv, line 2", "service.csv, line 3", "service.csv, line 4"]
    assert "did you mean store-door?" in log.set_aside[1]


@pytest.mark.parametrize(("lock", "action", "part", "says"), [
    ("chart-draw", "cleaned", None, "did you mean chart-drawer"),
    ("chart-drawer", "clean", None, "or \"release-tested\""),
    ("chart-drawer", "replaced", "latch", "did you mean latch-s"),
])
def test_what_is_unknown_is_refused(harbour, lock, action, part, says):
    venue, path = harbour
    with pytest.raises(RemanenceError, match=says):
        add_service(venue, path, lock, action, day=date(2024, 1, 1), part=part)
    assert not (path.parent / "service.csv").exists()


def _many(path: str, text: str, who: int) -> None:
    venue = parse_venue(text)
    for i in range(50):
        add_service(venue, Path(path), "chart-drawer", "inspected", day=date(2024, 1, 1),
                    note=f"{who} {i}")


def test_two_people_at_once_lose_no_line(harbour, harbour_text):
    venue, path = harbour
    context = multiprocessing.get_context("spawn")
    people = [context.Process(target=_many, args=(str(path), harbour_text, who))
              for who in range(3)]
    for person in people:
        person.start()
    for person in people:
        person.join()
    log = read_service(venue, path)
    assert log.set_aside == ()
    assert sorted(log.entries["note"].to_list()) == sorted(
        f"{who} {i}" for who in range(3) for i in range(50))


def test_the_command_says_what_it_added(harbour, capsys):
    _, path = harbour
    status = main(["service", str(path), "store-door", "release-tested", "--passed",
                   "--date", "2024-11-03"])
    assert status == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "added 2024-11-03,store-door,release-tested,,,passed" in said
    assert main(["service", str(path), "nobody", "cleaned"]) == 1
    assert "nobody" in capsys.readouterr().err
    assert main(["service", str(path), "store-door", "cleaned", "--date", "3.11."]) == 2


TESTED = ["store-door", "release-tested", "--date", "2024-11-03"]


@pytest.mark.parametrize(("words", "says"), [
    (TESTED, "neither --passed nor --failed"),
    ([*TESTED, "--passed", "--failed"], "not allowed with"),
    (["store-door", "cleaned", "--failed"], "only release-tested has it"),
])
def test_a_release_test_was_passed_or_failed_and_nothing_else_was_either(
    harbour, capsys, words, says
):
    _, path = harbour
    assert main(["service", str(path), *words]) == 2
    assert says in capsys.readouterr().err
    assert not (path.parent / "service.csv").exists()


def test_a_failed_test_needs_no_word_of_english_in_its_note(harbour):
    venue, path = harbour
    add_service(venue, path, "store-door", "release-tested", day=date(2024, 1, 3),
                note="jammed, had to be forced", result="failed")
    assert read_service(venue, path).entries["result"].to_list() == ["failed"]


def test_who_did_it_stands_in_a_column_of_its_own(harbour):
    venue, path = harbour
    log = path.parent / "service.csv"
    log.write_text("date,lock,action,part,note,result\n2024-01-02,store-door,cleaned,,,\n")
    add_service(venue, path, "store-door", "release-tested", day=date(2024, 1, 3), result="passed",
                by="=Ana\nMaria")
    assert log.read_text().splitlines()[0] == "date,lock,action,part,note,result,by"
    assert read_service(venue, path).entries["by"].to_list() == [None, "=Ana Maria"]
    assert "'=Ana Maria" in log.read_text()


def test_days_to_come_and_lines_said_already_are_refused(harbour):
    venue, path = harbour
    day = date(2024, 1, 3)
    with pytest.raises(RemanenceError, match="2024-01-04, which is to come"):
        add_service(venue, path, "store-door", "cleaned", day=date(2024, 1, 4), today=day)
    add_service(venue, path, "store-door", "cleaned", day=day)
    with pytest.raises(RemanenceError, match="stands there already"):
        add_service(venue, path, "store-door", "cleaned", day=day)
    add_service(venue, path, "store-door", "cleaned", day=day, note="again, in the evening")
    assert read_service(venue, path).entries.height == 2


def test_a_log_of_the_older_layout_keeps_its_lines_and_learns_results(harbour):
    venue, path = harbour
    log = path.parent / "service.csv"
    old = (b"2024-01-02,store-door,release-tested,,\"ok, let go\"\r\n"
           + "2024-01-02,chart-drawer,cleaned,,\u00e4lter".encode("latin-1"))
    log.write_bytes(b"date,lock,action,part,note\r\n" + old)
    add_service(venue, path, "chart-drawer", "inspected", day=date(2024, 1, 3))
    assert log.read_bytes().startswith(b"date,lock,action,part,note\r\n")  # nothing to learn yet
    add_service(venue, path, "store-door", "release-tested", day=date(2024, 2, 2),
                result="passed")
    header, _, rest = log.read_bytes().partition(b"\n")
    assert header == b"date,lock,action,part,note,result"
    assert rest.startswith(old)
    told = read_service(venue, path)
    assert told.entries["result"].to_list() == [None, None, None, "passed"]
    assert told.set_aside == ()


def test_columns_in_an_order_of_their_own_are_kept(harbour):
    venue, path = harbour
    log = path.parent / "service.csv"
    log.write_text("lock,date,result,action\n")
    add_service(venue, path, "store-door", "release-tested", day=date(2024, 2, 2),
                result="failed")
    assert log.read_text().splitlines()[1] == "store-door,2024-02-02,failed,release-tested"


def test_a_result_that_is_none_is_said_and_the_line_is_kept(harbour):
    venue, path = harbour
    (path.parent / "service.csv").write_text(
        "date,lock,action,part,note,result\n2024-01-02,store-door,release-tested,,jammed, forced\n"
        "2024-01-02,store-door,cleaned,,,\n2024-01-02,store-door,cleaned,,\n")
    log = read_service(venue, path)
    assert log.entries.select("action", "result").rows() == [
        ("cleaned", None), ("release-tested", None)]
    assert "found \"forced\", which is not taken" in log.set_aside[0]
    assert "line 4: repeats line 3" in log.set_aside[1]


def test_neither_hard_links_nor_pread_are_needed(harbour, monkeypatch):
    """Some drives, and some systems, have none."""
    for name in ("link", "pread", "pwrite"):
        monkeypatch.delattr(os, name, raising=False)
    venue, path = harbour
    for day in (3, 4):
        add_service(venue, path, "chart-drawer", "cleaned", day=date(2026, 11, day),
                    today=date(2026, 11, 9))
    assert read_service(venue, path).entries["date"].to_list() == [
        date(2026, 11, 3), date(2026, 11, 4)]


@pytest.mark.parametrize("text", ["name,price\nlatch,19.5\n", "dear diary\n", "\x00\x01\x02\n"])
def test_a_file_that_is_no_service_log_is_never_written_to(harbour, text):
    venue, path = harbour
    log = path.parent / "service.csv"
    log.write_text(text)
    with pytest.raises(RemanenceError, match="nothing was written to it"):
        add_service(venue, path, "chart-drawer", "cleaned", day=date(2026, 11, 3),
                    today=date(2026, 11, 9))
    assert log.read_text() == text


def test_a_line_that_cannot_be_written_whole_leaves_the_file_as_it_was(harbour, monkeypatch):
    venue, path = harbour
    add_service(venue, path, "chart-drawer", "cleaned", day=date(2026, 11, 3),
                today=date(2026, 11, 9))
    log = path.parent / "service.csv"
    before = log.read_bytes()

    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(RemanenceError, match="nothing was added"):
        add_service(venue, path, "chart-drawer", "cleaned", day=date(2026, 11, 4),
                    today=date(2026, 11, 9))
    assert log.read_bytes() == before
