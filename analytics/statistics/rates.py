"""Rare events counted per command: is the present rate one that matters, and since when?"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import betainc, betaln, logsumexp

from remanence.analytics.statistics.arrays import Flags, Ints, Reals
from remanence.analytics.statistics.change import Change, Side, most_likely_split
from remanence.analytics.statistics.intervals import probability

SHORTEST_DAYS, LONGEST_DAYS = 7.0, 56.0
"""The present rate is counted since the change, in a week at least and eight weeks at most."""
FROM_THE_FIRST = 0.5
"""Chance that a rate which matters has mattered since the first day. Assumption."""
OF_A_DAY, OF_A_DAY_CHANCE = 0.1, 1 / 20
"""Events of one day may come together: their correlation then, and the chance that a lock's events
do. Assumption."""


JEFFREYS = (0.5, 0.5)
"""Beta prior of a rate of which nothing is known."""
_RATES = np.concatenate([[0.0], np.geomspace(1e-5, 0.1, 71), np.linspace(0.1, 1.0, 61)[1:]])
"""Edges of the bins in which a rate is integrated."""


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
        prior included; ``now`` is counted in the last ``window_days``, ``before`` ahead of
        ``since``.

    Notes
    -----
    Posterior over the day of a change (A. F. M. Smith, Biometrika 62 (1975), 407-416), both rates
    unknown, against one sound rate all the while. Each doubling of the time since the change is as
    likely beforehand; those of less than a week go together. Events of a day are independent, or
    come together as a beta-binomial's (textbook); the log tells which.
    """
    if day.size == 0 or not event.any():
        return None
    fresh = day > last_day - fresh_days
    if fresh.sum() < 5:
        fresh = np.arange(day.size) >= day.size - 10
        fresh &= day > last_day - 28
    if not (event & fresh).any():
        return None
    days, place = np.unique(day, return_inverse=True)
    total = np.bincount(place)
    count = np.bincount(place, weights=event).astype(np.float64)
    changed, always = _against_sound(count, total, healthy, faulty)
    weight = 1.0 / np.maximum(last_day - days[1:] + 1.0, SHORTEST_DAYS)
    changed += np.log(weight / weight.sum()) + np.log(1.0 - FROM_THE_FIRST)
    always += float(np.log(FROM_THE_FIRST))
    log_odds = float(np.log(prior / (1 - prior)) + logsumexp(np.append(changed, always)))
    latest = float(day[event][-1])
    if changed.size and changed.max() > always:
        split = most_likely_split(days, changed, 0.0)
        since, low, high = split.since, split.low, split.high
    else:
        since, low, high = float(days[0]), float(days[0]), float(days[-1])
    window = float(np.clip(last_day - min(since, latest) + 1.0, SHORTEST_DAYS, LONGEST_DAYS))
    now, past = event[day > last_day - window], event[day < since]
    return Change(
        "rate", log_odds, since, low, high,
        Side(float(past.mean()) if past.size else 0.0, n=past.size),
        Side(float(now.mean()), n=now.size),
        index=int(past.size), window_days=int(np.ceil(window)),
    )


def _against_sound(
    count: Reals, total: Ints, healthy: tuple[float, float], faulty: tuple[float, float],
) -> tuple[Reals, float]:
    """How much likelier than one sound rate a change is ahead of each day but the first, and a
    faulty rate all the while: natural logs, over both ways in which events of a day come.
    """
    middle = (_RATES[1:] + _RATES[:-1]) / 2
    with np.errstate(divide="ignore"):
        sound, fault = (np.log(np.diff(betainc(*shape, _RATES))) for shape in (healthy, faulty))
    # Days are alike by the dozen.
    kinds, kind = np.unique(np.column_stack([count, total]), axis=0, return_inverse=True)
    hits, rest = kinds[:, :1], kinds[:, 1:] - kinds[:, :1]
    none, changed, always = [], [], []
    for together in (0.0, OF_A_DAY):
        if together:
            size = 1.0 / together - 1.0
            each = betaln(size * middle + hits, size * (1.0 - middle) + rest) - betaln(
                size * middle, size * (1.0 - middle))
        else:
            each = hits * np.log(middle) + rest * np.log1p(-middle)
        chance = float(np.log(OF_A_DAY_CHANCE if together else 1.0 - OF_A_DAY_CHANCE))
        so_far = np.cumsum(each[kind.ravel()], axis=0)
        before, after = so_far[:-1], so_far[-1] - so_far[:-1]
        none.append(chance + logsumexp(sound + so_far[-1]))
        always.append(chance + logsumexp(fault + so_far[-1]))
        changed.append(
            chance + logsumexp(sound + before, axis=1) + logsumexp(fault + after, axis=1))
    one = float(logsumexp(none))
    return logsumexp(changed, axis=0) - one, float(logsumexp(always)) - one


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
