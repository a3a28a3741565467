"""Two levels of one series: known answers, and intervals that hold what they say."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from remanence.analytics.drift.change_model import daily_covariance
from remanence.analytics.drift.daily_series import lock_days
from remanence.analytics.drift.levels import T_QUANTILE, DailyNoise, seen_change, spans, two_levels
from remanence.shared.tables import ACTUATIONS
from remanence.shared.venue import Lock


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


@pytest.mark.parametrize(("before_ms", "now_ms"), [(32.8, 45.6), (24.0, 57.0), (39.0, 41.0)])
def test_polls_in_step_leave_a_change_as_open_as_the_two_levels(before_ms, now_ms):
    # Read each 20 ms from the command on: in the second poll, then in the third.
    start = datetime(2026, 6, 1, 12, tzinfo=UTC)
    true = np.repeat(np.concatenate([np.full(40, before_ms), np.full(14, now_ms)]), 4)
    true = true * np.exp(np.random.default_rng(3).normal(0, 0.03, true.size))
    lock = Lock(id="q", guards="container", mechanism="latch", released_by="power-on",
                supply="rail", command="c/q", contact="c/i", contact_closed_when="locked",
                contact_senses="catch", coil_ohms=12.0)
    at = [start + timedelta(days=day, hours=hour) for day in range(54) for hour in range(4)]
    rows = ACTUATIONS.conform(pl.DataFrame({
        "lock": ["q"] * 216, "command_time": at, "outcome": ["released"] * 216,
        "latency_ms": np.ceil(true / 20) * 20, "resolution_ms": [20.0] * 216,
    })).with_columns(day=pl.col("command_time").dt.date())
    days = lock_days(lock, rows, start.date().toordinal())
    assert days.phase_tied
    noise = DailyNoise(days.level, 1e-4 * np.eye(54), np.zeros((54, 54)))
    found = two_levels(noise, np.arange(40), np.arange(40, 54))
    _, low, high = seen_change(days, found)
    assert low <= now_ms / before_ms - 1 <= high
    _, before_low, before_high, _, now_low, now_high = spans(days, found)
    assert before_low <= before_ms <= before_high
    assert now_low <= now_ms <= now_high
