"""How long must be waited so that all but a few in a thousand have happened, and how sure is that?

Two ways, in this order. Where the sample is large enough, an order statistic bounds the
quantile whatever the distribution. Where it is not, the upper part of the sample is taken to
fall off at least as fast as a power law (an exponential on the log scale), whose slope is
Hill's mean excess and whose quantile is Weissman's [1]_ [2]_; the bound is then exact for that
law and on the safe side for any lighter tail, such as a log-normal. It is not safe for what
the sample never showed: a mode that has not happened yet cannot be seen by any method.

Days have a memory, so observations of one day say less than their number: the number is
divided by the design effect before any bound is taken.

References
----------
.. [1] B. M. Hill, "A simple general approach to inference about the tail of a
   distribution", Annals of Statistics 3 (1975), 1163-1174.
.. [2] I. Weissman, "Estimation of parameters and large quantiles based on the k largest
   observations", J. Am. Stat. Assoc. 73 (1978), 812-815.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
import numpy.typing as npt
from scipy import special

from remanence.analytics.statistics.arrays import Flags, Ints, Reals
from remanence.analytics.statistics.root import rising_root

LEAST = 20
"""Fewer events than this bound no outer quantile, by any method used here."""

FEWEST_CLUSTERS = 10
"""With fewer days (or weeks) their scatter says nothing of their dependence."""

MOST_EXCESSES = 1e6
"""No bound lies so many mean excesses above its threshold."""

GOLDEN = (5**0.5 - 1) / 2
"""Multiples of it, without their whole part, spread evenly between 0 and 1."""

LEAST_LEFT = 0.05
"""A time put somewhere within its step keeps at least this share of itself: none is 0."""

LEAST_ABOVE = 5
"""Events above the threshold that a slope of the tail is read from, at the least."""

UPPER_SHARE = 0.1
"""The share of the sample that the slope of the tail is read from (see :data:`LEAST_ABOVE`)."""


def design_effect(marks: npt.ArrayLike, days: npt.ArrayLike) -> float:
    """How many times the variance of a share is what independent observations would give.

    Days and weeks are taken as clusters in turn, and the larger effect counts.

    Parameters
    ----------
    marks : array_like of bool, shape (n,)
        Whether each observation is of the kind counted.
    days : array_like of int, shape (n,)
        Day number of each.

    Returns
    -------
    float
        1 or more; 1 where there are fewer than ten clusters to judge by.

    Notes
    -----
    Neighbouring days alike inflate a variance; this is not corrected for below ten clusters.

    References
    ----------
    L. Kish, "Survey Sampling" (1965), ch. 5 and 8.2.
    """
    mark = np.asarray(marks, dtype=float)
    day = np.asarray(days, dtype=np.int64)
    count = mark.size
    share = mark.mean() if count else 0.0
    alone = count * share * (1 - share)
    if alone <= 0:
        return 1.0
    worst = 1.0
    for cluster in (day, day // 7):
        place = cluster - cluster.min()
        sums = np.bincount(place, weights=mark - share)[np.bincount(place) > 0]
        if sums.size >= FEWEST_CLUSTERS:
            between = float((sums**2).sum()) * sums.size / (sums.size - 1)
            worst = max(worst, between / alone)
    return worst


def within_step(times: Reals, step: float) -> Reals:
    """Times that were seen in steps, each put somewhere within its own step.

    Polled times are equal by the dozen, which a scatter or a slope takes for certainty. The golden
    section spreads them evenly, and the same times are always spread alike.

    Parameters
    ----------
    times : numpy.ndarray, shape (n,)
        As seen: each true time lies up to one step before it.
    step : float
        What the clock or the polling allows, in the same unit.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Above 0 where the times are.
    """
    part = np.arange(1, times.size + 1) * GOLDEN % 1.0
    return np.maximum(times - step * part, LEAST_LEFT * times)


def tail_factor(
    count: float, beyond: float, events: float, probability: float, confidence: float
) -> float:
    """Mean excesses to go above the threshold for an upper bound of a quantile.

    For a sample of ``count`` whose ``beyond`` largest lie above the threshold and whose
    excesses are exponential, threshold + result x (mean excess of the ``events``) is at or
    above the true quantile with exactly ``confidence``.

    Parameters
    ----------
    count : float
        Independent observations.
    beyond : float
        How many of them lie above the threshold.
    events : float
        Excesses that were seen to their end.
    probability : float
        The quantile, between 0 and 1.
    confidence : float
        One-sided, between 0 and 1.

    Returns
    -------
    float
        0 where the threshold itself will do.

    Notes
    -----
    The share T beyond the threshold is Beta(beyond + 1, count - beyond), the sum of
    excesses over their mean is Gamma(events), and the two are independent (Renyi's
    representation of exponential order statistics). The result c solves
    P(log(T / (1 - probability)) <= c G / events) = confidence.
    """
    return _tail_factor(round(count, 3), round(beyond, 3), round(events, 3), probability,
                        confidence)


@lru_cache(maxsize=256)
def _mean_excesses(events: float) -> Reals:
    """Means of so many exponential excesses, in units of their true one: evenly likely ones."""
    levels = (np.arange(512) + 0.5) / 512
    out: Reals = special.gammaincinv(events, levels) / events
    return out


@lru_cache(maxsize=4096)
def _tail_factor(
    count: float, beyond: float, events: float, probability: float, confidence: float
) -> float:
    a, b = beyond + 1, max(count - beyond, 1e-9)
    if special.betainc(a, b, 1 - probability) >= confidence:
        return 0.0
    scale, means = special.betaln(a, b), _mean_excesses(events)

    def excess(factor: float) -> tuple[float, float]:
        """How far the confidence is passed, and how fast that rises with the factor.

        As logarithms of what is left to 1: that is nearly a straight line, so half the steps do.
        """
        log_share = np.log1p(-probability) + factor * means
        # Both rise with the sums: from the first whole share on all are whole.
        part = slice(0, int(np.searchsorted(log_share, 0.0)))
        share = np.exp(log_share[part])
        held = float(special.betainc(a, b, share).sum()) + log_share.size - share.size
        # The density of T, times what the share grows by.
        growth = np.exp(a * log_share[part] + (b - 1) * np.log1p(-share) - scale) * means[part]
        left = max(1 - held / means.size, np.finfo(float).tiny)
        return float(np.log((1 - confidence) / left)), float(growth.sum()) / means.size / left

    # Were the mean excess known, the share's own quantile would say it.
    start = float(np.log(special.betaincinv(a, b, confidence)) - np.log1p(-probability))
    return rising_root(excess, 0.0, MOST_EXCESSES, start)


def upper_quantile(
    values: npt.ArrayLike,
    happened: npt.ArrayLike,
    probability: float,
    confidence: float,
    *,
    days: npt.ArrayLike | None = None,
    step: float = 0.0,
    shift_deviation: float = 0.0,
) -> float | None:
    """Upper confidence bound of a quantile of positive times, some of them right-censored.

    Parameters
    ----------
    values : array_like, shape (n,)
        Times; where ``happened`` is False, how long was waited in vain.
    happened : array_like of bool, shape (n,)
        Whether it happened then.
    probability : float
        The quantile, between 0 and 1.
    confidence : float
        One-sided: the true quantile is at or below the result with this probability.
    days : array_like of int, shape (n,), optional
        Day of each, for the design effect.
    step : float, default 0.0
        What the clock or the polling allows, in the unit of ``values``.
    shift_deviation : float, default 0.0
        Standard deviation of a common factor on the log scale that is not known (a
        borrowed location); its upper end at ``confidence`` is added.

    Returns
    -------
    float or None
        None where fewer than :data:`LEAST` happened.

    Notes
    -----
    Order statistic where the sample allows it, else the power-law tail of this module.
    """
    return UpperTail(values, happened, days=days, step=step).bound(
        probability, confidence, shift_deviation)


class UpperTail:
    """A sample of which several upper quantiles are asked: it is sorted once for all of them.

    Parameters
    ----------
    values, happened, days, step
        As of :func:`upper_quantile`.
    """

    def __init__(
        self, values: npt.ArrayLike, happened: npt.ArrayLike, *,
        days: npt.ArrayLike | None = None, step: float = 0.0,
    ) -> None:
        value = np.maximum(np.asarray(values, dtype=float), 1e-6)
        event = np.asarray(happened, dtype=bool)
        order = np.lexsort((~event, value))
        self._value, self._event = value[order], event[order]
        self._day = None if days is None else np.asarray(days, dtype=np.int64)[order]
        self._step = step
        self._enough = int(event.sum()) >= LEAST
        self._bounds: dict[tuple[float, float], float] = {}

    def bound(
        self, probability: float, confidence: float, shift_deviation: float = 0.0
    ) -> float | None:
        """Upper confidence bound of one quantile.

        Parameters
        ----------
        probability : float
            The quantile, between 0 and 1.
        confidence : float
            One-sided.
        shift_deviation : float, default 0.0
            As of :func:`upper_quantile`.

        Returns
        -------
        float or None
            In the unit of the values; None where too few happened.
        """
        if not self._enough:
            return None
        asked = probability, confidence
        if asked not in self._bounds:
            self._bounds[asked] = self._worked_out(probability, confidence)
        shift = (float(np.exp(special.ndtri(confidence) * shift_deviation))
                 if shift_deviation else 1.0)
        return float(self._bounds[asked] * shift)

    def _worked_out(self, probability: float, confidence: float) -> float:
        bound = _order_statistic(self._value, self._event, self._day, probability, confidence)
        if bound is not None:
            return bound
        factor = tail_factor(self._tail.independent, self._tail.beyond, self._tail.events,
                             probability, confidence)
        return self._step + self._tail.threshold * float(
            np.exp(min(factor * self._tail.excess, 50.0)))

    @cached_property
    def _tail(self) -> _PowerTail:
        # Times seen in steps are spread within their step for the tail's slope, and the step is
        # added to the bound: what is spread so and raised by a step is never under the truth.
        spread = np.where(self._event, within_step(self._value, self._step), self._value)
        order = np.lexsort((~self._event, spread))
        spread, event = spread[order], self._event[order]
        cluster = None if self._day is None else self._day[order]
        return _power_tail(spread, event, cluster, *_survival(spread, event))


def _survival(value: Reals, event: Flags) -> tuple[Reals, Reals]:
    """Product-limit survival at each distinct event time; values sorted, events first in ties."""
    at_risk = value.size - np.arange(value.size)
    log = np.where(event, np.log1p(-1.0 / np.maximum(at_risk, 1.0000001)), 0.0)
    running = np.exp(np.cumsum(log))
    last = np.append(value[1:] != value[:-1], True)
    return value[last], running[last]


def _order_statistic(
    value: Reals, event: Flags, days: Ints | None, probability: float, confidence: float
) -> float | None:
    """The distribution-free bound; None where the sample is too small or a censored one is it."""
    count = value.size
    guess = value[min(int(np.ceil(probability * count)), count - 1)]
    effect = 1.0 if days is None else design_effect(value > guess, days)
    independent = count / effect
    if independent * np.log(probability) > np.log(1 - confidence):
        return None

    def enough(index: int) -> bool:
        # P(fewer than rank of them below the quantile), continued to broken numbers: it falls.
        rank = (index + 1) / effect
        held = special.betainc(rank, independent - rank + 1, probability)
        return bool(1 - held >= confidence)

    index = bisect_left(range(count), True, key=enough)
    if index == count or not event[: index + 1].all():
        return None  # Something waited in vain for less: the rank is not known.
    return float(value[index])


@dataclass(frozen=True)
class _PowerTail:
    """Threshold at the upper share of a sample, and the power law beyond it."""

    threshold: float
    excess: float
    """Mean excess over it, on the log scale."""
    independent: float
    beyond: float
    events: float
    """Independent observations: of all, of those beyond it, of those seen to their end there."""


def _power_tail(
    value: Reals, event: Flags, days: Ints | None, times: Reals, survival: Reals
) -> _PowerTail:
    count = int(event.sum())
    wanted = max(LEAST_ABOVE, int(UPPER_SHARE * count))
    share = wanted / count
    index = int(np.argmax(survival <= share + 1e-12)) if (survival <= share + 1e-12).any() else 0
    threshold = float(times[index])
    above = value > threshold
    events = int((above & event).sum())
    if events < LEAST_ABOVE:  # Ties at the top: one step lower.
        lower = np.flatnonzero(times < threshold)
        for candidate in lower[::-1]:
            threshold, index = float(times[candidate]), int(candidate)
            above = value > threshold
            events = int((above & event).sum())
            if events >= LEAST_ABOVE:
                break
    effect = 1.0 if days is None else design_effect(above, days)
    independent = value.size / effect
    beyond = float(survival[index]) * independent if events else 0.0
    return _PowerTail(
        threshold, float(np.log(value[above] / threshold).sum()) / max(events, 1), independent,
        min(beyond, independent * 0.999), max(events / effect, 1.0))


def quantile_points(values: npt.ArrayLike, happened: npt.ArrayLike, points: int) -> Reals:
    """The distribution of what did happen, as equally likely values.

    The product-limit curve, scaled to end at zero, is read at the middles of ``points``
    equal shares; what never happened is counted elsewhere.

    Parameters
    ----------
    values : array_like, shape (n,)
        Times; where ``happened`` is False, how long was waited in vain.
    happened : array_like of bool, shape (n,)
        Whether it happened then.
    points : int
        How many values to give.

    Returns
    -------
    numpy.ndarray, shape (points,)
        Rising; empty where nothing happened.
    """
    value = np.asarray(values, dtype=float)
    event = np.asarray(happened, dtype=bool)
    if not event.any():
        return np.zeros(0)
    order = np.lexsort((~event, value))
    times, survival = _survival(value[order], event[order])
    gone = 1 - survival
    gone = gone / gone[-1]
    middles = (np.arange(points) + 0.5) / points
    index = np.searchsorted(gone, middles - 1e-12, side="left")
    result: Reals = times[np.minimum(index, times.size - 1)]
    return result
