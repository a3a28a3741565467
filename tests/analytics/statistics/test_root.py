"""Roots by Newton's steps within a bracket are those of Brent's method."""

import numpy as np
import pytest
from scipy import optimize

from remanence.analytics.statistics.root import rising_root


@pytest.mark.parametrize("start", [None, -50.0, 0.3, 50.0])
@pytest.mark.parametrize("function", [
    lambda x: (np.tanh(8 * (x - 1.3)), 8 / np.cosh(8 * (x - 1.3)) ** 2),  # Flat at both ends.
    lambda x: (x**3 - 2 * x - 5, 3 * x**2 - 2),
    lambda x: (np.exp(x) - 7, np.exp(x)),
    lambda x: (max(x, 2.0) - 2.5, float(x > 2)),  # Without a slope over half of the bracket.
])
def test_the_root_is_brents(function, start):
    expected = optimize.brentq(lambda x: function(x)[0], 0.0, 5.0, xtol=1e-12)
    assert rising_root(function, 0.0, 5.0, start) == pytest.approx(expected, abs=2e-9)


def test_a_root_at_an_end_is_found():
    assert rising_root(lambda x: (x, 1.0), 0.0, 5.0) == pytest.approx(0.0, abs=1e-8)
