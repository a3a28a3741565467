"""What most locks share: leaps and rises are named, heat and seasons are not."""

import numpy as np
import polars as pl
import pytest

from remanence.analytics.conditions.latency import slow_drop, sticking_catch, weakening_hold
from remanence.analytics.conditions.shared_slowing import shared_slowing
from remanence.analytics.drift.judge import drifts
from tests.analytics.physics.latency_rows import FIRST_MONDAY, actuations, history_at, lock

COUNT, WEEKS = 12, 26
LOCKS = [
    lock(f"latch-{n:02d}", supply=f"rail-{n % 2}", part=f"part-{n % 2}", room=f"Room {n // 4}")
    for n in range(COUNT)
]
HALF = LOCKS[::2]


def heat(kelvin, start, length):
    """A heat wave that comes within days and goes as it came."""
    def course(day):
        beyond = np.clip(np.abs(day - start - length / 2) - length / 3, 0, None)
        return kelvin * np.exp(-0.5 * (beyond / (length / 8)) ** 2)

    return course


def rows_of(seed, share=None, who=(), hot=None):
    """Latches in a season of 8 K, each with its own answer, and copper that shows the warmth."""
    rng = np.random.default_rng(seed)
    day = np.arange(WEEKS * 7)
    kelvin = 8 * np.sin(2 * np.pi * (day / 365 + rng.random()))
    kelvin = kelvin + (hot(day) if hot else 0.0)
    gains = 0.007 * np.exp(rng.normal(0, 0.25, COUNT))
    rows = actuations(LOCKS, weeks=WEEKS, seed=seed, season_kelvin=0.0, faults={
        item.id: lambda days, gain=gain, item=item: gain * kelvin[days] + (
            share(days) if item in who else 0.0)
        for item, gain in zip(LOCKS, gains, strict=True)})
    when = (rows["command_time"].dt.date() - FIRST_MONDAY).dt.total_days().to_numpy()
    volts = {item.id: rng.uniform(0.06, 0.3) for item in LOCKS}
    sag = np.array([volts[name] for name in rows["lock"]]) / (1 + 0.00393 * kelvin[when])
    sag = sag * np.exp(np.cumsum(rng.normal(0, 0.001, day.size)))[when]
    sag = pl.Series(sag + rng.normal(0, 0.006, sag.size))
    return rows.with_columns(
        sag_volts=sag, volts_min=pl.col("volts_before") - sag - 0.02, volts_noise=pl.lit(0.01),
        volts_samples=pl.lit(100.0), sample_ms=pl.lit(5.0))


def said(rows, week):
    """What is said of many locks, and of single ones."""
    history = history_at(LOCKS, rows, week)
    sure = [item for item in (*shared_slowing(history), *sticking_catch(history))
            if item.score >= 0.95]
    return {(item.subject_kind, item.subject) for item in sure}


def step(size):
    return lambda day: np.log1p(size) * (day >= 21 * 7 + 2)


@pytest.mark.parametrize("seed", [31, 32])
def test_a_step_that_half_the_locks_share_is_said_of_what_they_share_within_two_weeks(seed):
    rows = rows_of(seed, step(0.12), HALF)
    assert said(rows, 22) == {("supply", "rail-0")}
    (found,) = shared_slowing(history_at(LOCKS, rows, 22))
    assert set(found.extra["accounts_for"]) == {item.id for item in HALF}
    assert {item.id for item in found.says} == {"shared-slowing-supply", "shared-too-part"}
    assert found.evidence[0].now_low < 12 < found.evidence[0].now_high


def test_a_step_of_locks_that_share_nothing_is_said_of_each():
    who = [LOCKS[n] for n in (0, 1, 2, 5, 7, 8)]
    assert said(rows_of(33, step(0.13), who), 23) == {("lock", item.id) for item in who}


@pytest.mark.parametrize("week", [22, 25])
def test_a_step_of_most_of_them_is_said_of_the_venue_for_as_long_as_it_lasts(week):
    """Eight of twelve, who share nothing narrower; the other four keep their own level."""
    who = [LOCKS[n] for n in (0, 1, 2, 5, 7, 8, 10, 11)]
    rows = rows_of(39, step(0.2), who)
    assert said(rows, week) == {("venue", "test")}
    history = history_at(LOCKS, rows, week)
    (found,) = shared_slowing(history)
    assert set(found.extra["accounts_for"]) == {item.id for item in who}
    assert (found.says[0].values["slow"], found.says[0].values["total"]) == (8, 12)
    others = {item.id for item in LOCKS} - {item.id for item in who}
    assert all(abs(drifts(history).current[name].change) < 0.05 for name in others)


def test_a_leap_of_all_of_them_is_said_of_the_venue_and_of_none_by_itself():
    assert said(rows_of(34, step(0.25), LOCKS), 22) == {("venue", "test")}


def test_locks_that_wear_together_are_told_before_a_fifth():
    rows = rows_of(35, lambda day: 0.015 * np.clip(day - 12 * 7, 0, None) / 7, LOCKS)
    assert ("venue", "test") in said(rows, 24)


@pytest.mark.parametrize(("kelvin", "length"), [(12.0, 14), (12.0, 25)])
def test_a_heat_wave_is_nobodys_fault(kelvin, length):
    rows = rows_of(36, hot=heat(kelvin, 21 * 7, length))
    for week in range(21, 26):
        assert said(rows, week) == set()


def test_a_lock_that_is_slower_than_what_it_shares_is_said_beside_it():
    rows = rows_of(37, step(0.20), HALF)
    mine = (pl.col("lock") == HALF[0].id) & (
        pl.col("command_time").dt.date() >= pl.lit(FIRST_MONDAY) + pl.duration(days=21 * 7 + 2))
    rows = rows.with_columns(latency_ms=pl.when(mine).then(
        pl.col("latency_ms") * 1.6).otherwise("latency_ms"))
    assert said(rows, 23) == {("supply", "rail-0"), ("lock", HALF[0].id)}


def test_an_exit_route_is_judged_by_all_that_it_shows():
    exits = [lock(f"magnet-{n}", kind="magnet", guards="doorway" if n == 0 else "container")
             for n in range(6)]
    rows = actuations(exits, weeks=16, seed=38, faults={
        item.id: lambda day: np.log(1.4) * (day >= 90) for item in exits})
    found = {item.subject for item in slow_drop(history_at(exits, rows, 15))}
    assert exits[0].on_way_out
    assert found == {"magnet-0"}


def test_one_cause_is_said_once_though_one_rail_shows_it_most_plainly():
    """All of one rail, and two of the other's, slow together: that is not the rail's."""
    who = [*HALF, LOCKS[1], LOCKS[3]]
    rows = rows_of(41, lambda day: 0.02 * np.clip(day - 14 * 7, 0, None) / 7, who)
    for week in (22, 24):
        assert said(rows, week) == {("venue", "test")}
        (found,) = shared_slowing(history_at(LOCKS, rows, week))
        assert set(found.extra["accounts_for"]) >= {item.id for item in who}


@pytest.mark.parametrize(("slow", "told"), [(3, {("supply", "rail-b")}), (2, {
    ("lock", "few-0"), ("lock", "few-1")})])
def test_three_latches_of_a_rail_without_a_meter_are_its_locks_and_two_are_not(slow, told):
    few = [lock(f"few-{n}", supply="rail-b") for n in range(3)]
    rows = actuations([*LOCKS, *few], weeks=WEEKS, seed=43, log_volts=False, faults={
        item.id: step(0.25) for item in few[:slow]})
    history = history_at([*LOCKS, *few], rows, 22)
    assert {(item.subject_kind, item.subject) for item in (
        *shared_slowing(history), *sticking_catch(history)) if item.score >= 0.9} == told


MAGNETS = [
    lock(f"magnet-{n}", kind="magnet", supply=f"rail-{n % 2}", part=f"part-{n % 2}")
    for n in range(8)
]


def sooner(size):
    return lambda day: np.log1p(-size) * (day >= 14 * 7 + 2)


@pytest.mark.parametrize("who", [MAGNETS, MAGNETS[::2]])
@pytest.mark.parametrize("course", [
    sooner(0.2), lambda day: np.log1p(-0.03 * np.clip(day - 13 * 7, 0, None) / 7)])
def test_magnets_that_let_go_sooner_together_are_each_said_to_hold_weakly(course, who):
    rows = actuations(MAGNETS, weeks=20, seed=45, faults={item.id: course for item in who})
    history = history_at(MAGNETS, rows, 18)
    assert {item.subject for item in weakening_hold(history) if item.score >= 0.9} == {
        item.id for item in who}
    assert shared_slowing(history) == []
    assert slow_drop(history) == []


@pytest.mark.parametrize("hot", [heat(12.0, 15 * 7, 20), lambda day: 0.0 * day])
def test_a_season_and_a_heat_wave_weaken_no_magnet(hot):
    """Warm coils let go 0.25 % a kelvin sooner."""
    rows = actuations(MAGNETS, weeks=20, seed=46, season_kelvin=8.0, faults={
        item.id: lambda day: -0.0025 * hot(day) for item in MAGNETS})
    for week in (16, 18):
        history = history_at(MAGNETS, rows, week)
        assert drifts(history).shared == ()
        assert weakening_hold(history) == []


def test_latches_that_release_sooner_together_are_no_fault():
    """A stiffer supply does so."""
    rows = actuations(LOCKS, weeks=20, seed=47, faults={item.id: sooner(0.15) for item in LOCKS})
    history = history_at(LOCKS, rows, 18)
    assert drifts(history).shared == ()
    assert [*shared_slowing(history), *sticking_catch(history)] == []
