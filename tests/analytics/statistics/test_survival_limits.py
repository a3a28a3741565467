"""The limits of a quantile are read off the curve's limits, whatever way they are read."""

import numpy as np
import pytest

from remanence.analytics.statistics.survival import LIMITS, product_limit


@pytest.mark.parametrize("limits", LIMITS)
@pytest.mark.parametrize("count", [1, 7, 60, 900])
def test_limits_of_a_quantile_are_where_the_curves_limits_come_down(limits, count):
    rng = np.random.default_rng(count)
    times = np.round(rng.exponential(50, count), 0) + 1
    ended = rng.random(count) < 0.8
    for confidence in (0.5, 0.95, 0.999):
        curve = product_limit(times, ended, limits=limits, confidence=confidence)
        for probability in (0.05, 0.5, 0.9, 0.99):
            level = 1 - probability + 1e-9
            _, low, high = curve.quantile(probability)
            reached = curve.times[curve.upper <= level]
            assert high == (reached[0] if reached.size else None)
            reached = curve.times[curve.lower <= level]
            expected = reached[0] if reached.size else curve.times[-1]
            assert low == (0.0 if curve.lower_at_start <= level else expected)


def test_another_confidence_asks_for_no_new_curve():
    rng = np.random.default_rng(5)
    times, ended = rng.exponential(50, 200), rng.random(200) < 0.9
    wide = product_limit(times, ended, confidence=0.999)
    assert product_limit(times, ended).quantile(0.5, 0.999) == wide.quantile(0.5)
