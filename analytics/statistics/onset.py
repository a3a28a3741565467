"""When did it begin: the day from which a flag is set more often, or a level has moved.

Both answers come from the posterior over all places to split the series in two,
every place equally likely beforehand: the flags with a Jeffreys prior on either
side's rate, the levels with unknown means and variance. The
interval holds 95 % of that posterior. Integrating the rates and means out, instead
of maximising over them, keeps a split near either end from winning by chance.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaln

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Onset:
    """A dated change: first day, its 95 % interval, and where in the series it lies."""

    since: date
    low: date
    high: date
    index: int
    """Position of the first value after the change."""
    log_odds: float
    """Natural log of how much likelier the series is with the change than without."""


def _dated(days: NDArray[np.int64], log_weight: FloatArray, log_none: float) -> Onset:
    # log_weight[j]: the change lies before value j+1 (so the first j+1 are "before").
    top = float(log_weight.max())
    weight = np.exp(log_weight - top)
    cumulated = np.cumsum(weight) / weight.sum()
    count = len(log_weight)

    def place(level: float) -> int:
        return min(int(np.searchsorted(cumulated, level)), count - 1) + 1

    middle, low, high = int(np.argmax(log_weight)) + 1, place(0.025), place(0.975)
    low, high = min(low, middle), max(high, middle)
    log_odds = top + float(np.log(weight.sum() / count)) - log_none
    return Onset(
        since=date.fromordinal(int(days[middle])),
        # The change itself may have come any time after the value before it.
        low=date.fromordinal(int(days[low - 1])),
        high=date.fromordinal(int(days[high])),
        index=middle,
        log_odds=log_odds,
    )


def onset_of_flags(days: NDArray[np.int64], flags: NDArray[np.bool_]) -> Onset | None:
    """When flags began to be set more often.

    Parameters
    ----------
    days : array of int, shape (n,)
        Day of each value as a proleptic ordinal (:meth:`datetime.date.toordinal`),
        not decreasing.
    flags : array of bool, shape (n,)
        Whether it happened, in order of time.

    Returns
    -------
    Onset or None
        None with fewer than two values, or where no split has a higher rate after
        it than before it.

    Notes
    -----
    Beta(1/2, 1/2) prior on the rate either side; see any text on Bayesian change
    points, for example A. F. M. Smith, Biometrika 62 (1975), 407-416.
    """
    count = len(flags)
    if count < 2:
        return None
    set_before = np.cumsum(flags)[:-1].astype(float)
    size_before = np.arange(1, count, dtype=float)
    total = float(np.sum(flags))
    set_after, size_after = total - set_before, count - size_before
    log_weight = (
        betaln(set_before + 0.5, size_before - set_before + 0.5)
        + betaln(set_after + 0.5, size_after - set_after + 0.5)
        - 2 * betaln(0.5, 0.5)
    )
    higher = set_after / size_after > set_before / size_before
    if not higher.any():
        return None
    log_weight = np.where(higher, log_weight, -np.inf)
    log_none = float(betaln(total + 0.5, count - total + 0.5) - betaln(0.5, 0.5))
    return _dated(days, log_weight, log_none)


def onset_of_level(days: NDArray[np.int64], values: FloatArray) -> Onset | None:
    """When a level moved to another one.

    Parameters
    ----------
    days : array of int, shape (n,)
        Day ordinals, not decreasing. Give one value a day (its median): values of
        one day are not independent of each other.
    values : array of float, shape (n,)
        Finite. Those further than eight robust standard deviations from the median are
        drawn in to there: an outlier then counts for little, and a large step still for
        more than a season's slow wave, which ranks would make its equal.

    Returns
    -------
    Onset or None
        None with fewer than five values or where all are equal.

    Notes
    -----
    Normal errors, means and variance integrated out under flat and 1/variance priors.
    """
    count = len(values)
    if count < 5 or np.ptp(values) == 0:
        return None
    middle = float(np.median(values))
    spread = 1.4826 * float(np.median(np.abs(values - middle)))
    reach = 8 * spread if spread > 0 else float(np.abs(values - middle).max())
    scores = (np.clip(values, middle - reach, middle + reach) - middle) / reach
    size_before = np.arange(1, count, dtype=float)
    size_after = count - size_before
    sum_before = np.cumsum(scores)[:-1]
    total, squares = float(scores.sum()), float((scores**2).sum())
    residual = squares - sum_before**2 / size_before - (total - sum_before) ** 2 / size_after
    residual = np.maximum(residual, 1e-6 * max(squares, 1e-12))
    log_weight = -0.5 * np.log(size_before * size_after) - 0.5 * (count - 2) * np.log(residual)
    whole = max(squares - total**2 / count, 1e-12)
    log_none = -0.5 * np.log(count) - 0.5 * (count - 1) * np.log(whole)
    # Two flat priors on means against one: a unit-information prior makes them comparable.
    log_weight = log_weight + 0.5 * np.log(2 * np.pi) - np.log(np.sqrt(2 * np.pi) * 3.0)
    return _dated(days, log_weight, float(log_none))
