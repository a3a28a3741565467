"""Two levels of one series: known answers, and intervals that hold what they say."""

import numpy as np
import pytest

from remanence.analytics.drift.change_model import daily_covariance
from remanence.analytics.drift.levels import T_QUANTILE, DailyNoise, two_levels


def noise_of(level, scatter, wander=0.0, memory=3.0, more=0.0):
    day = np.arange(level.size, dtype=float)
    own = daily_covariance(day, np.zeros(level.size), wander, memory)
    return DailyNoise(level, own + scatter**2 * np.eye(level.size) + more, own)


def test_without_memory_the_levels_are_plain_means():
    level = np.array([0.1, 0.3, 0.2, 9.0, 1.0, 1.2])
    found = two_levels(noise_of(level, 0.5), np.arange(3), np.array([4, 5]))
    assert found.before == pytest.approx(0.2)
    assert found.now == pytest.approx(1.1)
    assert found.change_deviation == pytest.approx(0.5 * np.sqrt(1 / 3 + 1 / 2))
    assert found.now_deviation == pytest.approx(0.5 / np.sqrt(2))


def test_no_day_on_one_side_gives_nothing():
    level = np.zeros(4)
    assert two_levels(noise_of(level, 0.5), np.array([], dtype=int), np.arange(2)) is None


def test_a_past_that_shows_the_answer_to_volts_narrows_what_is_theirs():
    # The rail rose and fell in the past by 0.1, and stands 0.1 lower now.
    rng = np.random.default_rng(2)
    volts = np.concatenate([np.tile([0.0, -0.1], 20), np.full(6, -0.1)])
    steady = np.concatenate([np.zeros(40), np.full(6, -0.1)])
    doubts, shifts = [], []
    for course in (volts, steady):
        level = -4.0 * course + rng.normal(0, 0.02, 46)
        noise = noise_of(level, 0.02, more=2.5**2 * np.outer(course, course))
        found = two_levels(noise, np.arange(40), np.arange(40, 46))
        doubts.append(found.change_deviation)
        shifts.append(abs(found.change))
    assert doubts[0] < 0.03 < 0.2 < doubts[1]
    assert shifts[0] < 0.05


def test_intervals_hold_the_change_and_the_levels_that_there_were():
    rng = np.random.default_rng(4)
    day = np.arange(60.0)
    own = daily_covariance(day, np.zeros(60), 0.03, 5.0)
    factor = np.linalg.cholesky(own + 1e-12 * np.eye(60))
    held = {"change": 0, "now": 0}
    for _ in range(400):
        wandered = factor @ rng.normal(size=60)
        level = 0.15 * (day >= 50) + wandered + rng.normal(0, 0.04, 60)
        found = two_levels(
            DailyNoise(level, own + 0.04**2 * np.eye(60), own), np.arange(50), np.arange(50, 60))
        half = T_QUANTILE * found.change_deviation
        held["change"] += abs(found.change - 0.15) < half
        half = T_QUANTILE * found.now_deviation
        held["now"] += abs(found.now - 0.15 - wandered[50:].mean()) < half
    # Student's quantile in place of 1.96: a little over 95 %.
    for name, count in held.items():
        assert 0.94 < count / 400 < 0.99, name
