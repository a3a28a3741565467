"""CUSUM against the NIST handbook's worked example and published run lengths."""

import numpy as np
import pytest

from remanence.analytics.statistics.control_charts import cusum

# NIST/SEMATECH e-Handbook of Statistical Methods (doi:10.18434/M32189), sec. 6.3.2.3: group means,
# target 325, k 0.3175, h 4.1959, and the printed upper and lower sums.
NIST_X = [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
          324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350]
NIST_HIGH = [0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00,
             19.04]
NIST_LOW = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0, 0, 0, 0, 0, 0, 0, 0, 0]


def test_cusum_reproduces_the_nist_example():
    high, low = cusum(NIST_X, target=325.0, allowance=0.3175)
    # Printed to two decimals; exact halves are rounded either way.
    np.testing.assert_allclose(high, NIST_HIGH, rtol=0, atol=0.0051)
    np.testing.assert_allclose(low, NIST_LOW, rtol=0, atol=0.0051)
    assert np.flatnonzero(high > 4.1959).tolist() == list(range(13, 20))
    assert not (low > 4.1959).any()


def test_a_single_wild_value_counts_for_no_more_than_the_cap():
    high, _ = cusum([0.0, 50.0, 0.0], target=0.0, allowance=1.0, cap=4.0)
    assert high.tolist() == [0.0, 3.0, 2.0]


@pytest.mark.parametrize(("shift", "limit", "printed"), [
    (0.0, 4.0, 168.0), (0.5, 4.0, 26.6), (1.0, 5.0, 10.4), (2.0, 5.0, 4.01)])
def test_run_lengths_are_the_published_ones(shift, limit, printed):
    # NIST/SEMATECH e-Handbook, sec. 6.3.2.3.1, and Montgomery, Introduction to Statistical Quality
    # Control: two-sided CUSUM, k 0.5, mean run length by shift in standard deviations.
    rng = np.random.default_rng(20260301)
    runs = []
    for _ in range(400):
        high, low = cusum(rng.standard_normal(1500) + shift, target=0.0, allowance=0.5)
        runs.append(int(np.argmax(np.maximum(high, low) > limit)) + 1)
    # Run lengths are near geometric at most: four standard errors of the mean of 400.
    assert np.mean(runs) == pytest.approx(printed, rel=4 / np.sqrt(400))
