"""Medians of polled times, held against the truth and against Turnbull's estimate."""

import numpy as np
import pytest

from remanence.analytics.statistics.polled import polled_median, polls_in_step

POLL = 10.0


def polled(rng, size, slow=0.0, never=0.0, tied=False, middle=30.0):
    """True times, their stamps by a poll, and how many never came."""
    true = middle * np.exp(rng.normal(0, 0.08, size))
    true = np.where(rng.random(size) < slow, true * rng.uniform(1.4, 3.0, size), true)
    came = rng.random(size) >= never
    phase = np.zeros(size) if tied else rng.uniform(0, POLL, size)
    stamp = np.ceil((true - phase) / POLL) * POLL + phase
    return stamp[came], int((~came).sum())


def turnbull(stamp, unanswered, rounds=300):
    """Non-parametric maximum likelihood by self-consistency; the median, linear in its cell."""
    ends = np.append(np.unique(np.concatenate([stamp - POLL, stamp])), np.inf)
    left = np.append(stamp - POLL, np.full(unanswered, ends[-2]))
    right = np.append(stamp, np.full(unanswered, np.inf))
    inside = (ends[:-1] >= left[:, None] - 1e-9) & (ends[1:] <= right[:, None] + 1e-9)
    share = np.full(inside.shape[1], 1.0 / inside.shape[1])
    for _ in range(rounds):
        weight = inside * share
        share = (weight / weight.sum(axis=1, keepdims=True)).mean(axis=0)
    gone = np.append(0.0, np.cumsum(share))
    return float(np.interp(0.5, gone[:-1], ends[:-1]))


@pytest.mark.parametrize(("slow", "never"), [(0.0, 0.0), (0.1, 0.0), (0.1, 0.04)])
def test_the_interval_holds_the_truth_and_no_estimate_is_half_a_poll_late(slow, never):
    rng = np.random.default_rng(5)
    population, gone = polled(rng, 40_000, slow, never)
    # Of the middle of all commands, those that never came beyond all others.
    middle = np.sort(np.concatenate([population - POLL / 2, np.full(gone, np.inf)]))
    truth = float(middle[middle.size // 2])
    off, beside, holds = [], [], 0
    for _ in range(200):
        stamp, unanswered = polled(rng, 30, slow, never)
        found, low, high = polled_median(
            stamp, np.full(stamp.size, POLL), unanswered, in_step=False)
        off.append(found - truth)
        beside.append(turnbull(stamp, unanswered) - truth)
        holds += low <= truth <= high
    assert abs(np.mean(off)) < 0.5
    assert np.sqrt(np.mean(np.square(off))) < 1.1 * np.sqrt(np.mean(np.square(beside)))
    assert 0.91 <= holds / 200 <= 0.99


@pytest.mark.parametrize("poll", [1.0, 2.0, 5.0])
def test_releases_that_scatter_less_than_a_step_have_a_median_between_two_steps(poll):
    # Commands on whole milliseconds, answers at the next look: 2 % of 15 to 80 ms.
    rng = np.random.default_rng(9)
    holds, off = 0, []
    for _ in range(300):
        middle, at = rng.uniform(15.0, 80.0), rng.integers(0, 10_000, 30)
        true = middle * np.exp(rng.normal(0, 0.02, 30))
        stamp = np.ceil((at + true) / poll) * poll - at
        found, low, high = polled_median(stamp, np.full(30, poll), in_step=False)
        holds += low <= middle <= high
        off.append(found - middle)
    assert holds / 300 > 0.93
    assert np.sqrt(np.mean(np.square(off))) < 0.12 * poll + 0.2


def test_a_poll_in_step_with_the_command_leaves_a_step_and_no_less():
    rng = np.random.default_rng(6)
    for _ in range(100):
        middle = rng.uniform(28.0, 38.0)
        stamp, _ = polled(rng, 30, tied=True, middle=middle)
        assert polls_in_step(stamp, POLL)
        _, low, high = polled_median(stamp, np.full(30, POLL), in_step=True)
        assert low <= middle <= high
        assert high - low >= POLL


def test_a_poll_in_step_that_is_a_little_early_or_late_is_one_in_step():
    # A rail that is read some ten milliseconds after the command and on, to a millisecond or so.
    rng = np.random.default_rng(8)
    stamp = 10.0 * rng.integers(3, 6, 60) + rng.integers(0, 2, 60)
    assert polls_in_step(stamp, 10.0 + rng.integers(-1, 2, 60))


def test_a_poll_at_random_is_not_taken_for_one_in_step():
    stamp, _ = polled(np.random.default_rng(7), 30)
    assert not polls_in_step(stamp, POLL)


def test_where_most_never_came_there_is_no_median():
    median, low, high = polled_median(np.array([20.0, 30.0]), np.full(2, POLL), 9, in_step=False)
    assert (median, high) == (np.inf, np.inf)
    assert low > 0.0


def test_nothing_is_nothing():
    assert np.isnan(polled_median(np.zeros(0), np.zeros(0), in_step=False)[0])
