"""The course that siblings share: a season is found, a leap is left in each of them."""

from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from remanence.analytics.drift.daily_series import lock_days
from remanence.analytics.drift.judge import drifts
from remanence.analytics.drift.panel import panel_of
from remanence.analytics.drift.season import (
    COPPER_PER_KELVIN,
    Observation,
    common_course,
    thermometers,
    told_season,
)
from remanence.analytics.history import with_weeks
from remanence.shared.weeks import Week
from tests.analytics.physics.latency_rows import FIRST_MONDAY, actuations, history_at, lock

LOCKS = [lock(f"latch-{n}") for n in range(10)]
LAST = 20


def days_of(rows):
    history = history_at(LOCKS, rows, LAST)
    dated = with_weeks(rows, "command_time", history)
    epoch = Week.of(FIRST_MONDAY).plus(LAST).monday.toordinal()
    return [lock_days(item, dated.filter(pl.col("lock") == item.id), epoch) for item in LOCKS]


def season(weeks):
    return 0.09 * np.sin(2 * np.pi * weeks / 40.0)


def rows_with(add, seed=3, **more):
    return actuations(LOCKS, weeks=LAST + 1, seed=seed, season_kelvin=0.0,
                      faults={item.id: add for item in LOCKS}, **more)


def test_a_season_is_found_although_half_the_locks_have_a_rail_that_fails():
    rows = rows_with(lambda day: season(day / 7))
    failing = [item.id for item in LOCKS[:6]]
    late = pl.col("command_time").dt.date() > pl.lit(FIRST_MONDAY) + pl.duration(days=70)
    low = late & pl.col("lock").is_in(failing)
    # A rail that falls by 12 %, and locks that answer it as far from each other as locks do.
    answer = pl.col("lock").replace_strict(
        {name: 1.12 ** (2.0 + n) for n, name in enumerate(failing)}, default=1.0)
    rows = rows.with_columns(
        latency_ms=pl.when(low).then(pl.col("latency_ms") * answer).otherwise("latency_ms"),
        volts_before=pl.when(low).then(pl.col("volts_before") * 0.88).otherwise("volts_before"))
    common = common_course("pulsed", panel_of(days_of(rows)))
    truth = season(common.panel.day / 7 + LAST)
    off = common.effect - truth
    assert np.abs(off - np.median(off)).max() < 0.065  # half a season unseen would be 0.09
    assert np.sqrt(np.diag(common.covariance)).max() < 0.05


def test_a_leap_of_most_locks_is_no_season():
    leap = rows_with(lambda day: 0.5 * (day >= 100))
    found = drifts(history_at(LOCKS, leap, LAST))
    (shared,) = found.shared
    assert (shared.kind, len(shared.locks)) == ("venue", len(LOCKS))
    assert shared.change.shift == pytest.approx(0.5, abs=0.06)
    assert np.ptp(found.common["pulsed"].effect) < 0.1


def gains(sizes, seed=3):
    """Locks that answer the season so many times as strongly as the others."""
    rows = actuations(LOCKS, weeks=LAST + 1, seed=seed, season_kelvin=0.0, faults={
        item.id: lambda day, size=size: size * season(day / 7)
        for item, size in zip(LOCKS, sizes, strict=True)})
    return common_course("pulsed", panel_of(days_of(rows))).gain_deviation


def test_locks_that_answer_a_season_alike_leave_little_open_and_others_more():
    alike, apart = gains([1.0] * 10), gains(np.linspace(0.0, 2.0, 10))
    assert alike < 0.55
    assert apart > 0.6
    one_of_a_kind = gains([1.0] * 9 + [4.0])  # a faulty minority does not speak for all
    assert one_of_a_kind < 0.55


def test_too_few_locks_show_nothing_and_leave_a_season_open():
    rows = rows_with(lambda day: season(day / 7))
    common = common_course("pulsed", panel_of(days_of(rows)[:3]))
    effect, unsure = common.over(np.arange(-70.0, 7.0))
    assert not effect.any()
    assert np.sqrt(unsure[0, 0]) == pytest.approx(0.04)


def test_one_days_odd_poll_does_not_shift_its_latencies():
    rows = rows_with(lambda day: 0.0 * day)
    odd = rows["command_time"].dt.date() == FIRST_MONDAY + timedelta(days=60)
    wrong = rows.with_columns(
        resolution_ms=pl.when(odd).then(20.0).otherwise(pl.col("resolution_ms")))
    for plain, told in zip(days_of(rows), days_of(wrong), strict=True):
        np.testing.assert_allclose(told.level, plain.level, atol=1e-9)


def thermometers_of(group, kelvin, joint=0.0):
    """A rail whose coils are as warm as the room, and whose joint goes bad on day 100."""
    panel = panel_of(days_of(rows_with(lambda day: 0.0 * day)))
    day = np.unique(panel.number)
    load = -COPPER_PER_KELVIN * kelvin(day) + np.where(day > -30, joint, 0.0)
    load = load + np.random.default_rng(5).normal(0, 0.002, day.size)
    return panel, thermometers(group, panel, [(day, load)])


@pytest.mark.parametrize(("group", "sign"), [("pulsed", 1), ("held", -1)])
def test_warm_coils_say_that_latches_are_later_and_magnets_sooner(group, sign):
    panel, told = thermometers_of(group, lambda day: 8.0 * np.sin(2 * np.pi * day / 365))
    effect, _ = told_season(group, panel.day, told)
    assert np.corrcoef(effect, sign * np.sin(2 * np.pi * panel.day / 365))[0, 1] > 0.95


def test_a_rail_that_changed_by_itself_is_no_thermometer():
    def season_of_eight(day):
        return 8.0 * np.sin(2 * np.pi * day / 365)

    assert len(thermometers_of("pulsed", season_of_eight)[1]) == 1
    assert thermometers_of("pulsed", season_of_eight, joint=0.5)[1] == []


def test_a_season_is_told_against_its_mean_over_time_and_not_over_the_periods():
    """Twenty weeks fall cooler, of which the last eight stand day by day: a mean of days."""
    day = np.concatenate([np.arange(-137.0, -50.0, 7.0), np.arange(-49.0, 7.0)])
    course = -0.001 * day
    effect, covariance = told_season(
        "pulsed", day, [Observation(course, np.eye(day.size) * 1e-6)])
    length = np.minimum(np.gradient(day), 7.0)
    assert length @ effect == pytest.approx(0.0, abs=1e-9)
    assert effect[-28] == pytest.approx(course[-28] - 0.066, abs=0.006)
    # Of the mean itself nothing is uncertain.
    assert length @ covariance @ length == pytest.approx(0.0, abs=1e-9)
