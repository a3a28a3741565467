"""A weekly run with nothing new writes nothing, and anything new makes it write again."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from remanence.pipelines.sheets import unchanged
from remanence.pipelines.sheets.weekly import run_weekly

BY_HAND = Path(__file__).parents[3] / "sample_data" / "by_hand"


@pytest.fixture(scope="module")
def once(tmp_path_factory):
    """A venue whose weekly run was done once, and what it printed."""
    folder = tmp_path_factory.mktemp("once") / "venue"
    shutil.copytree(BY_HAND, folder)
    return folder, run_weekly(folder).text()


@pytest.fixture
def venue(once, tmp_path):
    """A copy of that venue, where the copy was run again in its new place."""
    shutil.copytree(once[0], tmp_path / "venue")
    run_weekly(tmp_path / "venue")
    return tmp_path / "venue"


def pages(folder: Path) -> dict[Path, tuple[int, bytes]]:
    """Every file of the sheets, with the moment it was put there."""
    return {path: (path.stat().st_ino, path.read_bytes())
            for name in ("reports", "timing", "parts") for path in (folder / name).rglob("*")
            if path.is_file()}


def rewritten(folder: Path, **options) -> bool:
    """Whether the next weekly run writes the sheets anew."""
    before = pages(folder)
    run_weekly(folder, **options)
    return {path: kept[0] for path, kept in before.items()} != {
        path: kept[0] for path, kept in pages(folder).items()}


def test_nothing_new_is_told_again_and_written_never(venue):
    before = pages(venue)
    again, third = run_weekly(venue), run_weekly(venue)
    assert pages(venue) == before
    assert again.sheets.keys() == third.sheets.keys() == {"report", "timing", "parts"}
    (venue / "store" / unchanged.NAME).unlink()
    anew = run_weekly(venue)
    assert [one.brief() for one in anew.sheets.values()] == [
        one.brief() for one in again.sheets.values()]
    for urgency in (None, "now", "week", "plan", "watch"):
        assert anew.has(urgency) == again.has(urgency)


def test_the_bytes_are_the_same_with_and_without_it(venue, monkeypatch):
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1900000000")
    run_weekly(venue)
    kept = {path: held[1] for path, held in pages(venue).items()}
    (venue / "store" / unchanged.NAME).unlink()
    run_weekly(venue)
    assert {path: held[1] for path, held in pages(venue).items()} == kept


def _new_record(venue: Path) -> None:
    log = next(path for path in sorted(venue.rglob("*.csv")) if "time,channel" in
               path.read_text("utf-8"))
    with log.open("a", encoding="utf-8") as file:
        file.write(log.read_text("utf-8").splitlines()[-1].replace(".", ".9", 1) + "\n")


def _limit(venue: Path) -> None:
    path = venue / "venue.toml"
    path.write_text(path.read_text("utf-8") + "\n[limits]\ndrift_gate_percent = 9.0\n", "utf-8")


def _lost_page(venue: Path) -> None:
    (venue / "timing" / "timing.csv").unlink()


def _changed_page(venue: Path) -> None:
    (venue / "parts" / "index.html").write_text("mine", "utf-8")


def _file_beside(venue: Path) -> None:
    (venue / "anything.csv").write_text("date,part\n", "utf-8")


def _damaged_memory(venue: Path) -> None:
    (venue / "store" / unchanged.NAME).write_text('{"rests_on": 3, "sheets": []}', "utf-8")


@pytest.mark.parametrize("change", [
    _new_record, _limit, _lost_page, _changed_page, _file_beside, _damaged_memory])
def test_what_changed_is_worked_out_again(venue, change):
    assert not rewritten(venue)
    change(venue)
    assert rewritten(venue)
    assert not rewritten(venue)


def test_another_language_or_program_or_day_is_worked_out_again(venue, monkeypatch):
    assert rewritten(venue, language="de")
    assert not rewritten(venue, language="de")
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1900000000")
    assert rewritten(venue, language="de")
    assert not rewritten(venue, language="de")
    monkeypatch.setattr(unchanged, "program_version", lambda: "another")
    assert rewritten(venue, language="de")


def test_records_that_came_in_during_a_run_keep_it_from_being_kept(venue):
    (venue / "store" / unchanged.NAME).unlink()
    from remanence.pipelines.sheets.refresh import prepare
    from remanence.pipelines.sheets.sheet import SheetRun

    unchanged.keep_outcomes(SheetRun(prepare(venue)), "what it was before", {})
    assert not (venue / "store" / unchanged.NAME).exists()
