"""CUSUM against the NIST handbook's worked example and published run lengths."""

import numpy as np
import pytest

from remanence.analytics.statistics.control_charts import (
    cusum,
    cusum_run_length,
    individuals_limits,
)

# NIST/SEMATECH e-Handbook of Statistical Methods (doi:10.18434/M32189), sec. 6.3.2.3: group means,
# target 325, k 0.3175, h 4.1959, and the printed upper and lower sums.
NIST_X = [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
          324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350]
NIST_HIGH = [0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00,
             19.04]
NIST_LOW = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0, 0, 0, 0, 0, 0, 0, 0, 0]


def test_cusum_reproduces_the_nist_example():
    chart = cusum(NIST_X, target=325.0, allowance=0.3175, limit=4.1959)
    # Printed to two decimals; exact halves are rounded either way.
    np.testing.assert_allclose(chart.high, NIST_HIGH, rtol=0, atol=0.0051)
    np.testing.assert_allclose(chart.low, NIST_LOW, rtol=0, atol=0.0051)
    assert np.flatnonzero(chart.alarm).tolist() == list(range(13, 20))
    assert not (chart.low > 4.1959).any()


def test_a_single_wild_value_counts_for_no_more_than_the_cap():
    chart = cusum([0.0, 50.0, 0.0], target=0.0, allowance=1.0, limit=5.0, cap=4.0)
    assert chart.high.tolist() == [0.0, 3.0, 2.0]


# NIST/SEMATECH e-Handbook, sec. 6.3.2.3.1, and Montgomery, Introduction to Statistical Quality
# Control: two-sided CUSUM, k 0.5, mean run length by shift in standard deviations.
SHIFTS = [0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 4]
PRINTED = {
    4: [168, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71],
    5: [465, 139, 38.0, 17.0, 10.4, 5.75, 4.01, 3.11, 2.57, 2.01],
}


@pytest.mark.parametrize("limit", [4, 5])
def test_run_lengths_are_the_published_ones(limit):
    found = [cusum_run_length(shift, allowance=0.5, limit=limit) for shift in SHIFTS]
    # Three printed figures; half a per cent covers their last digit.
    np.testing.assert_allclose(found, PRINTED[limit], rtol=0.006)


@pytest.mark.parametrize(("limit", "printed"), [(4, 335.0), (5, 931.0)])
def test_one_sided_in_control_run_lengths(limit, printed):
    # Lucas and Saccucci, Technometrics 32 (1990), 1-12; handbooks print 336 and 930.
    found = cusum_run_length(0.0, allowance=0.5, limit=limit, both_sides=False)
    assert found == pytest.approx(printed, rel=0.005)


def test_a_simulated_chart_alarms_as_rarely_as_the_equation_says():
    rng = np.random.default_rng(20260301)
    runs = []
    for _ in range(300):
        alarm = cusum(rng.standard_normal(3000), target=0, allowance=0.5, limit=4).alarm
        runs.append(alarm.argmax() + 1 if alarm.any() else alarm.size)
    # Near geometric: standard error 168 / sqrt(300) = 9.7; three of them.
    assert np.mean(runs) == pytest.approx(168, abs=29)


def test_individuals_chart_reproduces_the_nist_example():
    # NIST/SEMATECH e-Handbook, sec. 6.3.2.2: centre 50.81, limits 45.8159 and 55.8041.
    centre, lower, upper = individuals_limits(
        [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    assert centre == pytest.approx(50.81, abs=0.005)
    assert (lower, upper) == (pytest.approx(45.8159, abs=1e-4), pytest.approx(55.8041, abs=1e-4))
