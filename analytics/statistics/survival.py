"""How long until it happens, when some were not watched long enough? The product-limit curve.

Equation: S(t) is the product, over event times up to t, of (1 - events / at risk) [1]_.
Times may be in any unit; results are in the same. Range: any sample; thin ones give wide
limits, never an error.

References
----------
.. [1] E. L. Kaplan and P. Meier, "Nonparametric estimation from incomplete observations",
   J. Am. Stat. Assoc. 53 (1958), 457-481.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy import special

from remanence.analytics.statistics.arrays import Flags, Ints, Reals

LIMITS = ("beta-product", "log-log", "log")

_JUST = 1e-9
"""Survival is a product of fractions: equality with a level is judged to this."""


@dataclass(frozen=True)
class ProductLimit:
    """The product-limit curve of one sample.

    Attributes
    ----------
    times : numpy.ndarray
        Distinct times, rising, of events and of censorings.
    at_risk, events : numpy.ndarray
        How many were still waiting just before each time, and how many ended there.
    survival : numpy.ndarray
        Share still waiting just after each time.
    standard_error : numpy.ndarray
        Greenwood's standard error of ``survival``; 0 where survival is 0.
    confidence : float
        Coverage of the limits.
    limits : str
        ``beta-product``, ``log-log`` or ``log``.
    """

    times: Reals
    at_risk: Ints
    events: Ints
    survival: Reals
    standard_error: Reals
    confidence: float
    limits: str

    @cached_property
    def _curves(self) -> Curves:
        start = np.zeros(min(self.times.size, 1), dtype=np.int64)
        return Curves(start, self.times, self.at_risk, self.events, self.survival, self.limits)

    @property
    def lower(self) -> Reals:
        """Pointwise lower limit of survival at ``confidence``, by the method ``limits``."""
        return self._curves.bounds(self.confidence)[0]

    @property
    def upper(self) -> Reals:
        """Pointwise upper limit, in the same way."""
        return self._curves.bounds(self.confidence)[1]

    @property
    def lower_at_start(self) -> float:
        """Lower limit of survival before the first time."""
        return float(self._curves.at_start(self.confidence)[0]) if self.times.size else 0.0

    def quantile(
        self, probability: float, confidence: float | None = None
    ) -> tuple[float | None, float, float | None]:
        """Time by which ``probability`` of all have ended, with its limits.

        Parameters
        ----------
        probability : float
            Share that has ended, between 0 and 1.
        confidence : float, optional
            Coverage of its limits; default: that of the curve's.

        Returns
        -------
        value, low, high : float or None
            The earliest time at which survival is no more than ``1 - probability``, and
            the times between which no time is excluded (Brookmeyer and Crowley's way of
            inverting the curve's limits, Biometrics 38 (1982), 29-41). None: the curve
            does not come down that far, so "longer than was ever waited". ``low`` is 0
            where the sample is too small to exclude anything short.
        """
        if not self.times.size:
            return None, 0.0, None
        value, low, high = grouped_quantile(
            self._curves, probability, self.confidence if confidence is None else confidence)
        return _number(value[0]), float(np.nan_to_num(low[0])), _number(high[0])


def product_limit(
    times: npt.ArrayLike,
    ended: npt.ArrayLike,
    *,
    counts: npt.ArrayLike | None = None,
    confidence: float = 0.95,
    limits: str = "beta-product",
) -> ProductLimit:
    """Share still waiting over time, from a sample of which some never ended while watched.

    Parameters
    ----------
    times : array_like, shape (n,)
        How long each was watched; any unit, not negative. Any order.
    ended : array_like of bool, shape (n,)
        Whether it ended there. False: watching ended first (right-censored). Where both
        happen at one time the censored are taken to have waited a little longer.
    counts : array_like of int, shape (n,), optional
        How many each row stands for; 1 where not given.
    confidence : float, default 0.95
        Coverage of the limits, between 0 and 1.
    limits : str, default "beta-product"
        ``beta-product``: Fay, Brittain and Proschan's limits by moments, which hold their
        coverage in small samples and are Clopper and Pearson's where nothing is censored
        [1]_. ``log-log`` and ``log``: Greenwood's variance on that scale, what most
        programs print; their limits of an outer quantile of a small sample are too tight.

    Returns
    -------
    ProductLimit
        Without any row its arrays are empty and every quantile is None.

    Raises
    ------
    ValueError
        Lengths differ, a time is negative or not a number, or ``confidence`` or ``limits``
        is none of those allowed.

    References
    ----------
    .. [1] M. P. Fay, E. H. Brittain and M. A. Proschan, "Pointwise confidence intervals for
       a survival distribution with small samples or heavy censoring", Biostatistics 14
       (2013), 723-736.
    """
    time = np.asarray(times, dtype=float).ravel()
    event = np.asarray(ended, dtype=bool).ravel()
    count = (
        np.ones(time.size, dtype=np.int64)
        if counts is None
        else np.asarray(counts, dtype=np.int64).ravel()
    )
    if not time.size == event.size == count.size:
        raise ValueError(
            f"times, ended and counts differ in length: {time.size}, {event.size}, {count.size}"
        )
    if time.size and not (np.isfinite(time).all() and (time >= 0).all()):
        raise ValueError("times must be numbers and not negative")
    check_limits(confidence, limits)
    one_group = np.zeros(time.size, dtype=np.int64)
    curves = grouped_curves(one_group, time, event, count, limits)
    return ProductLimit(
        curves.times, curves.at_risk, curves.events, curves.survival,
        _standard_error(curves), confidence, limits,
    )


def bound_of_quantile(
    latencies_ms: npt.ArrayLike, probability: float, confidence: float = 0.95
) -> float | None:
    """Upper limit of a quantile that holds whatever the distribution (an order statistic).

    Parameters
    ----------
    latencies_ms : array_like, shape (n,)
        Complete latencies. [ms] A censored one may be given as infinity: it then counts as
        longer than all others, which is on the safe side.
    probability : float
        The quantile, between 0 and 1.
    confidence : float, default 0.95
        With at least this probability the true quantile is at or below the result.

    Returns
    -------
    float or None
        The smallest order statistic that will do; None where the sample is too small
        (at 95 % confidence: fewer than 59 values for 0.95, 299 for 0.99, 2995 for 0.999)
        or the order statistic is infinite.

    Raises
    ------
    ValueError
        ``probability`` or ``confidence`` is not between 0 and 1.

    References
    ----------
    W. J. Conover, "Practical Nonparametric Statistics", 3rd ed. (1999), ch. 3.2.
    """
    values = np.sort(np.asarray(latencies_ms, dtype=float).ravel())
    if not 0 < probability < 1 or not 0 < confidence < 1:
        raise ValueError("probability and confidence must be between 0 and 1")
    count = values.size
    if count == 0:
        return None
    # P(at most k - 1 of n fall below the quantile) must reach the confidence.
    ranks = np.arange(1, count + 1)
    enough = special.bdtr(ranks - 1, count, probability) >= confidence
    if not enough.any():
        return None
    return _number(float(values[int(np.argmax(enough))]))


# --- the grouped estimate ---------------------------------------------------------------------


@dataclass(frozen=True)
class Curves:
    """Curves of many groups, end to end; ``start`` is the first row of each."""

    start: Ints
    times: Reals
    at_risk: Ints
    events: Ints
    survival: Reals
    limits: str = LIMITS[0]

    @cached_property
    def _betas(self) -> tuple[Flags, tuple[Reals, Reals], Flags, tuple[Reals, Reals]]:
        """Beta variables whose quantiles are the upper and lower limits, by their moments.

        Whether nothing has ended yet, the upper one, whether somebody is left, the lower one.
        """
        start, size = self.start, np.diff(np.append(self.start, self.times.size))
        a = (self.at_risk - self.events + 1).astype(float)
        both = a + self.events
        some = self.events > 0
        mean = np.exp(_running(np.where(some, np.log(a / both), 0.0), start, size))
        square = np.exp(
            _running(np.where(some, np.log(a * (a + 1) / (both * (both + 1))), 0.0), start, size)
        )
        none_yet = _running(some.astype(float), start, size) == 0
        after = np.append(self.at_risk[1:], 0)[: self.at_risk.size]
        if start.size:
            after[_last(self)] = 0
        left = np.maximum(after, 1).astype(float)
        return (none_yet, _beta(mean, square), after > 0,
                _beta(mean * left / (left + 1), square * left / (left + 2)))

    def bounds(self, confidence: float) -> tuple[Reals, Reals]:
        """Pointwise lower and upper limits of survival."""
        if self.limits == "beta-product":
            none_yet, upper, left, lower = self._betas
            tail = (1 - confidence) / 2
            return (np.where(left, special.betaincinv(*lower, tail), 0.0),
                    np.where(none_yet, 1.0, special.betaincinv(*upper, 1 - tail)))
        remaining = np.maximum(self.at_risk * (self.at_risk - self.events), 1)
        variance = _running(
            np.where(self.events == self.at_risk, 0.0, self.events / remaining), self.start,
            np.diff(np.append(self.start, self.times.size)))
        return _greenwood(self.survival, variance, confidence, self.limits)

    def down_to(self, level: float, confidence: float) -> tuple[Flags, Flags]:
        """Where the lower and the upper limit are at or below a level of survival."""
        if self.limits == "beta-product":  # To see it takes no inverse.
            none_yet, upper, left, lower = self._betas
            tail = (1 - confidence) / 2
            return (~left | (special.betainc(*lower, level) >= tail),
                    ~none_yet & (special.betainc(*upper, level) >= 1 - tail))
        low, high = self.bounds(confidence)
        return low <= level, high <= level

    def at_start(self, confidence: float) -> Reals:
        """Lower limits of survival before the first time."""
        if self.limits == "beta-product":
            out: Reals = ((1 - confidence) / 2) ** (1 / self.at_risk[self.start].astype(float))
            return out
        return np.ones(self.start.size)


def grouped_curves(
    group: Ints, time: Reals, ended: Flags, count: Ints, limits: str
) -> Curves:
    """Curves of many samples at once: ``group`` says which sample each row belongs to.

    Sorted by group; groups are numbered from 0 without gaps.
    """
    order = np.lexsort((time, group))
    code, moment = np.asarray(group)[order], np.asarray(time)[order]
    same = (code[1:] == code[:-1]) & (moment[1:] == moment[:-1])
    first_row = np.flatnonzero(np.append(True, ~same)[:code.size])
    total, events = (
        np.add.reduceat(np.asarray(each, dtype=np.int64)[order], first_row)
        if first_row.size else np.zeros(0, np.int64) for each in (count, count * ended)
    )
    code, moment = code[first_row], moment[first_row]
    start = np.flatnonzero(np.diff(code, prepend=-1)) if code.size else np.zeros(0, np.int64)
    size = np.diff(np.append(start, code.size))
    cumulated = np.cumsum(total)
    before_group = np.repeat(np.concatenate([[0], cumulated])[start], size)
    group_total = np.repeat(
        np.add.reduceat(total, start) if start.size else np.zeros(0, np.int64), size
    )
    at_risk = group_total - (cumulated - before_group - total)
    # All who remain can only end at the last time of a group: zero is set there by hand, so
    # that no logarithm is infinite and the running sums of the next group stay sound.
    gone = events == at_risk
    share = np.where(gone, 0.0, events / np.maximum(at_risk, 1))
    survival = np.where(gone, 0.0, np.exp(_running(np.log1p(-share), start, size)))
    return Curves(start, moment, at_risk, events, survival, limits)


def _beta(mean: Reals, square: Reals) -> tuple[Reals, Reals]:
    """Parameters of beta variables with these moments."""
    variance = np.maximum(square - mean**2, 1e-300)
    scale = np.maximum(mean * (1 - mean) / variance - 1, 1e-12)
    return np.maximum(mean * scale, 1e-12), np.maximum((1 - mean) * scale, 1e-12)


def _greenwood(
    survival: Reals, variance: Reals, confidence: float, limits: str
) -> tuple[Reals, Reals]:
    """Limits from Greenwood's variance of log survival, on the scale asked for."""
    z = float(special.ndtri(0.5 + confidence / 2))
    with np.errstate(divide="ignore", invalid="ignore"):
        if limits == "log":
            width = z * np.sqrt(variance)
            lower, upper = survival * np.exp(-width), np.minimum(survival * np.exp(width), 1.0)
        else:
            log_s = np.log(survival)
            width = z * np.sqrt(variance) / np.abs(log_s)
            lower, upper = survival ** np.exp(width), survival ** np.exp(-width)
    # No event yet: nothing is known from this method. No one left: no upper limit either.
    lower = np.where(survival >= 1, 1.0, np.where(survival <= 0, 0.0, lower))
    upper = np.where(survival >= 1, 1.0, np.where(survival <= 0, 1.0, upper))
    return lower, upper


def _standard_error(curves: Curves) -> Reals:
    remaining = np.maximum(curves.at_risk * (curves.at_risk - curves.events), 1)
    terms = np.where(curves.events == curves.at_risk, 0.0, curves.events / remaining)
    error: Reals = curves.survival * np.sqrt(np.cumsum(terms))
    return error


def _running(values: Reals, start: Ints, size: Ints) -> Reals:
    """Running sum that begins anew in each group."""
    summed = np.cumsum(values)
    before = np.concatenate([[0.0], summed])[start]
    result: Reals = summed - np.repeat(before, size)
    return result


def grouped_quantile(
    curves: Curves, probability: float, confidence: float
) -> tuple[Reals, Reals, Reals]:
    """Value, low and high limit of a quantile of each curve; NaN where not reached."""
    level = 1 - probability + _JUST
    lower, upper = curves.down_to(level, confidence)
    value, low, high = (_first(curves, down) for down in (curves.survival <= level, lower, upper))
    low = np.where(curves.at_start(confidence) <= level, 0.0, low)
    # No limit came down: the low limit is at least the estimate, and that is not reached.
    low = np.where(np.isnan(low), curves.times[_last(curves)], low) if low.size else low
    return value, low, high


def _last(curves: Curves) -> Ints:
    last: Ints = np.append(curves.start[1:], curves.times.size) - 1
    return last


def _first(curves: Curves, down: Flags) -> Reals:
    """First time in each group at which a curve has come down; NaN if never."""
    if not curves.start.size:
        return np.zeros(0)
    never = down.size
    index = np.where(down, np.arange(never), never)
    first = np.minimum.reduceat(index, curves.start)
    return np.where(first < never, curves.times[np.minimum(first, never - 1)], np.nan)


def check_limits(confidence: float, limits: str) -> None:
    """Raise ``ValueError`` unless both are among those allowed."""
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must be between 0 and 1, got {confidence!r}")
    if limits not in LIMITS:
        raise ValueError(f"limits must be one of {', '.join(LIMITS)}, got {limits!r}")


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
