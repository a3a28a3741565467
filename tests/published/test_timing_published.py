"""The designer's statistics against published figures and reference libraries."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from remanence.analytics.timing.borrow import dersimonian_laird
from remanence.analytics.timing.cue import _wilson_low
from remanence.analytics.timing.misses import miss_rate
from remanence.analytics.timing.model import Settings
from remanence.analytics.timing.tail import (
    design_effect,
    quantile_points,
    tail_factor,
    upper_quantile,
)
from remanence.analytics.timing.together import range_quantile, share_within


@pytest.mark.parametrize(("events", "factor"), [(2, 5.6281)])
def test_exponential_mean_upper_limit_is_nists(events, factor):
    # NIST/SEMATECH e-Handbook 8.4.5.1: two-sided 90 % upper factor of the mean for 2 failures,
    # 2r / chi2(0.05, 2r) = 5.6281. With the threshold below all values, the tail bound of any
    # quantile is that mean times the quantile of the unit exponential.
    for probability in (0.9, 0.99, 0.999):
        found = tail_factor(events, events * 0.999, events, probability, 0.95)
        # The threshold's own share is not quite 1 (0.1 % below it): 1 % is the honest limit.
        assert found / -np.log(1 - probability) == pytest.approx(factor, rel=0.012)


@pytest.mark.parametrize(("events", "lower", "upper"), [(5, 0.95, 0.5), (30, 0.95, 0.9)])
def test_exponential_mean_upper_limit_is_the_chi_square_form(events, lower, upper):
    # The same formula for other counts, from scipy's chi-square distribution.
    expected = 2 * events / stats.chi2.ppf(1 - lower, 2 * events)
    found = tail_factor(events, events * 0.9999, events, 0.99, lower) / -np.log(0.01)
    assert found == pytest.approx(expected, rel=0.01)
    assert tail_factor(events, events * 0.9999, events, 0.99, upper) < found * -np.log(0.01)


@pytest.mark.parametrize(("probability", "size"), [(0.95, 59), (0.99, 299), (0.999, 2995)])
def test_smallest_samples_for_a_distribution_free_bound(probability, size):
    # Wilks, Ann. Math. Statist. 12 (1941) 91: one-sided 95 % tolerance limits by the largest
    # value need 59, 299 and 2995 values for 95, 99 and 99.9 %.
    value = np.linspace(10.0, 20.0, size)
    happened = np.ones(size, dtype=bool)
    assert upper_quantile(value, happened, probability, 0.95) == 20.0
    assert upper_quantile(value[1:], happened[1:], probability, 0.95) != 20.0


@pytest.mark.parametrize(("count", "size", "lower"), [
    (81, 263, 0.2553), (15, 148, 0.0624), (0, 20, 0.0), (1, 29, 0.0061)])
def test_lower_wilson_limit_of_a_share(count, size, lower):
    # Newcombe 1998, Table I, method 3 (Wilson), 95 %.
    assert _wilson_low(count / size, size) == pytest.approx(lower, abs=5e-5)


@pytest.mark.parametrize(("missed", "commands"), [(0, 300), (3, 1000), (20, 500)])
def test_a_lone_lock_is_bounded_between_jeffreys_and_clopper_pearson(missed, commands):
    # With no siblings the hierarchical bound has nothing but the lock's own counts. Brown, Cai
    # and DasGupta, Statist. Sci. 16 (2001) 101: Jeffreys' limit lies below Clopper-Pearson's.
    rate = miss_rate(missed, commands, confidence=0.95)
    jeffreys = stats.beta.ppf(0.95, missed + 0.5, commands - missed + 0.5)
    clopper_pearson = stats.beta.ppf(0.95, missed + 1, commands - missed)
    assert 0.9 * jeffreys <= rate.upper <= 1.05 * clopper_pearson


def test_variance_between_is_statsmodels():
    meta = pytest.importorskip("statsmodels.stats.meta_analysis")
    rng = np.random.default_rng(4)
    for spread in (0.0, 0.1, 0.4):
        errors = rng.uniform(0.02, 0.3, 9)
        values = 3.4 + spread * rng.standard_normal(9) + errors * rng.standard_normal(9)
        reference = meta.combine_effects(values, errors**2, method_re="chi2")
        assert dersimonian_laird(values, errors) == pytest.approx(max(reference.tau2, 0.0))


@pytest.mark.parametrize(("locks", "mean", "most"), [
    (2, 1.128, 2.77), (3, 1.693, 3.31), (4, 2.059, 3.63), (6, 2.534, 4.03), (8, 2.847, 4.29)])
def test_spread_of_equal_normal_locks_is_the_tabulated_range(locks, mean, most):
    # Mean range in standard deviations (d2): Tippett, Biometrika 17 (1925) 364, as printed in
    # the tables of control-chart constants; upper 5 % points of the range of normal samples:
    # Pearson and Hartley, Biometrika Tables, Table 22 (studentized range, infinite freedom).
    # Counted on 200 values per lock (extremes at +-2.8 standard deviations) and in whole
    # thousandths: 1.5 % of the value.
    points = np.rint(1000 * stats.norm.ppf((np.arange(200) + 0.5) / 200)).astype(np.int64)
    group = [points] * locks
    assert range_quantile([p.tolist() for p in group], 0.95) / 1000 == pytest.approx(
        most, rel=0.015)
    grid = np.arange(0, 6001, 60)
    survival = 1 - np.array([share_within(group, int(r)) for r in grid])
    assert np.trapezoid(survival, grid) / 1000 == pytest.approx(mean, rel=0.015)


def test_windows_of_synchrony_are_the_recommendations():
    # Rec. ITU-R BT.1359-1 (1998): detectability +45 ms (sound early) to -125 ms (sound late),
    # acceptability +90 to -185 ms.
    s = Settings()
    assert (s.early_ms, s.late_ms, s.accept_early_ms, s.accept_late_ms) == (45, 125, 90, 185)


def test_design_effect_is_kishs_for_equal_clusters():
    # Kish, Survey Sampling (1965), sec. 5.4: 1 + (size - 1) x intraclass correlation. Days
    # wholly of one kind have correlation 1, so the effect is the size of a day.
    rng = np.random.default_rng(7)
    days = np.repeat(np.arange(0, 2800, 7), 6)  # A week apart, so that weeks are days.
    kinds = np.repeat(rng.random(400) < 0.5, 6)
    assert design_effect(kinds, days) == pytest.approx(6, rel=0.02)
    shuffled = rng.permutation(kinds)
    assert design_effect(shuffled, days) == pytest.approx(1, abs=0.25)


def test_points_of_a_censored_sample_follow_lifelines():
    lifelines = pytest.importorskip("lifelines")
    rng = np.random.default_rng(3)
    true = 30 * np.exp(0.2 * rng.standard_normal(400))
    limit = rng.uniform(25, 60, 400)
    seen, happened = np.minimum(true, limit), true <= limit
    fitter = lifelines.KaplanMeierFitter().fit(seen, happened)
    last = float(fitter.survival_function_.iloc[-1, 0])
    points = quantile_points(seen, happened, 200)
    for rank in (20, 60, 100, 140, 180):
        share = (rank + 0.5) / 200 * (1 - last)
        reference = fitter.percentile(1 - share)
        assert points[rank] == pytest.approx(reference, abs=1e-9)


@pytest.mark.parametrize("shape", [4.0, 12.0])
def test_the_bound_has_its_confidence_where_the_tail_is_a_power_law(shape):
    # Renyi's representation makes it exact there; 600 samples: standard error 0.009.
    rng = np.random.default_rng(12)
    true = 20 * 0.001 ** (-1 / shape)
    held = [
        upper_quantile(20 * rng.random(300) ** (-1 / shape), np.ones(300, dtype=bool), 0.999,
                       0.95) >= true
        for _ in range(600)
    ]
    assert np.mean(held) == pytest.approx(0.95, abs=0.027)
