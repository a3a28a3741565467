"""Finished months in one file a kind: the same records, whatever happens while they are joined."""

from __future__ import annotations

import json
import os
import random
import shutil
from datetime import UTC, datetime, timedelta

import polars as pl
import pyarrow.parquet as pq
import pytest
from polars.testing import assert_frame_equal

from remanence.pipelines.commands import main
from remanence.pipelines.derive.records import StoreReader, _groups_of, _opened
from remanence.pipelines.store import disk, months, repair, retired
from remanence.pipelines.store import manifest as store_manifest
from remanence.pipelines.store import store as store_module
from remanence.pipelines.store.months import LOOSE_FILES, SETTLED_DAYS, month_to_join
from remanence.pipelines.store.store import Batch, Store
from remanence.shared.errors import StoreError
from remanence.shared.tables import SIGNALS
from remanence.shared.venue import Venue
from tests.durability.small_venue import make
from tests.pipelines.store.killed import STEPS_ON_DISK, kill_before_each

FIRST = datetime(2026, 9, 1, tzinfo=UTC)
SEPTEMBER, OCTOBER, TO_THE_END = 30, 31, SETTLED_DAYS + 1


def day_of(number: int, rows: int = 12, late: int = 0) -> pl.DataFrame:
    """Edges and levels of one day; those of another ``late`` lie between them."""
    rng = random.Random(number)
    at = [FIRST + timedelta(days=number, minutes=5 * n + 2 * late) for n in range(rows)]
    parts = [pl.DataFrame({
        "time": at, "channel": channel, "quantity": quantity,
        "value": [float(rng.randrange(2)) if quantity == "command" else rng.random() for _ in at],
        "run": 0, "file": f"{number}-{late}.csv", "line": range(2, rows + 2), "place": 0,
        "again": 0}, schema_overrides={"time": pl.Datetime("us", "UTC")})
        for channel, quantity in (("north/q1", "command"), ("rail-a", "volts"), ("a", "amps"))]
    return SIGNALS.conform(pl.concat(parts))


@pytest.fixture
def store(tmp_path):
    disk.forget_checks()
    return Store.open(Venue(id="v", name="v", time_zone="UTC"), tmp_path / "venue.toml")


def fill(store, days):
    """Days that come one by one."""
    for number in days:
        store.commit(Batch(day_of(number)))


def fill_at_once(store, days):
    store.commit(Batch(pl.concat([day_of(number) for number in days])))


@pytest.fixture
def full(store):
    fill(store, range(SEPTEMBER + OCTOBER + TO_THE_END))
    return store


def join(store):
    done = []
    while month := store.join_a_month():
        done.append(month)
    return done


def held(store):
    return store.scan_signals().collect()


def every_look(store):
    """The store as each of its readers sees it."""
    days = list(store.days())
    found = {"all": held(store), "marks": store.days()}
    for kind in (["command"], ["volts"], ["amps", "volts"]):
        found[str(kind)] = store.scan_signals(quantities=kind).collect()
        found[f"{kind}, some"] = store.scan_signals([*days[3:8], days[40]], kind).collect()
    for day in days[::9]:
        found[str(day)] = store.scan_signals([day]).collect()
    return found


def same(found, expected):
    assert found.keys() == expected.keys()
    for name, table in expected.items():
        if isinstance(table, pl.DataFrame):
            assert_frame_equal(found[name], table)
        else:
            assert found[name] == table


def test_a_finished_month_is_two_files_and_the_same_records(full):
    before = every_look(full)
    assert len(full._manifest().named()) == 2 * len(full.days())
    assert join(full) == ["2026-09", "2026-10"]
    same(every_look(full), before)
    assert len(full._manifest().named()) == 4 + 2 * TO_THE_END
    count, faults = repair.look(full.folder)
    assert (count, faults) == (5 + 2 * TO_THE_END, [])
    # Another program, or the next run, finds the same.
    store_manifest._LAST.clear()
    disk.forget_checks()
    same(every_look(Store(full.folder, "v")), before)


def test_a_month_is_joined_a_week_after_its_end_and_where_it_lies_in_many_files(store):
    fill(store, range(SEPTEMBER + SETTLED_DAYS))
    assert month_to_join(store._manifest()) is None
    fill(store, [SEPTEMBER + SETTLED_DAYS])
    assert month_to_join(store._manifest()) == "2026-09"
    join(store)
    fill(store, range(-LOOSE_FILES, 0))
    assert month_to_join(store._manifest()) is None
    fill(store, [-LOOSE_FILES - 1])
    assert month_to_join(store._manifest()) == "2026-08"


def test_days_that_come_together_share_a_file_and_are_the_same_records(full, tmp_path):
    other = Store.open(Venue(id="v", name="v", time_zone="UTC"), tmp_path / "other" / "venue.toml")
    fill_at_once(other, range(SEPTEMBER + OCTOBER + TO_THE_END))
    found, expected = every_look(other), every_look(full)
    del found["marks"], expected["marks"]
    same(found, expected)
    assert len(other._manifest().named()) == 3 * 2
    assert repair.look(other.folder) == (3 * 2 + 1, [])
    assert join(other) == []
    # Those of a month that are few lie in files of their own, like those that come alone.
    fill_at_once(other, range(-LOOSE_FILES, 0))
    assert {s.at for day, entry in other._manifest().days.items() if day[:7] == "2026-08"
            for s in entry.segments} == {None}


def test_weeks_that_come_together_are_joined_once_their_month_is_finished(store):
    fill(store, range(SEPTEMBER + TO_THE_END))
    expected = held(store)
    other = Store(store.folder.parent / "other", "v")
    weeks = [range(first, first + 7) for first in range(-1, SEPTEMBER + TO_THE_END - 7, 7)]
    for week in weeks:
        fill_at_once(other, [number for number in week if number >= 0])
    fill(other, range(weeks[-1].stop, SEPTEMBER + TO_THE_END))
    files = {s.path for day, entry in other._manifest().days.items() if day[:7] == "2026-09"
             for s in entry.segments}
    assert len(files) > 2 * LOOSE_FILES
    assert join(other) == ["2026-09"]
    assert_frame_equal(held(other), expected)
    files = {s.path for day, entry in other._manifest().days.items() if day[:7] == "2026-09"
             for s in entry.segments}
    assert len(files) == 2
    assert repair.look(other.folder)[1] == []


def test_days_in_several_files_that_are_too_long_to_share_one_are_let_alone(store, monkeypatch):
    monkeypatch.setattr(months, "SEGMENT_ROWS", 40)
    for part in range(2):  # two files of 24 levels each, which no month's file may hold
        for number in range(LOOSE_FILES + 2):
            rows = day_of(number).with_columns(pl.col("time") + timedelta(hours=12 * part))
            store.commit(Batch(rows))
    fill(store, [SEPTEMBER + TO_THE_END])
    join(store)
    assert month_to_join(store._manifest()) is None
    assert repair.look(store.folder)[1] == []


@pytest.mark.parametrize("at_once", [False, True])
def test_a_day_is_row_groups_of_its_own_with_its_own_statistics(store, at_once):
    full = store
    days = range(SEPTEMBER + OCTOBER + TO_THE_END)
    if at_once:
        fill_at_once(full, days)
    else:
        fill(full, days)
        join(full)
    for day, entry in full._manifest().days.items():
        for segment in entry.segments:
            if segment.at is None:
                continue
            metadata = pq.read_metadata(full.folder / segment.path)
            groups = [metadata.row_group(k) for k in range(metadata.num_row_groups)]
            begins = [sum(group.num_rows for group in groups[:k]) for k in range(len(groups) + 1)]
            assert {segment.at, segment.at + segment.rows} <= set(begins)
            first = begins.index(segment.at)
            name = {metadata.schema.column(k).name: k for k in range(len(metadata.schema))}
            assert str(groups[first].column(name["time"]).statistics.min)[:10] == day
    reader = StoreReader(full.folder)
    assert sum(reader.rows.values()) == held(full).height
    # Who pairs a day reads its row groups and no others; of a file, its footer once.
    files: dict = {}
    for segments in reader.segments.values():
        for segment in segments:
            groups = list(_groups_of(_opened(files, full.folder, segment), segment))
            assert sum(group.file.metadata.row_group(group.number).num_rows
                       for group in groups) == segment.rows
    assert len(files) == len(full._manifest().named())


def test_late_lines_of_an_old_day_lie_beside_the_month_and_are_joined_later(full):
    join(full)
    expected = held(full)
    old = list(full._manifest().days["2026-09-04"].segments)
    files = full._manifest().named()
    for late in range(1, LOOSE_FILES + 2):
        new = day_of(2 + late, late=1)
        marks = full.days()
        assert sum(full.commit(Batch(new)).taken.values()) == new.height
        changed = {day.isoformat() for day, mark in full.days().items()
                   if marks.get(day) != mark}
        assert changed == {f"2026-09-{3 + late:02d}"}
        expected = SIGNALS.conform(pl.concat([expected, new]))
        assert_frame_equal(held(full), expected)
        # The month's file is still there for its other days, and verify takes it for sound.
        assert {segment.path for segment in old} <= full._manifest().named()
        assert repair.look(full.folder)[1] == []
        if late <= LOOSE_FILES:
            assert join(full) == []
    # A line that was there already changes nothing, wherever it lies.
    assert not full.commit(Batch(day_of(5, late=0))).days
    assert join(full) == ["2026-09"]
    assert_frame_equal(held(full), expected)
    assert len(full._manifest().named()) == len(files)
    assert not {segment.path for segment in old} & full._manifest().named()
    named = full._manifest()
    september = sum(segment.rows for day, entry in named.days.items() if day[:7] == "2026-09"
                    for segment in entry.segments)
    assert september == sum(rows for path, rows in named.shared.items()
                            if "2026-09" in path and path in named.named())


def test_days_of_many_records_are_several_files_and_a_very_long_one_stays_alone(
        full, monkeypatch):
    fill_rows = 2 * 12  # levels of a day
    monkeypatch.setattr(months, "SEGMENT_ROWS", 5 * fill_rows)
    full.commit(Batch(day_of(3, rows=100)))
    before = every_look(full)
    join(full)
    same(every_look(full), before)
    rows = [rows for path, rows in full._manifest().shared.items() if "2026-09/levels" in path]
    assert max(rows) <= 5 * fill_rows
    assert len(rows) in (6, 7)
    alone = [s for s in full._manifest().days["2026-09-04"].segments if s.kind == "levels"]
    assert [segment.at for segment in alone] == [None]
    assert join(full) == []


def test_who_reads_meanwhile_sees_the_files_that_it_knows_for_a_week(full, monkeypatch):
    reader, pairing, expected = full.scan_signals(), StoreReader(full.folder), held(full)
    files = full._manifest().named()
    join(full)
    assert_frame_equal(reader.collect(), expected)
    assert sum(pairing.rows.values()) == expected.height
    assert all((full.folder / path).is_file() for path in files)
    now = retired.time.time()
    monkeypatch.setattr(retired.time, "time", lambda: now + 6.9 * 86_400)
    fill(full, [70])
    assert all((full.folder / path).is_file() for path in files)
    monkeypatch.setattr(retired.time, "time", lambda: now + 7.1 * 86_400)
    fill(full, [71])
    there = {path.relative_to(full.folder).as_posix()
             for path in full.folder.glob("signals/*/*.parquet")}
    assert there == full._manifest().named()
    assert repair.look(full.folder)[1] == []
    assert held(full).height == expected.height + 2 * 36


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_a_kill_at_any_step_loses_and_doubles_nothing(store, tmp_path, monkeypatch):
    fill(store, range(SEPTEMBER + TO_THE_END))
    expected = held(store)

    def look():
        store_manifest._LAST.clear()
        disk.forget_checks()
        assert_frame_equal(held(store), expected)
        assert repair.look(store.folder)[1] == []

    assert kill_before_each(monkeypatch, STEPS_ON_DISK, store.join_a_month, look) > 8
    assert join(store) == []
    assert_frame_equal(held(store), expected)
    fill(store, [200])
    assert_frame_equal(held(store).head(expected.height), expected)


def test_a_damaged_month_comes_back_from_the_files_of_its_days(full):
    join(full)
    before = held(full)
    path = next(p for p in sorted(full._manifest().named()) if "2026-09/edges" in p)
    (full.folder / path).write_bytes(b"rubbish")
    disk.forget_checks()
    with pytest.raises(StoreError, match="verify VENUE"):
        held(full)
    [fault] = repair.look(full.folder)[1]
    assert "360 commands and contacts of 2026-09" in str(fault)
    repair.set_right(full.folder, "v")
    assert_frame_equal(held(full), before)
    assert repair.look(full.folder)[1] == []


def test_a_store_without_its_manifest_is_made_anew_from_months_too(full):
    join(full)
    before = held(full)
    for path in full.folder.glob("signals/*-*-*/*"):
        if path.relative_to(full.folder).as_posix() not in full._manifest().named():
            path.unlink()  # as after a week
    (full.folder / "manifest.json").unlink()
    store_manifest._LAST.clear()
    repair.set_right(full.folder, "v")
    assert_frame_equal(held(full), before)


def test_a_damaged_day_keeps_its_month_from_being_joined_and_nothing_else(full):
    path = next(p for p in sorted(full._manifest().named()) if "2026-09-07/edges" in p)
    data = (full.folder / path).read_bytes()
    (full.folder / path).write_bytes(b"rubbish")
    disk.forget_checks()
    before = full._manifest().named()
    with pytest.raises(StoreError, match="2026-09-07"):
        full.join_a_month()
    assert full._manifest().named() == before
    (full.folder / path).write_bytes(data)
    assert join(full) == ["2026-09", "2026-10"]


def test_a_store_of_version_4_is_read_and_joined(full):
    before = every_look(full)
    path = full.folder / "manifest.json"
    raw = json.loads(path.read_text())
    del raw["shared"], raw["sha256"]
    raw["version"] = 4
    path.write_text(disk.sealed(json.dumps(raw, separators=(",", ":"))))
    same(every_look(full), before)
    join(full)
    assert json.loads(path.read_text())["version"] == store_manifest.VERSION
    same(every_look(full), before)


@pytest.mark.parametrize("change", [{"shared": 9}, {"at": -1}, {"at": 10**9}, {"shared": "a"}])
def test_a_manifest_whose_days_point_out_of_their_file_is_damaged(full, change):
    join(full)
    path = full.folder / "manifest.json"
    raw = json.loads(path.read_text())
    raw.pop("sha256")
    raw["days"]["2026-09-03"]["segments"][0] |= change
    path.write_text(disk.sealed(json.dumps(raw, separators=(",", ":"))))
    with pytest.raises(StoreError, match="damaged"):
        full.days()


def test_sheets_exports_and_derived_tables_are_the_same_bytes(tmp_path, monkeypatch, capsys):
    """All that is made of a store, before its months are joined and after, made anew each time."""
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1798761600")
    house = tmp_path / "house"
    make(house, days=40)

    def made(where):
        out = tmp_path / where
        shutil.rmtree(house / "store" / "derived", ignore_errors=True)
        for table, ending in (("signals", "csv"), ("signals", "parquet"), ("actuations", "parquet"),
                              ("rail_hours", "parquet"), ("rejects", "csv")):
            assert main(["export", str(house), table, str(out / f"{table}.{ending}")]) == 0
        assert main(["verify", str(house)]) == 0
        for sheet in ("report", "timing", "parts"):
            main([sheet, str(house), "--out", str(out / sheet)])
        return {path.relative_to(out): path.read_bytes() for path in out.rglob("*")
                if path.is_file()}

    with monkeypatch.context() as never:
        never.setattr(store_module, "month_to_join", lambda manifest: None)
        never.setattr(store_module, "write_days", lambda *_: {})
        assert main(["ingest", str(house)]) == 0
        (tmp_path / "before").mkdir()
        before = made("before")
    files = len(list(house.glob("store/signals/*-*-*/*")))
    assert main(["ingest", str(house)]) == 0
    [month] = house.glob("store/signals/2026-11")
    assert len(list(month.iterdir())) == 2
    (tmp_path / "after").mkdir()
    assert files == 80
    after = made("after")
    assert after.keys() == before.keys()
    assert [name for name in before if before[name] != after[name]] == []
    assert len(before) > 10
