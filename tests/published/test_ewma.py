"""EWMA chart against the NIST handbook's worked example and published run lengths."""

import numpy as np
import pytest

from remanence.analytics.statistics.control_charts import ewma_chart

# NIST/SEMATECH e-Handbook of Statistical Methods (doi:10.18434/M32189), sec. 6.3.2.4: target 50,
# s 2.0539, weight 0.3, width 3, and the printed averages.
NIST_X = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
          49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
NIST_EWMA = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
             50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]


def test_ewma_reproduces_the_nist_example():
    chart = ewma_chart(NIST_X, target=50.0, sigma=2.0539, weight=0.3, width=3.0)
    # Printed to two decimals.
    np.testing.assert_allclose(chart.ewma, NIST_EWMA, rtol=0, atol=0.0051)
    # NIST rounds the factor to 0.4201, and cuts the lower limit (47.41157 unrounded).
    assert (chart.lower, chart.upper) == (
        pytest.approx(47.4115, abs=2e-4), pytest.approx(52.5884, abs=2e-4))
    assert not chart.alarm.any()


def test_false_alarms_are_as_rare_as_the_published_design_says():
    # Lucas and Saccucci, Technometrics 32 (1990), 1-12: weight 0.2, width 2.962: one in 500.
    rng = np.random.default_rng(20260301)
    runs = []
    for _ in range(150):
        alarm = ewma_chart(rng.standard_normal(5000), target=0, sigma=1).alarm
        runs.append(alarm.argmax() + 1 if alarm.any() else alarm.size)
    # Standard error 500 / sqrt(150) = 41; three of them.
    assert np.mean(runs) == pytest.approx(500, abs=123)


def test_a_shift_of_one_deviation_is_seen_as_soon_as_published():
    # The same: mean run length 10.5 at a shift of one standard deviation.
    rng = np.random.default_rng(20260302)
    runs = [
        int(ewma_chart(rng.standard_normal(300) + 1.0, target=0, sigma=1).alarm.argmax()) + 1
        for _ in range(800)
    ]
    assert np.mean(runs) == pytest.approx(10.5, abs=0.9)
