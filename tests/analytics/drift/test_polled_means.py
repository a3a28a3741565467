"""How far a mean of polled values is off: held against the exact sum over polls."""

import numpy as np
import pytest
from scipy import stats

from remanence.analytics.drift.polls import (
    LEAST_DAILY_SCATTER,
    least_change_ms,
    rounding_error,
)


def exact(scatter):
    """The most that the mean of rounded-up normal values is off, over all places of its centre."""
    centres = np.linspace(0.0, 1.0, 401)
    polls = np.arange(-40, 41)
    upto = stats.norm.cdf(polls[None, :], centres[:, None], scatter)
    mean = (np.diff(upto, axis=1) * polls[1:]).sum(axis=1)
    return np.abs(mean - 0.5 - centres).max()


@pytest.mark.parametrize("scatter", [0.03, 0.05, 0.1, 0.2, 0.35, 0.6])
def test_the_worst_error_is_that_of_the_exact_sum(scatter):
    assert rounding_error(scatter) == pytest.approx(exact(scatter), abs=0.01)


def test_without_scatter_a_mean_may_be_half_a_poll_off_and_with_much_it_is_right():
    assert rounding_error(0.0) == 0.5
    assert rounding_error(1.0) < 1e-6


def test_a_coarse_poll_asks_for_a_whole_one_and_a_fine_one_for_little():
    assert least_change_ms(25.0, 100.0, 1.0) == pytest.approx(100.0, abs=5.0)
    assert least_change_ms(25.0, 1.0, 1.0) == pytest.approx(1.0)
    between = least_change_ms(30.0, 10.0, 1.2)
    assert between == pytest.approx(1.2 + 20 * exact(LEAST_DAILY_SCATTER * 3), abs=0.3)
