"""What tells look-alikes apart: who opened it, one command or two, rest or people."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from remanence.analytics.conditions import slow_mode
from remanence.analytics.conditions.outcomes import no_release, not_reclosed
from remanence.analytics.history import whole_commands
from remanence.shared.tables import ACTUATIONS, OPENINGS
from tests.analytics.conditions.test_diagnosis import slow_at_times
from tests.analytics.physics.latency_rows import FIRST_MONDAY, actuations, history_at, lock

LOCKS = [lock(f"latch-{index}") for index in range(8)]
DAY = pl.col("command_time").dt.date()
LATE = FIRST_MONDAY + timedelta(days=49)


@pytest.fixture(scope="module")
def sound():
    return actuations(LOCKS, weeks=9, seed=71, no_release=0.0)


def hit(every):
    return (pl.col("lock") == "latch-1") & (LATE <= DAY) & (pl.int_range(pl.len()) % every == 0)


def test_what_opened_by_itself_was_not_left_open(sound):
    rows = sound.with_columns(
        outcome=pl.when(hit(4)).then(pl.lit("already-open")).otherwise("outcome"),
        contact_edges=pl.when(hit(4)).then(0).otherwise("contact_edges"))
    assert [f.subject for f in not_reclosed(history_at(LOCKS, rows, 8))] == ["latch-1"]
    itself = rows.filter(hit(4)).select(
        "lock", time=pl.col("command_time") - pl.duration(seconds=1), energised=pl.lit(False))
    openings = OPENINGS.conform(itself)
    assert not_reclosed(history_at(LOCKS, rows, 8, openings=openings)) == []


def test_of_commands_within_a_tenth_of_a_second_one_stays():
    time = np.array([0, 80, 5000, 5090, 5180, 9000, 9101]) * 1000
    outcome = ["no-release", "released", "released", "no-release", "no-release", "no-release",
               "no-release"]
    rows = ACTUATIONS.conform(pl.DataFrame({
        "lock": ["a"] * 7, "outcome": outcome, "pulse_ms": [50.0] * 7,
        "command_time": pl.from_epoch(pl.Series(time), "us").dt.replace_time_zone("UTC"),
        "latency_ms": [None, 30.0, 31.0, None, None, None, None]}))
    whole = whole_commands(rows)
    assert (whole["command_time"].dt.epoch("us") // 1000).to_list() == [0, 5000, 9000, 9101]
    assert whole["outcome"].to_list() == ["released", "released", "no-release", "no-release"]
    assert whole["latency_ms"].to_list() == [110.0, 31.0, None, None]
    assert whole["pulse_ms"].to_list() == [130.0, 230.0, 50.0, 50.0]


def test_a_command_written_twice_is_not_unanswered(sound):
    twice = sound.filter(hit(3)).with_columns(
        pl.col("command_time") - pl.duration(milliseconds=60),
        outcome=pl.lit("no-release"), latency_ms=pl.lit(None, dtype=pl.Float64))
    rows = ACTUATIONS.conform(pl.concat([sound, twice]).sort("lock", "command_time"))
    assert no_release(history_at(LOCKS, rows, 8)) == []


def test_a_catch_that_sticks_is_told_though_people_lean_on_it_too(monkeypatch):
    rows = actuations(LOCKS, weeks=13, seed=72, lean=0.0)
    rows = slow_at_times(rows, "latch-2", 0.3, 63, rested=False)
    first = pl.col("command_time").rank().over("lock", DAY) == 1
    sticks = (pl.col("lock") == "latch-2") & first & (
        FIRST_MONDAY + timedelta(days=63) <= DAY)
    history = history_at(LOCKS, rows.with_columns(latency_ms=pl.when(sticks).then(
        pl.col("latency_ms") * 2.5).otherwise("latency_ms")), 12)
    mode = slow_mode.slow_modes(history)["latch-2"].mode
    # Most of its slow ones look like people; only those after a rest tell of the catch.
    for rested, told in ((mode.first_count, ["latch-2"]), (mode.first_total // 4, [])):
        leant = replace(mode, loaded=2.0, first_count=rested)
        monkeypatch.setattr(slow_mode, "slow_modes", lambda _, leant=leant: {
            "latch-2": slow_mode.Told(leant)})
        assert [f.subject for f in slow_mode.slow_at_times(history)] == told


@pytest.mark.parametrize(("lean", "told"), [(0.06, []), (0.0, ["hatch"])])
def test_a_latch_without_a_contact_among_people_who_lean_is_leant_upon_too(lean, told):
    hatch = lock("hatch", contact=None, contact_closed_when=None, contact_senses=None,
                 self_cut=True)
    locks = [*LOCKS, hatch]
    # Pushes that outlast the pulse: a contact tells of the late release, a load that it lasted.
    rows = actuations(locks, weeks=9, seed=73, no_release=0.0, lean=0.0, pulse_ms=100.0)
    leant = pl.Series(np.random.default_rng(4).random(rows.height) < lean)
    stalled = (pl.int_range(pl.len()) % 16 == 0) & (pl.col("lock") == "hatch")
    rows = rows.with_columns(
        latency_ms=pl.when(stalled).then(None).when(leant).then(160.0).otherwise("latency_ms"),
        outcome=pl.when(stalled).then(pl.lit("no-release")).otherwise("outcome"))
    assert [f.subject for f in no_release(history_at(locks, rows, 8))] == told
