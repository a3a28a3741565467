"""Rare events counted per command: is the present rate one that matters, and since when?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import betaln

from remanence.analytics.statistics.intervals import Reals

WINDOWS_DAYS = (7, 14, 28, 56)
"""The present is judged on the last week, and on longer stretches for locks seldom used."""


PAST_COUNTS = 300.0
"""Commands' worth of say that a lock's own past has: rates wander, so that more of it says no
more."""


@dataclass(frozen=True)
class Rate:
    """What events among the last commands say.

    Attributes
    ----------
    log_odds : float
        Natural log of the odds that the rate is one that matters, the prior included.
    count, total : int
        Events and commands in the telling window.
    window_days : int
        Length of that window: 7, 14, 28 or 56 days.
    count_before, total_before : int
        Events and commands ahead of the onset.
    since, since_low, since_high : float
        Day number of the onset, and its 95 % interval.
    """

    log_odds: float
    count: int
    total: int
    window_days: int
    count_before: int
    total_before: int
    since: float
    since_low: float
    since_high: float


def betabinomial(
    count: npt.ArrayLike, total: npt.ArrayLike, a: float, b: float
) -> Reals:
    """Log probability of one ordered run of events whose rate is Beta(a, b).

    Parameters
    ----------
    count, total : array-like
        Events, and commands among which they came; of one shape, or one that fits the other.
    a, b : float
        Shapes of the beta distribution of the rate, above 0.

    Returns
    -------
    numpy.ndarray
        Natural logarithms, of the shape of ``count`` and ``total``.

    Notes
    -----
    Textbook: the beta-binomial's marginal likelihood without the number of orders.
    """
    events, tries = np.asarray(count, dtype=float), np.asarray(total, dtype=float)
    out: Reals = betaln(a + events, b + tries - events) - betaln(a, b)
    return out


def rate_that_matters(
    day: Reals, event: np.ndarray, *, healthy: tuple[float, float], faulty: tuple[float, float],
    prior: float, last_day: float = 6.0, fresh_days: float = 7.0,
) -> Rate | None:
    """Weigh a raised rate that still stands against a healthy one.

    Parameters
    ----------
    day : array, shape (n,)
        Day number of each command, not decreasing; ``last_day`` is on the same count.
    event : array of bool, shape (n,)
        Whether it happened then.
    healthy, faulty : tuple of (float, float)
        Shapes a, b of the beta priors of either rate.
    prior : float
        Probability, before any data, that the rate is a faulty one; between 0 and 1.
    last_day : float, default 6.0
        The day that closes the week (6: counted from its Monday).
    fresh_days : float, default 7.0
        An event must lie within so many days of it, or nothing stands; where the lock was
        commanded fewer than five times in that time, within its last ten commands of four weeks.

    Returns
    -------
    Rate or None
        None without an event that is fresh enough.

    Notes
    -----
    Bayes factor of two beta-binomial rates, averaged over four windows; the method is textbook,
    windows and freshness are this program's own.
    """
    if day.size == 0 or not event.any():
        return None
    fresh = day > last_day - fresh_days
    if fresh.sum() < 5:
        fresh = np.arange(day.size) >= day.size - 10
        fresh &= day > last_day - 28
    if not (event & fresh).any():
        return None
    counts, factors = [], []
    for window in WINDOWS_DAYS:
        inside = day > last_day - window
        counts.append((int(event[inside].sum()), int(inside.sum()), window))
        # Sound throughout, past and present have one rate; else only the past is a sound one's.
        past = day <= last_day - window
        weight = min(1.0, PAST_COUNTS / max(int(past.sum()), 1))
        known = (
            healthy[0] + weight * float(event[past].sum()),
            healthy[1] + weight * float((~event[past]).sum()),
        )
        count, total, _ = counts[-1]
        risen = betabinomial(count, total, *faulty) - betabinomial(count, total, *known)
        # Or it was never sound, and its past is no measure.
        never = betabinomial(count, total, *faulty) - betabinomial(count, total, *healthy)
        factors.append(float(np.logaddexp(risen, never) - np.log(2.0)))
    # Four windows, each as likely as the other to be the telling one.
    top = max(factors)
    mean = top + float(np.log(np.exp(np.array(factors) - top).mean()))
    count, total, window = counts[int(np.argmax(factors))]
    onset, low, high, _ = onset_of_rate(day, event, (0.5, 60.0), (1.0, 5.0))
    before = day < onset
    return Rate(
        float(np.log(prior / (1 - prior))) + mean, count, total, window,
        int(event[before].sum()), int(before.sum()), onset, low, high,
    )


def onset_of_rate(
    day: Reals, event: np.ndarray, before: tuple[float, float], after: tuple[float, float]
) -> tuple[float, float, float, float]:
    """Day from which events come more often, its 95 % interval, and how telling that is.

    Parameters
    ----------
    day : array, shape (n,)
        Day number of each command, not decreasing; one or more.
    event : array of bool, shape (n,)
        Whether it happened then.
    before, after : tuple of (float, float)
        Shapes a, b of the beta priors of the rate on either side.

    Returns
    -------
    tuple of (day, low, high, log_factor), float each
        ``log_factor``: natural log of how much likelier the events are with such
        a change, at any one command, than with one healthy rate throughout; minus infinity,
        with the first and the last day as interval, where no cut shows a raised rate.

    Notes
    -----
    Marginal likelihood of every cut between two commands, each as likely as the other before
    the data (textbook change-point model).
    """
    total = np.arange(1, day.size + 1)
    count = np.cumsum(event)
    before_k, before_n = count - event, total - 1
    after_k, after_n = count[-1] - before_k, day.size - before_n
    weight = betabinomial(before_k, before_n, *before) + betabinomial(after_k, after_n, *after)
    risen = (after_k + 1.0) / (after_n + 6.0) > (before_k + 0.5) / (before_n + 60.0)
    weight = np.where(risen, weight, -np.inf)
    if not np.isfinite(weight).any():
        return float(day[0]), float(day[0]), float(day[-1]), -np.inf
    top = float(weight.max())
    share = np.exp(weight - top)
    none = float(betabinomial(int(count[-1]), day.size, *before))
    log_factor = top + float(np.log(share.sum() / day.size)) - none
    running = np.cumsum(share) / share.sum()
    places = [int(np.searchsorted(running, level)) for level in (0.5, 0.025, 0.975)]
    # A raised rate begins at any command after the last quiet one, not at its first event.
    middle, low, high = (float(day[min(place, day.size - 1)]) for place in places)
    return middle, low, high, log_factor
