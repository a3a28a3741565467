"""The course of two clocks, which all locks across them show alike."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl

from remanence.analytics.drift.clock_course import clock_notes, without_clock_course
from tests.analytics.physics.latency_rows import FIRST_MONDAY, actuations, history_at, lock

LOCKS = [replace(lock(f"latch-{n}"), command=f"a/q{n}", contact=f"b/i{n}") for n in range(5)]


def shifted(locks):
    rows = actuations(locks, weeks=6, seed=5, no_release=0.0)
    first = rows["command_time"].min()
    day = (pl.col("command_time") - first).dt.total_days()
    return rows.with_columns(
        latency_ms=pl.col("latency_ms") + 12 + 6 * (day / 9).sin(), across_clocks=pl.lit(True))


def spread(rows):
    daily = rows.filter(pl.col("outcome") == "released").group_by(
        pl.col("command_time").dt.date()).agg(pl.col("latency_ms").median())
    return float(daily["latency_ms"].std())


def test_what_all_locks_show_alike_is_the_clocks():
    history = history_at(LOCKS, shifted(LOCKS), 5)
    rows = history.dated("actuations")
    assert spread(without_clock_course(rows, history)) < 0.35 * spread(rows)


def test_two_locks_are_too_few_to_tell():
    history = history_at(LOCKS[:2], shifted(LOCKS[:2]), 5)
    rows = history.dated("actuations")
    assert without_clock_course(rows, history)["latency_ms"].to_list() == (
        rows["latency_ms"].to_list())


def test_one_lock_that_changes_keeps_its_change():
    rows = shifted(LOCKS)
    late = rows["command_time"].min() + timedelta(days=28)
    slow = (pl.col("lock") == "latch-3") & (pl.col("command_time") >= late)
    rows = rows.with_columns(
        latency_ms=pl.when(slow).then(pl.col("latency_ms") + 15).otherwise("latency_ms"))
    history = history_at(LOCKS, rows, 5)
    out = without_clock_course(history.dated("actuations"), history).filter(
        (pl.col("lock") == "latch-3") & (pl.col("outcome") == "released"))
    before = out.filter(pl.col("command_time") < late)["latency_ms"].median()
    after = out.filter(pl.col("command_time") >= late)["latency_ms"].median()
    assert np.isclose(after - before, 15, atol=3)


def test_a_clock_that_begins_to_run_by_itself_is_noted_once():
    rows = actuations(LOCKS, weeks=7, seed=6, no_release=0.0)
    day = (pl.col("command_time").dt.date() - FIRST_MONDAY).dt.total_days()
    rows = rows.with_columns(
        latency_ms=pl.col("latency_ms") + 20.0 + pl.when(day >= 36).then(15.0).otherwise(0.0),
        across_clocks=pl.lit(True))
    told = [clock_notes(history_at(LOCKS, rows, week)) for week in (4, 5, 6)]
    assert [len(notes) for notes in told] == [0, 1, 0]
    (note,) = told[1]
    assert (note.subject, note.quantity) == ("b", "clocks")
    assert 12 < note.value < 25


def test_a_day_that_two_locks_show_alike_is_taken_out_too():
    rows = shifted(LOCKS[:3])
    last = rows["command_time"].max().date()
    rows = rows.filter((pl.col("lock") != "latch-0") | (
        pl.col("command_time").dt.date() < last - timedelta(days=3)))
    history = history_at(LOCKS[:3], rows, 5)
    kept = without_clock_course(history.dated("actuations"), history)
    assert spread(kept) < 0.5 * spread(history.dated("actuations"))
