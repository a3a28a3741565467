"""Lines that a clock stamped alike: their order is the order of the lines, each its own record."""

from __future__ import annotations

import itertools
import json
import random
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from remanence.pipelines.derive.derive import derive
from remanence.pipelines.derive.store import read_derived
from remanence.pipelines.ingest import file_state, pending, resume
from remanence.pipelines.readers import source
from remanence.pipelines.sheets.refresh import load_venue
from remanence.pipelines.store import days
from tests.pipelines.ingest.house import House, lines

DAY = "2026-11-02T18:03:"


def contact(stamp: str, value: int) -> str:
    return f"{DAY}{stamp}Z,north/i1,contact,{value}"


def command(stamp: str, value: int) -> str:
    return f"{DAY}{stamp}Z,north/q1,command,{value}"


LATER = command("59", 0)
"""So that no wait is cut short by the log's end."""


def another(folder: Path) -> House:
    folder.mkdir()
    return House(folder)


def actuations(house: House) -> list[dict]:
    venue, path = load_venue(house.folder)
    derive(venue, path, house.store)
    return read_derived(house.store.folder, "actuations").to_dicts()


def told(house: House) -> list[tuple]:
    return house.signals().select("channel", "value", "place", "again").rows()


def test_a_contact_that_bounces_within_a_tick_is_released(house):
    house.write("a.csv", lines([
        command("11.000", 1), contact("11.038", 0), contact("11.039", 1), contact("11.039", 0),
        command("11.300", 0), LATER]))
    house.ingest()
    [row] = actuations(house)
    assert (row["outcome"], row["latency_ms"], row["bounces"]) == ("released", 38.0, 2)


def test_a_log_stamped_to_the_second_is_read_in_the_order_of_its_lines(house):
    """Shut, commanded, opened, command over, all under one stamp; and again a while later."""
    house.write("a.csv", lines([
        row for second in (11, 31) for row in (
            contact(f"{second}", 1), command(f"{second}", 1), contact(f"{second}", 0),
            command(f"{second}", 0))] + [LATER]))
    house.ingest()
    assert [(row["outcome"], row["latency_ms"], row["pulse_ms"]) for row in actuations(house)] == [
        ("released", 0.0, 0.0)] * 2


def test_the_other_way_round_is_another_history(house):
    """Opened by hand and shut again before the command, all within its second."""
    house.write("a.csv", lines([
        contact("11", 0), contact("11", 1), command("11", 1), command("11", 0), LATER]))
    house.ingest()
    assert [row["outcome"] for row in actuations(house)] == ["no-release"]


def test_the_nth_time_within_a_tick_is_one_record_in_every_file(house):
    tick = [contact("39.039", value) for value in (0, 1, 0)]
    house.write("a.csv", lines([command("39.000", 1), *tick]))
    house.write("b.csv", lines(tick))
    summary = house.ingest()
    assert [count.taken for count in summary.files] == [4, 0]
    assert told(house) == [("north/q1", 1.0, 0, 0), ("north/i1", 0.0, 0, 0),
                           ("north/i1", 1.0, 1, 0), ("north/i1", 0.0, 2, 1)]


def test_a_line_that_says_the_same_again_at_once_carries_nothing_new(house):
    house.write("a.csv", lines([contact("39", 0), contact("39", 0), contact("39", 1)]))
    summary = house.ingest()
    assert (summary.files[0].taken, summary.files[0].repeated) == (2, 1)


def test_the_file_with_more_of_a_tick_tells_the_order(tmp_path):
    """A file that begins within a tick does not know what came before it."""
    tick = [contact("39", 1), command("39", 1), contact("39", 0)]
    seen = []
    for order in ((0, 1), (1, 0)):
        one = another(tmp_path / f"{order[0]}")
        for number in order:
            one.write(f"{number}.csv", lines([tick, tick[1:]][number]))
            one.ingest()
        seen.append(told(one))
    assert seen[0] == seen[1]
    assert [row[:3] for row in seen[0]] == [
        ("north/i1", 1.0, 0), ("north/q1", 1.0, 1), ("north/i1", 0.0, 2)]


def test_an_export_grouped_by_channel_does_not_say_what_came_first(house):
    """All of the contact's lines stand before those of the command: that orders no tick."""
    house.write("a.csv", lines([
        contact("11", 0), contact("15", 1), contact("31", 0), contact("35", 1),
        command("11", 1), command("12", 0), command("31", 1), command("32", 0), LATER]))
    house.ingest()
    assert [row["outcome"] for row in actuations(house)] == ["released"] * 2


def test_all_values_of_a_line_have_one_place(tmp_path):
    house = House(tmp_path, WIDE)
    house.write("a.csv", "time,i1,q1\n" + "".join(f"{DAY}{row}\n" for row in (
        "10Z,1,0", "11Z,0,1", "11Z,0,0", "59Z,0,0")))
    house.ingest()
    assert [place for _, _, place, _ in told(house)] == [0, 0, 0, 0, 1, 0, 0]
    assert [row["outcome"] for row in actuations(house)] == ["released"]


WIDE = """
[venue]
id = "harbour"
name = "Harbour Lights"
time_zone = "Europe/Lisbon"

[[log]]
files = ["logs/*.csv"]
layout = "wide"
controller = "north"

[log.channels]
i1 = { quantity = "contact" }
q1 = { quantity = "command" }

[[supply]]
id = "rail-a"
channel = "rail-a"
rated_volts = 12.0

[[lock]]
id = "chart-drawer"
guards = "container"
mechanism = "latch"
supply = "rail-a"
command = "north/q1"
contact = "north/i1"
contact_closed_when = "locked"
"""


def crowded(rng: random.Random, count: int = 400) -> list[str]:
    """A log whose clock counts seconds: a few lines a second, some twice, some out of order."""
    rows, second = [], 0
    for _ in range(count):
        second += rng.random() < 0.4
        stamp = f"2026-11-02T18:{second // 60:02}:{second % 60:02}Z"
        channel, quantity = rng.choice([("north/i1", "contact"), ("north/q1", "command")])
        rows.append(f"{stamp},{channel},{quantity},{rng.randrange(2)}")
        if rng.random() < 0.1:
            rows.append(rows[-1])
        if rng.random() < 0.05:
            rows.insert(max(len(rows) - 5, 0), rows[-1])
    return rows


@pytest.mark.parametrize("seed", range(6))
def test_a_growing_log_in_small_chunks_is_the_same_as_one_read_at_once(
    tmp_path, monkeypatch, seed
):
    rng = random.Random(seed)
    rows = crowded(rng)
    whole, grown = (another(tmp_path / name) for name in ("whole", "grown"))
    whole.write("a.csv", lines(rows))
    whole.ingest()
    monkeypatch.setattr(source, "CHUNK_BYTES", 700)
    monkeypatch.setattr(pending, "COMMIT_ROWS", 60)
    cuts = sorted(rng.sample(range(1, len(rows)), 5))
    for stop in [*cuts, len(rows)]:
        grown.write("a.csv", lines(rows[:stop]))
        grown.ingest()
    assert_frame_equal(grown.signals(), whole.signals())
    assert_frame_equal(pl.DataFrame(actuations(grown)), pl.DataFrame(actuations(whole)))


@pytest.mark.parametrize("seed", range(6))
def test_overlapping_files_give_the_same_in_any_order(tmp_path, seed):
    rng = random.Random(seed)
    rows = crowded(rng, 150)
    parts = [rows[:80], rows[60:], rows[20:130]]
    found = []
    for number, order in enumerate(itertools.permutations(range(3))):
        house = another(tmp_path / f"{number}")
        for index in order:
            house.write(f"{index}.csv", lines(parts[index]))
            house.ingest()
        found.append(house.signals().drop("file", "line"))
    for other in found[1:]:
        assert_frame_equal(other, found[0])


def test_a_store_written_before_places_were_kept_is_read_and_gone_on_with(house, monkeypatch):
    rows = [command("11.000", 1), contact("11.039", 0), contact("11.039", 1),
            contact("11.039", 0), command("11.300", 0)]
    write = days.write_signals
    with monkeypatch.context() as older:
        older.setattr(days, "KEY", ("time", "channel", "quantity", "value"))
        older.setattr(days, "write_signals", lambda frame, *args: write(
            frame.drop("place", "again"), *args))
        older.setattr(file_state, "state_text", lambda ticks, **said: json.dumps({
            name: value for name, value in json.loads(
                resume.state_text(ticks=ticks, **said)).items() if name != "ticks"}))
        house.write("a.csv", lines(rows[:4]))
        house.ingest()
    assert told(house) == [("north/q1", 1.0, 0, 0), ("north/i1", 0.0, 0, 0),
                           ("north/i1", 1.0, 0, 0)]
    assert actuations(house)
    house.write("a.csv", lines(rows))
    house.ingest()
    assert [row[1:] for row in told(house)[1:]] == [
        (0.0, 0, 0), (1.0, 1, 0), (0.0, 2, 1), (0.0, 0, 0)]
    assert [row["outcome"] for row in actuations(house)] == ["released"]
