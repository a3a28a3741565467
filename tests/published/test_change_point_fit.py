"""The change-point fit behind drift findings, against series with a known change."""

import numpy as np
import pytest

from remanence.analytics.drift.change_model import daily_covariance, fit_change


def nile() -> np.ndarray:
    data = pytest.importorskip("statsmodels.datasets").nile.load_pandas().data["volume"]
    return data.to_numpy(dtype=float)


def test_the_nile_stepped_down_after_1898():
    # Cobb, Biometrika 65 (1978), 243. R package strucchange 1.5-4 prints one break after the 28th
    # value (1898), 95 % interval 25 to 32; means 1097.75 and 849.97.
    flow = nile()
    years = np.arange(100.0)
    fit = fit_change(
        years, flow / 1000, daily_covariance(years, np.full(100, 0.13**2), 0.0, 1.0),
        hazard_per_day=1e-3,
    )
    assert fit.since == 28.0
    # Their interval holds the last value before the break: one more for the first after it.
    assert 24 <= fit.since_low <= 28 <= fit.since_high <= 33
    assert fit.step_share > 0.9
    assert fit.log_odds > 10
    assert fit.before.level == pytest.approx(1.09775, abs=0.02)
    assert fit.now.level == pytest.approx(0.84997, abs=0.02)
    assert fit.shift == pytest.approx(0.84997 - 1.09775, abs=0.02)


def test_a_step_is_not_called_a_rise_though_its_trend_is_significant():
    # The Nile's Mann-Kendall p is 3.658e-05: a step alone makes a highly significant trend.
    years = np.arange(100.0)
    covariance = daily_covariance(years, np.full(100, 0.13**2), 0.0, 1.0)
    step = fit_change(years, nile() / 1000, covariance, hazard_per_day=1e-3)
    rng = np.random.default_rng(1)
    slope = -0.004 * np.clip(years - 40, 0, None) + rng.normal(0, 0.02, 100)
    rise = fit_change(
        years, slope, daily_covariance(years, np.full(100, 0.02**2), 0.0, 1.0),
        hazard_per_day=1e-3,
    )
    assert step.step_share > 0.9
    assert rise.step_share < 0.01
    assert rise.since == pytest.approx(40, abs=10)


def test_memory_makes_the_same_excursion_less_telling():
    days = np.arange(60.0)
    series = np.where(days >= 45, 0.06, 0.0) + np.random.default_rng(2).normal(0, 0.02, 60)
    variance = np.full(60, 0.02**2)
    fresh = fit_change(days, series, daily_covariance(days, variance, 0.0, 1.0),
                       hazard_per_day=1e-3)
    remembered = fit_change(days, series, daily_covariance(days, variance, 0.03, 10.0),
                            hazard_per_day=1e-3)
    assert fresh.log_odds > 10 > 3 > remembered.log_odds
