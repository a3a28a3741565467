"""Forecasts of wear against real things whose end is known."""

from __future__ import annotations

import numpy as np
import pytest

from tests.published.degradation import cracks, lasers, places


def held(place, coverage):
    return np.mean(np.abs(place - 0.5) <= coverage / 2)


@pytest.mark.parametrize("seen", [0.5, 0.67])
@pytest.mark.parametrize(("readings", "error", "least"), [
    # Cracks grow faster than any power of time that is believed in: known to fall short.
    (cracks(), 0.005, 0.45),
    (lasers(), 0.01, 0.85),
])
def test_ranges_hold_the_ends_of_real_things(readings, error, least, seen):
    # All are of one make and load, so that they err together.
    assert held(places(readings, seen, error, np.random.default_rng(5)), 0.9) >= least
