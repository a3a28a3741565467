"""Sniff drafts a whole venue file, held against venues that are known."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from remanence.pipelines.commands import main
from remanence.pipelines.readers import FORMATS
from remanence.pipelines.readers.source import Source
from remanence.pipelines.sniff.sampling import HEAD_BYTES, sample_of
from remanence.pipelines.sniff.venue_draft import draft_venue
from remanence.pipelines.sniff.who_answers import Series, answer_of, likeness, pair_up
from remanence.sample_data.generate import write_demo
from remanence.shared.errors import RemanenceError
from remanence.shared.venue_file import parse_venue
from tests.pipelines.ingest.log_examples import ROOT


def drafted(files, folder, monkeypatch):
    monkeypatch.chdir(folder)
    draft = draft_venue(files)
    return draft, parse_venue(draft.text, formats=FORMATS)


def test_the_demos_venue_is_drafted_from_its_logs_alone(tmp_path, monkeypatch):
    write_demo(tmp_path, weeks=4)
    truth = parse_venue((tmp_path / "venue.toml").read_text("utf-8"))
    draft, venue = drafted(sorted(p.relative_to(tmp_path) for p in tmp_path.glob("logs/*")),
                           tmp_path, monkeypatch)
    found = {lock.command: lock for lock in venue.locks}
    assert set(found) == {lock.command for lock in truth.locks}
    rails = {s.id: s.channel for v in (truth, venue) for s in v.supplies}
    pairs = [found[lock.command].contact == lock.contact for lock in truth.locks]
    fed = [rails[found[lock.command].supply] == rails[lock.supply] for lock in truth.locks]
    closed = [found[lock.command].contact_closed_when == lock.contact_closed_when
              for lock in truth.locks if lock.contact and lock.contact_closed_when != "unknown"]
    assert (sum(pairs), sum(fed)) == (38, 38)
    assert all(closed)
    assert {(s.channel, s.rated_volts) for s in venue.supplies} == {
        (s.channel, s.rated_volts) for s in truth.supplies}
    assert len(venue.logs) == 1  # a block a kind of file, by a pattern
    assert venue.logs[0].files == ("logs/2026-W*.csv.gz",)
    released_by_0 = {lock.command for lock in truth.locks if lock.contact and (
        (lock.released_by == "power-off") == (lock.command_energised == 1))}
    assert {lock.command for lock in venue.locks if lock.mechanism == "magnet"} == released_by_0
    assert {lock.room for lock in venue.locks} == {"Ground", "Upper", "Yard"}
    assert draft.questions[0].startswith("guards")
    assert all(f"#  {n}. {q}" in draft.text for n, q in enumerate(draft.questions, start=1))


START = datetime(2026, 11, 2, 18, 0, tzinfo=UTC)
RNG = np.random.default_rng(20261102)


def happenings(locks, games=30):
    """Records of locks ``name -> (command, contact, magnet)`` on one rail: at, channel, value."""
    records = [(START - timedelta(seconds=1), "rail", 12.1)]
    for name in locks:
        magnet = "door" in name
        records += [(START, (name, "coil"), int(magnet)), (START, (name, "contact"), 1)]
    for game in range(games):
        for order, name in enumerate(locks):
            magnet = "door" in name
            at = START + timedelta(minutes=10 * game + 1, seconds=20 * order + RNG.uniform(0, 9))
            latency = timedelta(milliseconds=float(RNG.uniform(18, 70)))
            back = at + timedelta(seconds=6 + RNG.uniform(0, 3))
            records.append((at, (name, "coil"), 0 if magnet else 1))
            records.append((at + latency, (name, "contact"), 0))
            records.append((back if magnet else at + timedelta(seconds=0.4), (name, "coil"),
                            1 if magnet else 0))
            records.append((back + timedelta(seconds=0.05), (name, "contact"), 1))
            if not magnet:
                records.append((at + timedelta(milliseconds=12), "rail", 11.4))
                records.append((at + timedelta(seconds=0.5), "rail", 12.1))
    return sorted(records, key=lambda record: record[0])


LOCKS = ("map drawer", "hall door", "wine box", "gate door", "idol safe")


def stamp(at):
    return at.strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3] + "Z"


def broker(records):
    names = {"coil": "set", "contact": "state"}
    for at, who, value in records:
        topic = "site/psu/main/volts" if who == "rail" else (
            f"site/rooms/{who[0].replace(' ', '_')}/{names[who[1]]}")
        payload = value if who == "rail" else ("OFF", "ON")[value]
        yield json.dumps({"tst": stamp(at)[:-1] + "+0000", "topic": topic, "qos": 1, "retain": 0,
                          "payload": payload})


def history(records):
    yield "entity_id,state,last_changed"
    names = {"coil": "switch.{}_coil", "contact": "binary_sensor.{}"}
    for at, who, value in records:
        name = "sensor.rail_volts" if who == "rail" else names[who[1]].format(
            who[0].replace(" ", "_"))
        yield f"{name},{value if who == 'rail' else ('off', 'on')[value]},{stamp(at)}"
    yield f"binary_sensor.wine_box,unavailable,{stamp(START + timedelta(days=1))}"


def wide(records):
    columns = [f"{kind}{n}" for n in range(len(LOCKS)) for kind in ("Q", "I")]
    yield "Stamp;" + ";".join(columns) + ";V24"
    for at, who, value in records:
        column = "V24" if who == "rail" else (
            f"{'Q' if who[1] == 'coil' else 'I'}{LOCKS.index(who[0])}")
        cells = [str(2 * value).replace(".", ",") if column == "V24" else str(value)
                 ] if column in (*columns, "V24") else []
        yield f"{at.strftime('%d.%m.%Y %H:%M:%S,%f')[:-3]};" + ";".join(
            cells[0] if name == column else "" for name in (*columns, "V24"))


def serial(records):
    for at, who, value in records:
        ms = int((at - START).total_seconds() * 1000) + 5000
        name = "vin" if who == "rail" else (
            f"{'q' if who[1] == 'coil' else 'i'}{LOCKS.index(who[0])}")
        yield f"[{ms:>9}] {name}={int(value * 1000) if who == 'rail' else ('LOW', 'HIGH')[value]}"


def titled(records):
    yield "Monthly export of the cellar,,,"
    yield "time,device,kind,value"
    for at, who, value in records:
        device, kind = ("rail", "volts") if who == "rail" else who
        yield f"{stamp(at)},{device},{kind},{value}"


FORMS = {"broker.jsonl": broker, "history.csv": history, "plc.csv": wide, "serial.txt": serial,
         "titled.csv": titled}


def number(channel):
    return channel.rpartition("/")[2][1:]


@pytest.mark.parametrize("name", FORMS)
def test_a_venue_is_drafted_from_logs_of_other_forms(tmp_path, monkeypatch, name):
    (tmp_path / name).write_text("\n".join(FORMS[name](happenings(LOCKS))) + "\n")
    draft, venue = drafted([name], tmp_path, monkeypatch)
    assert len(venue.locks) == len(LOCKS)
    for lock in venue.locks:
        if name in ("plc.csv", "serial.txt"):
            assert number(lock.contact) == number(lock.command)
            magnet = number(lock.command) in ("1", "3")
        else:
            same = {word.replace("_", " ").replace("-", " ") for word in LOCKS}
            place = [n for n in same if n in lock.command.replace("_", " ").replace("-", " ")]
            assert place
            assert place[0] in lock.contact.replace("_", " ").replace("-", " ")
            magnet = "door" in place[0]
            assert lock.guards == ("doorway" if magnet else "container")
        assert lock.mechanism == ("magnet" if magnet else "latch")
        assert lock.contact_closed_when == "locked"
    assert {lock.room for lock in venue.locks} == {""}  # the log names none
    (supply,) = venue.supplies
    assert supply.rated_volts == (24.0 if name == "plc.csv" else 12.0)
    assert supply.channel
    assert "lines were not taken" not in " ".join(draft.questions)


def test_check_accepts_the_draft_and_ingest_takes_the_log(tmp_path, monkeypatch, capsys):
    (tmp_path / "history.csv").write_text("\n".join(history(happenings(LOCKS))) + "\n")
    monkeypatch.chdir(tmp_path)
    assert main(["sniff", "--venue", "history.csv"]) == 0
    said = capsys.readouterr()
    (tmp_path / "venue.toml").write_text(said.out)
    assert "1. guards" in said.err
    assert main(["check", "."]) == 0
    capsys.readouterr()
    assert main(["ingest", "."]) == 0
    read, taken, _, rejected = re.search(r"history\.csv +(\d+) +(\d+) +(\d+) +(\d+)",
                                         capsys.readouterr().out).groups()
    assert (read, rejected) == (taken, "0")


def test_a_log_whose_contacts_are_all_inverted_is_told_once(tmp_path, monkeypatch):
    turned = [(at, who, 1 - value if isinstance(who, tuple) and who[1] == "contact" else value)
              for at, who, value in happenings(LOCKS)]
    (tmp_path / "a.csv").write_text("\n".join(titled(turned)) + "\n")
    draft, venue = drafted(["a.csv"], tmp_path, monkeypatch)
    assert {lock.contact_closed_when for lock in venue.locks} == {"open"}
    assert sum("Every contact goes to 1" in question for question in draft.questions) == 1


def test_lines_that_are_not_taken_are_told_before_anything_is_called_good(tmp_path, monkeypatch):
    lines = list(titled(happenings(LOCKS)))
    lines[20:400:2] = [f"{line.split(',')[0]},lost" for line in lines[20:400:2]]
    (tmp_path / "a.csv").write_text("\n".join(lines) + "\n")
    draft, _ = drafted(["a.csv"], tmp_path, monkeypatch)
    assert any("190 of" in q and "were not taken, like" in q for q in draft.questions[:3])


def test_several_kinds_of_files_give_a_block_each(tmp_path, monkeypatch):
    records = happenings(LOCKS)
    half = len(records) // 2
    for day, part in (("01", records[:half]), ("02", records[half:])):
        (tmp_path / f"hist-{day}.csv").write_text("\n".join(history(part)) + "\n")
    (tmp_path / "board.txt").write_text("\n".join(serial(records)) + "\n")
    _, venue = drafted(["hist-01.csv", "hist-02.csv", "board.txt"], tmp_path, monkeypatch)
    assert [log.files for log in venue.logs] == [("hist-*.csv",), ("board.txt",)]


def test_what_no_contact_follows_is_refused_with_what_was_seen(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "a.csv").write_text("time,channel,value\n2026-11-02T18:00:00Z,a/b,1\n")
    with pytest.raises(RemanenceError, match="no command was found"):
        draft_venue(["a.csv"])
    with pytest.raises(RemanenceError, match="does not exist"):
        draft_venue(["none.csv"])


def series(*edges):
    return Series(np.array([int(at * 1e6) for at, _ in edges]),
                  np.array([float(value) for _, value in edges]))


def test_a_contact_that_moved_just_before_is_no_answer():
    coil = series((0, 0), *((t + d, v) for t in range(10, 90, 10) for d, v in ((0, 1), (.4, 0))))
    switch = series((0, 1), *((t + d, v) for t in range(10, 90, 10) for d, v in ((.05, 0), (5, 1))))
    forth, back = answer_of(coil, switch), answer_of(switch, coil)
    assert (forth.share, forth.answered, forth.command_to, forth.contact_to) == (1.0, 8, 1.0, 0.0)
    assert back.share == 0.0
    both = pair_up({"a": switch, "b": coil}, ["a", "b"], ["a", "b"])
    assert both.contacts == {"b": "a"}


def test_names_decide_only_between_equals():
    assert likeness("north/q1", "north/i1") < likeness("north/q1", "north/q1") == 1.0
    coil = series((0, 0), *((t + d, v) for t in range(10, 90, 10) for d, v in ((0, 1), (.4, 0))))
    switch = series((0, 1), *((t + d, v) for t in range(10, 90, 10) for d, v in ((.05, 0), (5, 1))))
    found = pair_up({"box/coil": coil, "safe/coil": coil, "safe/sw": switch, "box/sw": switch},
                    ["box/coil", "safe/coil"], ["safe/sw", "box/sw"])
    assert found.contacts == {"box/coil": "box/sw", "safe/coil": "safe/sw"}


def test_head_middle_and_tail_of_a_file_are_looked_at(tmp_path):
    lines = [f"2026-11-02T18:00:00Z,a/{n:07d},1" for n in range(100_000)]
    path = tmp_path / "a.csv"
    path.write_text("time,channel,value\n" + "\n".join(lines) + "\n")
    seen = sample_of(Source("a.csv", path)).lines
    assert path.stat().st_size > 3 * HEAD_BYTES
    assert (seen[0], seen[-2]) == ("time,channel,value", lines[-1])
    assert lines[50_000] in seen
    assert len(seen) < 40_000


def test_the_venue_by_hand_is_drafted(tmp_path, monkeypatch):
    folder = ROOT / "sample_data" / "by_hand"
    truth = parse_venue((folder / "venue.toml").read_text("utf-8"))
    _, venue = drafted(["logs/hall.csv", "logs/cellar.csv"], folder, monkeypatch)
    found = {lock.command: lock.contact for lock in venue.locks}
    known = {lock.command: lock.contact for lock in truth.locks}
    assert {command: contact for command, contact in found.items() if contact} == {
        command: known[command] for command, contact in found.items() if contact}
