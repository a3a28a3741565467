from datetime import date

import numpy as np
import pytest

from remanence.analytics.drift.change_model import daily_covariance, fit_change
from remanence.analytics.statistics.change import Change, Side
from remanence.analytics.statistics.level_change import change_of_level, level_change
from remanence.analytics.statistics.rates import change_of_rate, rate_that_matters
from remanence.analytics.timing.recent import present_since

DAY = date(2026, 3, 2).toordinal()


def days(count, per_day=6):
    return DAY + np.arange(count) // per_day


def test_too_short_or_constant_has_no_onset():
    assert change_of_rate(days(1), np.array([True])) is None
    assert change_of_rate(days(50), np.zeros(50, bool)) is None
    assert change_of_level(np.arange(4), np.array([1.0, 2, 3, 4])) is None
    assert change_of_level(np.arange(40), np.ones(40)) is None


def test_flags_that_become_rarer_are_no_onset():
    flags = np.arange(60) < 30
    assert change_of_rate(days(60), flags) is None


def test_a_clean_step_is_dated_to_the_row():
    flags = np.arange(120) >= 77
    onset = change_of_rate(days(120), flags)
    assert onset.index == 77
    assert onset.dates()[0] == date.fromordinal(DAY + 77 // 6)
    assert onset.since_low <= onset.since <= onset.since_high
    assert onset.since_high - onset.since_low <= 1
    assert onset.log_odds > 50


@pytest.mark.parametrize(("before", "after"), [(0.01, 0.2), (0.0, 0.1), (0.05, 0.6)])
def test_the_interval_of_a_rate_s_onset_holds_the_truth_as_often_as_it_says(before, after):
    rng = np.random.default_rng(11)
    hits, trials = 0, 400
    for _ in range(trials):
        change = int(rng.integers(100, 260))
        rate = np.where(np.arange(360) >= change, after, before)
        onset = change_of_rate(days(360), rng.random(360) < rate)
        hits += onset is not None and onset.since_low <= DAY + change // 6 <= \
            onset.since_high
    # The exact binomial bounds around 95 % for 400 trials; days are whole, so it may be more.
    assert hits / trials >= 0.92


def test_without_a_change_the_odds_are_against_one():
    rng = np.random.default_rng(12)
    odds = [onset.log_odds if (onset := change_of_rate(days(300), rng.random(300) < 0.03))
            else -9.0 for _ in range(300)]
    assert np.mean(np.array(odds) > 5) <= 0.01
    assert np.median(odds) < 0


def test_the_interval_of_a_step_holds_the_truth_as_often_as_it_says():
    rng = np.random.default_rng(13)
    hits, trials = 0, 400
    for _ in range(trials):
        change = int(rng.integers(20, 80))
        values = rng.normal(0, 1, 100) + 1.5 * (np.arange(100) >= change)
        onset = change_of_level(DAY + np.arange(100), values)
        hits += onset.since_low <= DAY + change <= onset.since_high
    assert hits / trials >= 0.92


def test_one_wild_day_is_no_step():
    rng = np.random.default_rng(14)
    values = rng.normal(0, 0.02, 80)
    values[40] = 5.0
    assert change_of_level(DAY + np.arange(80), values).log_odds < 2


def test_a_large_step_outweighs_a_season():
    rng = np.random.default_rng(15)
    day = np.arange(100)
    values = 0.03 * np.sin(day / 25) + rng.normal(0, 0.01, 100) + 1.2 * (day >= 96)
    assert change_of_level(DAY + day, values).index == 96


def test_level_change_needs_a_past_and_a_week():
    values = np.ones(10)
    assert level_change(DAY + np.arange(10), values, DAY + 10) is None
    assert level_change(DAY + np.arange(10), values, DAY + 5) is None


def test_level_change_measures_the_step():
    rng = np.random.default_rng(16)
    values = rng.normal(0, 0.02, 60) + 0.25 * (np.arange(60) >= 50)
    change = level_change(DAY + np.arange(60), values, DAY + 53)
    assert change.dates()[0] == date.fromordinal(DAY + 50)
    assert change.shift_low < 0.25 < change.shift_high
    assert change.z > 8
    assert change.score(0.1) > 0.95


def test_level_change_is_calm_where_days_remember():
    rng = np.random.default_rng(17)
    alarms = 0
    for _ in range(300):
        level = np.zeros(90)
        for day in range(1, 90):
            level[day] = 0.5 * level[day - 1] + rng.normal(0, 0.02)
        change = level_change(DAY + np.arange(90), level, DAY + 83)
        alarms += abs(change.z) > 5
    assert alarms <= 3


def test_a_fresh_step_on_a_slow_wave_is_dated_to_its_day():
    rng = np.random.default_rng(18)
    day = np.arange(49)
    values = 0.03 * day / 49 + rng.normal(0, 0.006, 49) + 0.8 * (day >= 45)
    change = level_change(DAY + day, values, DAY + 42)
    assert change.since == DAY + 45
    assert change.since_low <= change.since <= change.since_high


def test_steps_of_a_coarse_meter_in_a_young_log_are_no_clear_step():
    """Most days are one step, so that their median deviation is 0 and any other day was certain."""
    step = np.array([0, 0, 0, -1, 0, 0, 1, 0, 0, -1, 0, 0, 1, 0, 0, 0, -1, -1])
    change = level_change(DAY + np.arange(18), 0.13 * step, DAY + 14, floor=0.015)
    assert change.log_odds < 2
    clear = level_change(DAY + np.arange(18), 0.13 * step - 5.0 * (np.arange(18) >= 16), DAY + 14)
    assert clear.log_odds > 7


def test_a_ramp_is_not_taken_for_a_step():
    rng = np.random.default_rng(19)
    day = np.arange(80)
    values = rng.normal(0, 0.05, 80) + 0.03 * np.maximum(day - 50, 0)
    change = level_change(DAY + day, values, DAY + 73)
    assert 50 <= change.since - DAY <= 70


def test_every_detector_answers_in_the_same_words():
    rng = np.random.default_rng(21)
    day = np.arange(120)
    level = rng.normal(0, 0.02, 120) + 0.3 * (day >= 90)
    flags = rng.random(120) < np.where(day >= 90, 0.6, 0.01)
    found = [
        change_of_level(DAY + day, level),
        level_change(DAY + day, level, DAY + 113),
        fit_change(DAY + day.astype(float), level,
                   daily_covariance(day.astype(float), np.full(120, 0.02**2), 0.0, 1.0),
                   hazard_per_day=1e-3),
        change_of_rate(DAY + day, flags),
        rate_that_matters(DAY + day.astype(float), flags, healthy=(0.5, 60.0), faulty=(1.0, 5.0),
                          prior=0.01, last_day=DAY + 119.0),
        present_since(
            np.repeat(day, 4), np.zeros(480, dtype=bool), np.exp(np.repeat(level, 4)),
            np.ones(480), least_shift=0.07),
    ]
    assert all(isinstance(change, Change) for change in found)
    for change in found:
        assert abs(change.since % DAY - 90) <= 3
        assert change.log_odds > 5
        assert change.now.level > change.before.level + 0.2
    # Events are dated by one method, whoever asks.
    assert found[3].since == found[4].since


def test_a_change_is_told_as_dates_whatever_the_series_counts_from():
    monday = date(2026, 3, 2)
    change = Change("level", 3.0, -3.0, -4.5, 1.2, Side(1.0), Side(2.0))
    assert change.dates(monday.toordinal()) == (
        date(2026, 2, 27), date(2026, 2, 25), date(2026, 3, 4))
    assert Change("rate", 3.0, 5.0, None, None, Side(0.0), Side(0.1)).dates()[1:] == (None, None)
    assert Side(2 / 7, n=7).count == (2, 7)


@pytest.mark.parametrize("memory", [0.0, 0.5, 0.8])
def test_days_that_remember_feign_no_onset_and_a_real_one_is_found(memory):
    rng = np.random.default_rng(51)
    false = found = 0
    for _ in range(100):
        days = np.zeros(60)
        for day, new in enumerate(rng.normal(size=60)):
            days[day] = memory * days[day - 1] + np.sqrt(1 - memory**2) * new if day else new
        quiet = change_of_level(np.arange(60), days)
        stepped = change_of_level(np.arange(60), days + 4.0 * (np.arange(60) >= 40))
        false += quiet.log_odds > 2.0
        found += stepped.log_odds > 2.0 and abs(stepped.since - 40) <= 2
    assert false <= 5  # 20 and 66 of them while all days were held for independent
    assert found >= 85


def test_a_change_that_one_day_shows_may_have_begun_on_that_day():
    """Its beginning is not tried there, as one day proves nothing; it is not ruled out either."""
    rng = np.random.default_rng(3)
    day = np.arange(60.0)
    level = rng.normal(0, 0.02, day.size) + 0.5 * (day >= 59)
    covariance = daily_covariance(day, np.full(day.size, 0.02**2), 0.01, 3.0)
    fit = fit_change(day, level, covariance, hazard_per_day=1e-3)
    assert fit.log_odds > 3
    assert fit.since_low <= 59 <= fit.since_high
