"""A rate that matters: held against a sound lock's, and against the lock's own past."""

import numpy as np

from remanence.analytics.statistics.rates import rate_that_matters

PRIORS = {"healthy": (0.4, 250.0), "faulty": (1.0, 5.0), "prior": 1 / 100}


def judged(past, events, now=80):
    """``past`` events in 1,000 commands over half a year, then some in the last two weeks."""
    day = np.concatenate([np.linspace(-180, -9, 1000), np.linspace(-7, 6, now)])
    event = np.zeros(day.size, dtype=bool)
    event[np.linspace(0, 980, past).astype(int)] = past > 0
    event[1000 + np.linspace(2, now - 2, events).astype(int)] = True
    return rate_that_matters(day, event, **PRIORS)


def test_the_same_failures_say_more_of_a_lock_that_never_failed():
    clean, spotted = judged(0, 5), judged(12, 5)
    assert clean.log_odds > spotted.log_odds + 1.0
    assert clean.log_odds > 2.0
    assert clean.since_low <= -5


def test_a_lock_that_never_was_sound_is_not_excused_by_its_past():
    day = np.linspace(-180, 6, 1000)
    event = np.arange(1000) % 12 == 0
    assert rate_that_matters(day, event, **PRIORS).log_odds > 2.0


def test_a_failure_now_and_then_is_none():
    assert judged(6, 2).log_odds < 0


def test_a_week_without_a_command_is_no_window_for_a_rate():
    """A rare event in a long past, and silence since: the empty windows fit best."""
    day = np.concatenate([np.linspace(-180, -16, 900), np.linspace(-15, -12, 200)])
    event = np.zeros(day.size, dtype=bool)
    event[-1] = True
    found = rate_that_matters(day, event, **PRIORS)
    assert found.log_odds < 0
    assert found.now.n > 0
