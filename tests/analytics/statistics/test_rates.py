"""A rate that matters: held against a sound lock's, and against the lock's own past."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import betaln, gammaln

from remanence.analytics.statistics.rates import OF_A_DAY, OF_A_DAY_CHANCE, rate_that_matters

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


def likelihood(counts, shape, together):
    """Of days (events, commands) with one rate of Beta(shape), by plain integration."""
    def of_rate(rate):
        out = (shape[0] - 1) * np.log(rate) + (shape[1] - 1) * np.log1p(-rate) - betaln(*shape)
        for events, commands in counts:
            if together:
                a, b = rate * (1 / OF_A_DAY - 1), (1 - rate) * (1 / OF_A_DAY - 1)
                out += (gammaln(a + events) + gammaln(b + commands - events) - gammaln(
                    a + b + commands) + gammaln(a + b) - gammaln(a) - gammaln(b))
            else:
                out += events * np.log(rate) + (commands - events) * np.log1p(-rate)
        return np.exp(out)

    return sum(quad(of_rate, *ends)[0] for ends in ((0, 1e-4), (1e-4, 0.02), (0.02, 1)))


def test_every_day_of_a_change_is_weighed_as_plain_enumeration_does():
    healthy, faulty = (1.0, 20.0), (2.0, 8.0)
    counts = [(0, 6), (1, 5), (0, 7), (3, 6), (2, 5)]
    at = [-30.0, -12.0, -3.0, 1.0, 5.0]
    age = np.array([19.0, 10.0, 7.0, 7.0])  # of the four cuts, a week at least
    weight = 0.5 * (1 / age) / (1 / age).sum()
    sound = changed = 0.0
    for together, chance in ((False, 1 - OF_A_DAY_CHANCE), (True, OF_A_DAY_CHANCE)):
        sound += chance * likelihood(counts, healthy, together)
        changed += 0.5 * chance * likelihood(counts, faulty, together)
        changed += chance * sum(
            weight[cut - 1] * likelihood(counts[:cut], healthy, together)
            * likelihood(counts[cut:], faulty, together) for cut in range(1, 5))
    day = np.repeat(at, [commands for _, commands in counts])
    event = np.concatenate([np.arange(n) < k for k, n in counts])
    found = rate_that_matters(day, event, healthy=healthy, faulty=faulty, prior=0.5)
    assert found.log_odds == pytest.approx(np.log(changed / sound), abs=0.02)


PEOPLE = {"healthy": (1.0, 100.0), "faulty": (2.0, 8.0), "prior": 1 / 100}


def left_open(days):
    """Forty commands a week: three left open in eighteen weeks, then so many of each day in two."""
    counts = [*(int(number % 36 == 0) for number in range(108)), *days]
    at = [day for day in range(-133, 7) if day % 7 != 6]
    day = np.repeat(np.array(at, dtype=float), 7)
    event = np.concatenate([np.arange(7) < count for count in counts])
    return rate_that_matters(day, event, **PEOPLE)


SEVEN = [1, 0, 1, 0, 1, 0, 1, 1, 1, 0, 1, 0]
"""Of 84 commands on twelve days."""


def test_a_past_counts_with_all_its_commands():
    """It counted as 300 of its 756 at most, and this was 0.64."""
    found = left_open(SEVEN)
    assert found.log_odds > 1.0
    assert (found.since, found.window_days, found.now.count) == (-7.0, 14, (7, 84))
    assert found.before.count == (3, 756)


def test_what_comes_on_two_days_is_less_than_what_comes_on_seven():
    spread, bunched = left_open(SEVEN), left_open([0, 0, 0, 4, 0, 0, 0, 0, 0, 0, 3, 0])
    assert spread.log_odds > bunched.log_odds + 2.0
