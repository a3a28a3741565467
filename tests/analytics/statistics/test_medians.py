"""What was made faster gives what NumPy and SciPy give."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from remanence.analytics.statistics.intervals import log_density_of_t, wilson
from remanence.analytics.statistics.medians import grouped_medians, median
from remanence.analytics.statistics.rates import (
    chance_of_at_least,
    chance_of_at_least_between,
)
from remanence.analytics.statistics.robust import theil_sen


@pytest.mark.parametrize("size", [1, 2, 3, 10, 61])
def test_a_median_is_numpys_to_the_bit(size):
    values = np.random.default_rng(size).normal(50, 9, size)
    assert median(values) == np.median(values)


def test_medians_of_groups_are_numpys_and_nan_where_a_value_is():
    rng = np.random.default_rng(1)
    values, group = rng.lognormal(3, 1, 500), rng.integers(-9, 30, 500)
    values[3] = np.nan
    groups, middle = grouped_medians(values, group)
    assert groups.tolist() == sorted(set(group.tolist()))
    for one, found in zip(groups, middle, strict=True):
        assert np.array_equal(found, np.median(values[group == one]), equal_nan=True)
    empty = grouped_medians(np.zeros(0), np.zeros(0, np.int64))
    assert [part.size for part in empty] == [0, 0]


@pytest.mark.parametrize(("count", "total", "rate"), [
    (0, 9, 0.2), (1, 9, 0.2), (9, 9, 0.2), (10, 9, 0.2), (40, 1000, 0.03), (3, 9, 0.0),
    (3, 9, 1.0)])
def test_the_chance_of_so_many_is_the_binomials_tail(count, total, rate):
    assert chance_of_at_least(count, total, rate) == pytest.approx(
        stats.binom.sf(count - 1, total, rate), rel=1e-12, abs=0)


@pytest.mark.parametrize(("count", "total"), [(0, 12), (1, 12), (12, 12), (33, 1999)])
def test_wilsons_interval_is_scipys(count, total):
    theirs = stats.binomtest(count, total).proportion_ci(0.9, method="wilson")
    assert wilson(count, total, 0.9) == pytest.approx((theirs.low, theirs.high), rel=1e-14)


@pytest.mark.parametrize(("count", "total"), [(0, 5), (1, 5), (3, 41), (41, 41), (42, 41)])
def test_the_tail_of_a_rate_that_is_beta_is_scipys(count, total):
    expected = float(stats.betabinom.sf(count - 1, total, 0.7, 60.0))
    assert chance_of_at_least_between(count, total, 0.7, 60.0) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("freedom", [1, 4, 37.5])
def test_the_density_of_t_is_scipys(freedom):
    assert log_density_of_t(2.3, freedom) == pytest.approx(float(stats.t.logpdf(2.3, freedom)))


@pytest.mark.parametrize("step", [1e-6, 0.05, 0.2])
def test_the_median_slope_is_scipys_with_ties_and_without(step):
    rng = np.random.default_rng(5)
    x = np.sort(rng.integers(0, 40, 30)).astype(float)
    y = np.round((12.4 - 0.01 * x + rng.normal(0, 0.05, x.size)) / step) * step
    found = stats.theilslopes(y, x, 0.99)
    assert theil_sen(x, y, 0.99) == (found.slope, found.low_slope, found.high_slope)
