"""Several bounds of one sample, sorted once, are those of the sample sorted for each."""

import numpy as np

from remanence.analytics.timing.tail import LEAST, UpperTail, upper_quantile


def test_bounds_asked_one_after_another_are_those_asked_alone():
    rng = np.random.default_rng(8)
    values, days = np.round(rng.lognormal(4, 0.3, 300)), rng.integers(0, 60, 300)
    happened = rng.random(300) < 0.97
    tail = UpperTail(values, happened, days=days, step=1.0)
    for probability in (0.999, 0.5, 0.9, 0.999, 0.9999):
        assert tail.bound(probability, 0.95, 0.02) == upper_quantile(
            values, happened, probability, 0.95, days=days, step=1.0, shift_deviation=0.02)


def test_too_few_have_no_bound():
    happened = np.arange(30) < LEAST - 1
    assert UpperTail(np.arange(1.0, 31.0), happened).bound(0.5, 0.95) is None
