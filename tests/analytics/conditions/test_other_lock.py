"""Two locks that changed places, a lock perhaps replaced, and dates within the log."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import polars as pl

from remanence.analytics.conditions.condition import finding
from remanence.analytics.conditions.other_lock import (
    perhaps_replaced,
    within_the_log,
    without_swapped,
)
from remanence.analytics.conditions.swapped import swap_notes, swaps
from remanence.shared.tables import SERVICE
from tests.analytics.physics.latency_rows import FIRST_MONDAY, actuations, history_at, lock

LOCKS = [lock(f"latch-{n}") for n in range(4)]
SINCE = FIRST_MONDAY + timedelta(days=56)
SLOWER = finding("latch-0", "sticking-catch", "week", 0.99, says=[], since=SINCE,
                 since_low=SINCE, since_high=SINCE, extra={"course": "step"})


def history(swapped, service=()):
    rows = actuations(LOCKS, weeks=10, seed=11, no_release=0.0)
    late = pl.col("command_time").dt.date() >= SINCE
    quick, slow = pl.col("lock") == "latch-0", pl.col("lock") == "latch-1"
    times = pl.when(slow & ~late).then(1.5).when(quick & late).then(1.5).when(
        slow & late & (not swapped)).then(1.5).otherwise(1.0)
    same = pl.when(quick | slow).then(25.0 * times * (1 + 0.02 * (pl.int_range(pl.len()) % 5)))
    rows = rows.with_columns(latency_ms=pl.when(pl.col("outcome") == "released").then(
        same.otherwise("latency_ms")))
    entries = SERVICE.conform(pl.DataFrame(
        [{"date": day, "lock": name, "action": action} for day, name, action in service],
        schema={"date": pl.Date, "lock": pl.String, "action": pl.String}))
    return history_at(LOCKS, rows, 9, service=entries)


def test_two_that_became_like_each_other_changed_places():
    played = history(swapped=True)
    (swap,) = swaps(played)
    assert swap.locks == ("latch-0", "latch-1")
    assert abs((swap.day - SINCE).days) <= 2
    assert not without_swapped([SLOWER], played)
    assert [item.subject for item in swap_notes(played)] == ["latch-0 / latch-1"]
    earlier = replace(SLOWER, since=SINCE - timedelta(days=30))
    assert without_swapped([earlier], played) == [earlier]


def test_one_that_became_like_another_did_not():
    assert not swaps(history(swapped=False))
    assert without_swapped([SLOWER], history(swapped=False)) == [SLOWER]


def test_one_that_wore_to_where_the_other_was_did_not_change_places_with_it():
    """The other leapt to where this one had been; this one took a month for its way."""
    rows = actuations(LOCKS, weeks=12, seed=11, no_release=0.0)
    day = (pl.col("command_time").dt.date() - SINCE).dt.total_days()
    worn = ((day + 24) / 30).clip(0.0, 1.0)
    times = pl.when(pl.col("lock") == "latch-0").then((worn * float(np.log(1.5))).exp()).when(
        (pl.col("lock") == "latch-1") & (day < 0)).then(1.5).otherwise(1.0)
    tied = pl.col("lock").is_in(["latch-0", "latch-1"]) & (pl.col("outcome") == "released")
    rows = rows.with_columns(latency_ms=pl.when(tied).then(
        25.0 * times * (1 + 0.02 * (pl.int_range(pl.len()) % 5))).otherwise("latency_ms"))
    for week in (8, 9, 11):
        assert not swaps(history_at(LOCKS, rows, week))


def test_two_that_were_replaced_that_day_did_not():
    assert not swaps(history(swapped=True, service=[(SINCE, "latch-0", "replaced")]))


def test_the_bench_asks_whether_it_was_replaced_unless_that_is_entered():
    assert perhaps_replaced(SLOWER, history(swapped=False)).extra["perhaps_replaced"]
    entered = history(swapped=False, service=[(SINCE, "latch-0", "replaced")])
    assert "perhaps_replaced" not in perhaps_replaced(SLOWER, entered).extra
    slow = replace(SLOWER, extra={"course": "slow mode"})
    assert "perhaps_replaced" not in perhaps_replaced(slow, history(swapped=False)).extra


def test_nothing_is_dated_before_the_log():
    first = date(2025, 3, 1)
    early = replace(SLOWER, since=date(2024, 1, 1), since_low=date(2023, 1, 1))
    dated = within_the_log(early, first)
    assert (dated.since, dated.since_low, dated.since_high) == (first, first, SINCE)
