"""Forecasts of wear against things whose end is printed."""

from __future__ import annotations

import numpy as np
import pytest

from tests.published.degradation import (
    DEVICES_150,
    DEVICES_195,
    SLIDING_CYCLES,
    cracks,
    devices,
    lasers,
    places,
    sliding,
)


def held(place, coverage):
    return np.mean(np.abs(place - 0.5) <= coverage / 2)


@pytest.mark.parametrize(("readings", "error", "seen", "times", "least"), [
    # Half-grown cracks hardly bend yet; they grow faster than is believed: known to fall short.
    (cracks(), 0.005, 0.67, None, 0.45),
    (lasers(), 0.01, 0.5, None, 0.85),
    (lasers(), 0.01, 0.67, None, 0.85),
    (sliding(), 0.02, 0.67, SLIDING_CYCLES / 5, 0.65),
    (devices(DEVICES_150), 0.005, 0.67, None, 0.5),
    (devices(DEVICES_195), 0.02, 0.5, None, 0.75),
])
def test_ranges_hold_the_ends_of_printed_things(readings, error, seen, times, least):
    # All of one table are of one make, so that they err together.
    assert held(places(readings, seen, error, np.random.default_rng(5), times), 0.9) >= least
