"""What the sheets read of a store that goes years back: files and columns, not time."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

import remanence.analytics.conditions.diagnosis
import remanence.pipelines.derive.store
from remanence.analytics.conditions.life import Lives
from remanence.analytics.health.lock_state import LockState
from remanence.analytics.parts.orders import READS
from remanence.analytics.parts.venue_year import ACTIVITY_READS
from remanence.pipelines.derive.store import TIME_OF, read_manifest
from remanence.pipelines.sheets.load import load_history
from remanence.pipelines.sheets.parts_sheet import write_parts
from remanence.pipelines.sheets.refresh import Ready
from remanence.pipelines.sheets.sheet import SheetRun
from remanence.pipelines.sheets.timing_sheet import timing_of_log
from remanence.shared.weeks import Week
from tests.analytics.pairing.random_logs import random_log, random_venue
from tests.pipelines.derive.test_derive import FIRST, House, settled

YEARS = 3
STEP = timedelta(days=91)


@pytest.fixture
def old(tmp_path):
    """A venue with some minutes of log in each quarter of three years."""
    rng = np.random.default_rng(20260302)
    venue = settled(random_venue(rng, locks=4))
    house = House(tmp_path, venue)
    house.take(pl.concat([
        random_log(rng, venue, minutes=3.0, games=4, begin=FIRST.replace(hour=12) + STEP * number)
        .with_columns(pl.col("run") + 10 * number) for number in range(4 * YEARS + 1)]))
    return house


@pytest.fixture
def read(monkeypatch):
    """Names of files read, each with the columns read of it."""
    found: list[tuple[str, tuple[str, ...] | None]] = []
    real = remanence.pipelines.derive.store._read

    def watched(targets, which, columns):
        found.extend((target.parent.name + "/" + target.name,
                      None if columns is None else tuple(columns)) for target in targets)
        return real(targets, which, columns)

    monkeypatch.setattr(remanence.pipelines.derive.store, "_read", watched)
    return found


def _before(house, week, weeks):
    """Files of the blocks that end before so many weeks."""
    start = week.plus(1 - weeks).bounds(house.venue.zone)[0].date().isoformat()
    blocks = read_manifest(house.store.folder).blocks
    return {path for block in blocks if max(block.days) < start for path in block.files.values()}


def ready(house):
    return Ready(house.venue, house.path, house.store)


def test_the_report_and_the_designers_sheet_leave_the_far_past_alone(old, read):
    week = Week.of(max(old.store.days()))
    far = _before(old, week, 60)
    assert len(far) > 4 * len(TIME_OF)
    load_history(old.venue, old.path, week)
    timing_of_log(SheetRun(ready(old), options={"week": week}))
    names = [name for name, _ in read]
    assert names
    assert not far & set(names)
    # The designer's sheet looks at actuations alone; the energisings need one column of them.
    assert max(names.count(name) for name in names if name.startswith("actuations/")) <= 3
    assert all(names.count(name) == 1 for name in names if not name.startswith("actuations/"))


def test_the_owners_sheet_reads_each_month_once_and_few_columns_of_it(
        old, read, tmp_path, monkeypatch):
    last = max(old.store.days())
    week = Week.of(last)
    # Its years lie ahead: the moment that is stated is the last day's.
    monkeypatch.setenv("SOURCE_DATE_EPOCH", str(86_400 * (last - date(1970, 1, 1)).days))
    manifest = read_manifest(old.store.folder)
    months = {files["actuations"] for files in (
        manifest.unfinished, *(block.files for block in manifest.blocks)) if "actuations" in files}

    def again(history):
        raise AssertionError("judged a second time")

    monkeypatch.setattr(remanence.analytics.conditions.diagnosis, "diagnose", again)
    no_states = {lock.id: LockState(lock.id) for lock in old.venue.locks}
    write_parts(SheetRun(ready(old), out=tmp_path / "parts", found={week: Lives(())},
                         states_found={week: no_states}))
    rows = [(name, columns) for name, columns in read if name.startswith("actuations/")]
    assert sorted(name for name, _ in rows) == sorted(months)
    assert {columns for _, columns in rows} == {READS}
    hours = [(name, columns) for name, columns in read if not name.startswith("actuations/")]
    assert all(name.startswith("activity/") for name, _ in hours)
    assert {columns for _, columns in hours} <= {ACTIVITY_READS}
    with pytest.raises(AssertionError, match="a second time"):
        write_parts(SheetRun(ready(old), out=tmp_path / "parts", found={week.plus(-1): Lives(())}))


@pytest.mark.parametrize("name", sorted(TIME_OF))
def test_long_tables_put_in_order_run_by_run_are_the_same(old, name, monkeypatch):
    sorted_whole = old.table(name)
    monkeypatch.setattr(remanence.pipelines.derive.store, "MANY_ROWS", 0)
    assert_frame_equal(old.table(name), sorted_whole)


def test_a_damaged_month_among_many_is_named(old):
    block = read_manifest(old.store.folder).blocks[3]
    path = old.store.folder / "derived" / block.files["actuations"]
    path.write_bytes(b"PAR1 nothing PAR1")
    with pytest.raises(remanence.pipelines.derive.store.StoreError, match=path.name):
        old.table("actuations")


def test_all_sheets_of_a_run_look_at_one_history_that_is_loaded_once(old, read):
    week = Week.of(max(old.store.days()))
    run = SheetRun(ready(old), options={"week": week})
    whole = run.history(week)
    first = len(read)
    assert run.history(week) is whole
    near = run.history(week, 40, tables=("actuations",))
    assert len(read) == first
    start = week.plus(-39).bounds(old.venue.zone)[0]
    assert 0 < near.actuations.height < whole.actuations.height
    assert near.actuations["command_time"].min() >= start
    assert near.since(start) is near
    # What reaches further back is loaded by itself.
    far = run.history(week, 200, tables=("actuations",))
    assert far.actuations.height > whole.actuations.height
    assert far.openings.is_empty()
    assert len(read) > first
