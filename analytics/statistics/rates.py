"""Rare events counted per command: is the present rate one that matters, and since when?"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
from scipy.special import betainc, betaln

from remanence.analytics.statistics.arrays import Flags, Ints, Reals
from remanence.analytics.statistics.change import Change, Side, most_likely_split
from remanence.analytics.statistics.intervals import probability

WINDOWS_DAYS = (7, 14, 28, 56)
"""The present is judged on the last week, and on longer stretches for locks seldom used."""


PAST_COUNTS = 300.0
"""Commands' worth of say that a lock's own past has: rates wander, so that more of it says no
more."""


JEFFREYS = (0.5, 0.5)
"""Beta prior of a rate of which nothing is known."""
_RARE, _FREQUENT = (0.5, 60.0), (1.0, 5.0)
"""Beta priors of a rate on either side of the day from which it is one that matters."""


def chance_of_at_least(count: int, total: int, rate: float) -> float:
    """Chance of so many events or more: the upper tail of a binomial.

    In place of ``scipy.stats.binom.sf``, whose package takes half a second to load.

    Parameters
    ----------
    count, total : int
        Events, and commands among which they came.
    rate : float
        Chance of one, from 0 to 1.

    Returns
    -------
    float
        From 0 to 1.
    """
    if not 0 < count <= total:
        return float(count <= 0)
    return float(betainc(count, total - count + 1, rate))


def betabinomial(
    count: npt.ArrayLike, total: npt.ArrayLike, a: npt.ArrayLike, b: npt.ArrayLike
) -> Reals:
    """Log probability of one ordered run of events whose rate is Beta(a, b).

    Parameters
    ----------
    count, total : array-like
        Events, and commands among which they came; of one shape, or one that fits the other.
    a, b : array-like
        Shapes of the beta distribution of the rate, above 0.

    Returns
    -------
    numpy.ndarray
        Natural logarithms, of the shape that all four have together.

    Notes
    -----
    Textbook: the beta-binomial's marginal likelihood without the number of orders.
    """
    events, tries = np.asarray(count, dtype=float), np.asarray(total, dtype=float)
    one, other = np.asarray(a, dtype=float), np.asarray(b, dtype=float)
    out: Reals = betaln(one + events, other + tries - events) - betaln(one, other)
    return out


def chance_of_at_least_between(count: int, total: int, a: float, b: float) -> float:
    """Chance of so many events or more, of a rate that is Beta(a, b).

    In place of ``scipy.stats.betabinom.sf``, whose package takes half a second to load.

    Parameters
    ----------
    count, total : int
        Events, and commands among which they came.
    a, b : float
        Shapes of the beta distribution of the rate, above 0.

    Returns
    -------
    float
        From 0 to 1.
    """
    if not 0 < count <= total:
        return float(count <= 0)
    events = np.arange(count, total + 1)
    orders = -np.log(total + 1.0) - betaln(total - events + 1, events + 1)
    return min(1.0, float(np.exp(orders + betabinomial(events, total, a, b)).sum()))


def chance_of_fault(
    count: int, total: int, *, healthy: tuple[float, float], faulty: tuple[float, float],
    prior: float,
) -> float:
    """Probability that events come at a faulty rate and not at a sound one.

    Parameters
    ----------
    count, total : int
        Events, and commands among which they came.
    healthy, faulty : tuple of (float, float)
        Shapes a, b of the beta priors of either rate.
    prior : float
        The same probability before any data; between 0 and 1.

    Returns
    -------
    float
        Between 0 and 1, by the Bayes factor of two beta-binomial rates (textbook).
    """
    factor = betabinomial(count, total, *faulty) - betabinomial(count, total, *healthy)
    return probability(float(factor) + float(np.log(prior / (1 - prior))))


def rate_that_matters(
    day: Reals, event: Flags, *, healthy: tuple[float, float], faulty: tuple[float, float],
    prior: float, last_day: float = 6.0, fresh_days: float = 7.0,
) -> Change | None:
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
    Change or None
        None without an event that is fresh enough. ``log_odds`` are for a rate that matters, the
        prior included; ``now`` is counted in the telling window of ``window_days`` (7, 14, 28 or
        56), ``before`` ahead of ``since``.

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
    # A window without a command has no rate.
    told = [place for place, (_, total, _) in enumerate(counts) if total]
    count, total, window = counts[max(told, key=lambda place: factors[place])]
    log_odds = float(np.log(prior / (1 - prior))) + mean
    now = Side(count / total, n=total)
    begun = change_of_rate(day, event, _RARE, _FREQUENT)
    if begun is None:
        first, last = float(day[0]), float(day[-1])
        return Change("rate", log_odds, first, first, last, Side(0.0), now, window_days=window)
    past = event[day < begun.since]
    before = Side(float(past.mean()) if past.size else 0.0, n=past.size)
    return replace(begun, log_odds=log_odds, before=before, now=now, window_days=window)


def change_of_rate(
    day: Reals | Ints, event: Flags, before: tuple[float, float] = JEFFREYS,
    after: tuple[float, float] = JEFFREYS,
) -> Change | None:
    """When events began to come more often; the posterior over all places where it may have.

    Parameters
    ----------
    day : array, shape (n,)
        Day of each trial (a command, a row, an hour), not decreasing.
    event : array of bool, shape (n,)
        Whether it happened then.
    before, after : tuple of (float, float), default (0.5, 0.5)
        Shapes a, b of the beta priors of the rate on either side (Jeffreys').

    Returns
    -------
    Change or None
        None with fewer than two trials, or where no cut has a higher rate after it than before
        it. ``log_odds`` hold no prior: they are the Bayes factor for a change. The sides are
        shares of trials, without intervals.

    Notes
    -----
    Marginal likelihood of every cut between two trials, each as likely as the other before
    the data (textbook change-point model).
    """
    size = event.size
    if size < 2:
        return None
    total, count = np.arange(1, size, dtype=float), np.cumsum(event)[:-1].astype(float)
    events = int(np.sum(event))
    rest, rest_count = size - total, events - count
    weight = betabinomial(count, total, *before) + betabinomial(rest_count, rest, *after)
    mean_before = (count + before[0]) / (total + sum(before))
    mean_after = (rest_count + after[0]) / (rest + sum(after))
    risen = mean_after > mean_before
    if events == 0 or not risen.any():
        return None
    split = most_likely_split(
        day, np.where(risen, weight, -np.inf), float(betabinomial(events, size, *before)))
    past, now = event[:split.index], event[split.index:]
    return Change(
        "rate", split.log_odds, split.since, split.low, split.high,
        Side(float(past.mean()), n=past.size), Side(float(now.mean()), n=now.size),
        index=split.index,
    )
