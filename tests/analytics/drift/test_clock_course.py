"""The course of two clocks, which all locks across them show alike."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl

from remanence.analytics.conditions.coarse_clock import measurable
from remanence.analytics.conditions.condition import finding
from remanence.analytics.drift.clock_course import (
    WANDERS_TO_TIME,
    clock_notes,
    wandering_locks,
    without_clock_course,
)
from remanence.analytics.health.lock_state import lock_states
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


def set_each_hour(locks, rows, gains_ms):
    """The rows by a second clock that gains so much in an hour and is then set."""
    minute = pl.col("command_time").dt.minute() + pl.col("command_time").dt.second() / 60
    return rows.with_columns(
        latency_ms=pl.col("latency_ms") + gains_ms * minute / 60, across_clocks=pl.lit(True))


def games(locks, weeks):
    """Releases one lock after the other, three minutes apart, as games are."""
    rows = actuations(locks, weeks=weeks, seed=9, per_week=42, no_release=0.0, noise=0.05)
    nth = pl.int_range(pl.len()).over("lock", pl.col("command_time").dt.date())
    place = pl.col("lock").str.split("-").list.last().cast(pl.Int64)
    day = pl.col("command_time").dt.truncate("1d")
    return rows.with_columns(nth=nth).with_columns(command_time=day + pl.duration(
        seconds=36_000 + 4500 * pl.col("nth") + 170 * place + 400)).drop("nth")


def test_a_clock_that_is_set_each_hour_hides_quick_locks_and_no_others():
    locks = [*LOCKS, *(replace(lock(f"magnet-{n}", kind="magnet"), command=f"a/m{n}",
                               contact=f"b/j{n}") for n in (5, 6))]
    rows = games(locks, 6)
    sound = history_at(locks, rows.with_columns(across_clocks=pl.lit(True)), 5)
    assert wandering_locks(sound, WANDERS_TO_TIME) == {}
    history = history_at(locks, set_each_hour(locks, rows, 36.0), 5)
    hidden = wandering_locks(history, WANDERS_TO_TIME)
    assert set(hidden) == {item.id for item in LOCKS}
    assert 7 < hidden["latch-0"] < 14  # calculated: 36 ms / sqrt(12) is 10.4 ms
    (note,) = clock_notes(history)
    assert (note.subject, note.quantity) == ("b", "wander")


def test_a_magnet_that_does_not_answer_is_told_though_its_times_cannot_be_judged():
    """Ten times the wander is needed to time a release, three to see whether there was one."""
    magnets = [replace(lock(f"magnet-{n}", kind="magnet"), command=f"a/m{n}", contact=f"b/j{n}")
               for n in range(7)]
    history = history_at(magnets, set_each_hour(magnets, games(magnets, 6), 250.0), 5)
    assert "magnet-5" in wandering_locks(history, WANDERS_TO_TIME)
    told = [finding("magnet-5", name, "now", 0.99, says=[]) for name in ("slow-drop", "no-release")]
    assert [item.condition for item in measurable(told, history)] == ["no-release"]
    state = lock_states(history, [])["magnet-5"]
    assert (state.state, state.silence) == ("too-little-data", "unsteady-clock")


def test_a_clock_that_pairing_had_to_bring_over_is_noted_while_it_is_apart():
    rows = actuations(LOCKS, weeks=3, seed=6, no_release=0.0)
    days = [FIRST_MONDAY + timedelta(days=n) for n in range(14)]
    polling = pl.DataFrame({
        "controller": ["b"] * 14, "day": days,
        "ahead_ms": [None] * 9 + [1700.0, 3400.0, 3400.0, 6900.0, 8600.0],
        "ahead_known": [None] * 9 + [True, True, False, True, True]})
    told = clock_notes(history_at(LOCKS, rows, 1, polling=polling))
    assert [(note.quantity, note.value, note.since) for note in told] == [
        ("clocks", 8600.0, days[9]), ("unclear", 1.0, days[7])]
