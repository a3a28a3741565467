"""Unanswered commands that are the volts', and such that are the lock's."""

import numpy as np
import pytest

from remanence.analytics.physics.stall import stall_log_odds

SHARE = np.random.default_rng(3).uniform(0.75, 0.98, 120)


@pytest.mark.parametrize("stall", [0.78, 0.86])
def test_failures_at_the_lowest_volts_alone_are_the_rails(stall):
    assert stall_log_odds(SHARE, stall > SHARE) > 5


@pytest.mark.parametrize("seed", [11, 12, 13, 14])
def test_failures_at_any_volts_are_the_locks(seed):
    failed = np.random.default_rng(seed).random(120) < 0.1
    assert stall_log_odds(SHARE, failed) < -3


def test_a_rail_that_hardly_fell_stalls_nothing():
    """Every third command fails at 97 % of rated volts, where no sound latch stalls."""
    share = np.full(60, 0.97)
    assert stall_log_odds(share, np.arange(60) % 3 == 0) < -3
