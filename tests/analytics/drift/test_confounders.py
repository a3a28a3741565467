"""What is no lock's fault: clocks apart, volts of single commands, another size of lock."""

import numpy as np
import polars as pl
import pytest

from remanence.analytics.conditions.latency import sticking_catch
from remanence.analytics.conditions.new_locks import slow_beside_siblings
from remanence.analytics.conditions.slow_mode import slow_modes
from remanence.analytics.drift.daily_series import lock_days
from remanence.analytics.drift.slow_mode import counted, healthy_beside
from remanence.analytics.history import day_ordinals, with_weeks
from remanence.shared.tables import SERVICE
from tests.analytics.physics.latency_rows import FIRST_MONDAY, actuations, history_at, lock, wander

LATCHES = [lock(f"latch-{index}") for index in range(10)]


def across_clocks(wander_ms, fault, seed):
    """One lock whose feedback another controller stamps, its clock off by some ms a day."""
    rows = actuations(LATCHES, weeks=16, seed=seed, per_week=35, noise=0.15,
                      faults={"latch-3": fault})
    off = wander(np.random.default_rng(seed), 16 * 7, wander_ms, 1.0)
    day = (pl.col("command_time").dt.date() - FIRST_MONDAY).dt.total_days()
    mine = pl.col("lock") == "latch-3"
    late = day.replace_strict(list(range(off.size)), list(off), return_dtype=pl.Float64)
    return rows.with_columns(
        across_clocks=mine,
        latency_ms=pl.when(mine).then(pl.col("latency_ms") + late).otherwise("latency_ms"))


def test_scatter_of_releases_is_not_taken_for_clocks_that_wander():
    rows = across_clocks(0.0, lambda day: 0.2 * (day >= 90), seed=6)
    found = sticking_catch(history_at(LATCHES, rows, 15))
    assert [item.subject for item in found] == ["latch-3"]
    assert found[0].score > 0.8


@pytest.mark.parametrize("seed", range(4))
def test_clocks_that_do_wander_are_no_drift(seed):
    rows = across_clocks(4.0, lambda day: 0.0 * day, seed=seed)
    for week in (11, 13, 15):
        assert [item for item in sticking_catch(history_at(LATCHES, rows, week))
                if item.subject == "latch-3"] == []


def with_slow_ones(low_volts):
    """From day 90 every fifth release is slow; at those commands the rail has ``low_volts``."""
    rows = actuations(LATCHES, weeks=16, seed=9)
    mine = (pl.col("lock") == "latch-2") & (
        pl.col("command_time").dt.date() >= pl.lit(FIRST_MONDAY) + pl.duration(days=90))
    slow = mine & (pl.int_range(pl.len()) % 5 == 0)
    return rows.with_columns(
        latency_ms=pl.when(slow).then(pl.col("latency_ms") * 2).otherwise("latency_ms"),
        volts_min=pl.when(slow).then(low_volts).otherwise(pl.col("volts_before") - 0.3))


def test_releases_slow_at_commands_that_had_fewer_volts_are_no_slow_mode():
    assert "latch-2" in slow_modes(history_at(LATCHES, with_slow_ones(11.7), 15))
    assert "latch-2" not in slow_modes(history_at(LATCHES, with_slow_ones(11.25), 15))


def test_a_rail_that_came_back_makes_none_of_the_releases_before_it_slow():
    """Forty days at 11 V, where the latch takes half as long again; back for the last four."""
    def low(day):
        return -0.09 * ((day >= 40) & (day < 80))

    rows = with_weeks(actuations(
        LATCHES[:1], weeks=12, seed=3, lean=0.0, per_week=60, no_release=0.0, volts=low,
        faults={LATCHES[0].id: lambda day: -3.0 * low(day)}), "command_time",
        history_at(LATCHES[:1], actuations(LATCHES[:1], weeks=12, seed=3), 11))
    days = lock_days(LATCHES[0], rows, FIRST_MONDAY.toordinal() + 7 * 11)
    seen = counted(days, rows, (day_ordinals(rows["day"])
                                - FIRST_MONDAY.toordinal() - 7 * 11).astype(float))
    assert seen.lasting
    assert not seen.event.any()


@pytest.mark.parametrize(("before", "told"), [(4.0, False), (1.0, True)])
def test_a_place_whose_lock_was_always_slow_is_of_another_size(before, told):
    day = 63
    rows = actuations(LATCHES, weeks=11, seed=4, faults={
        "latch-5": lambda days: np.where(days < day, np.log(before), np.log(4.0))})
    entry = SERVICE.conform(pl.DataFrame({
        "date": [FIRST_MONDAY + np.timedelta64(day, "D").astype(object)], "lock": ["latch-5"],
        "action": ["replaced"], "part": [None], "note": [None]}))
    found = slow_beside_siblings(history_at(LATCHES, rows, 10, service=entry))
    assert ([item.subject for item in found] == ["latch-5"]) is told


@pytest.mark.parametrize("sag", [None, 0.2])
def test_a_coil_that_leaves_no_level_to_read_still_meets_the_volts_of_a_rail_that_sags(sag):
    """The rail sags four times as much from day 60 on; the coil takes 0.2 V at first."""
    rows = with_weeks(actuations(LATCHES[:1], weeks=14, seed=3), "command_time",
                      history_at(LATCHES[:1], actuations(LATCHES[:1], weeks=14, seed=3), 13))
    later = (pl.col("command_time").dt.date() - FIRST_MONDAY).dt.total_days() >= 60
    noise = 0.01
    rows = rows.with_columns(
        volts_before=12.0, volts_noise=noise, sag_volts=pl.lit(sag, pl.Float64),
        rail_sag_factor=pl.when(later).then(4.0).otherwise(1.0),
        volts_min=pl.when(later).then(11.2 - 2 * noise).otherwise(11.8 - 2 * noise))
    days = lock_days(LATCHES[0], rows, FIRST_MONDAY.toordinal())
    fallen = np.median(days.log_volts[days.day >= 60]) - np.median(days.log_volts[days.day < 60])
    assert fallen == pytest.approx(np.log(11.2 / 11.8), abs=0.004)


def test_how_much_alike_locks_are_leant_upon_is_learned():
    """Ten that are slow in 3 % each say much of another; ten that are unlike next to nothing."""
    def beside(counts):
        """What these, of 500 each, show of one more."""
        return healthy_beside({str(number): np.arange(500) < count
                               for number, count in enumerate([0, *counts])})["0"]

    alike = beside([15] * 10)
    unlike = beside([0, 0, 1, 2, 4, 8, 15, 30, 45, 60])
    assert sum(alike) > 400
    assert sum(unlike) < 60
    assert alike[0] / sum(alike) == pytest.approx(0.03, rel=0.1)
    # One that sticks half the time among them is at fault, and no measure of the others.
    beside_faulty = beside([15] * 9 + [250])
    assert beside_faulty[0] / sum(beside_faulty) == pytest.approx(0.03, rel=0.1)


def test_slow_releases_do_not_widen_the_scatter_that_they_are_held_against():
    rows = actuations(LATCHES, weeks=16, seed=3, noise=0.09, lean=0.0)
    slow = (pl.int_range(pl.len()) % 8 == 0) & (pl.col("lock") == "latch-2")
    rows = rows.with_columns(
        latency_ms=pl.when(slow).then(pl.col("latency_ms") * 1.7).otherwise("latency_ms"))
    history = history_at(LATCHES, rows, 15)
    mine = with_weeks(rows, "command_time", history).filter(pl.col("lock") == "latch-2")
    epoch = history.week.monday.toordinal()
    days = lock_days(LATCHES[2], mine, epoch)
    seen = counted(days, mine, (day_ordinals(mine["day"]) - epoch).astype(float))
    assert days.deviation > 0.12
    assert seen.event.sum() == pytest.approx(mine.height / 8, rel=0.15)
