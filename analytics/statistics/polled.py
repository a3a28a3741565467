"""Times that a poll rounded up: each is an interval, and none of them is exact.

A value stamped t by a poll of period r lies in (t - r, t]. Where the polls run at random
against the commands, the middles of these intervals scatter about the true values without
bias, so that their order statistics give the median and its interval (the non-parametric
maximum likelihood estimate of such intervals, B. W. Turnbull, J. R. Stat. Soc. B 38 (1976),
290, has the same middle and scatters more; a test holds one against the other). Stamps stand
on steps, of the log's own resolution at least, and inside a step nothing is known: each
middle is spread evenly over one, or where releases scatter less than a step the median of them
could only be one of two values. Where the polls follow the commands, a step is a whole poll,
and the median lies between two ends.
"""

from __future__ import annotations

import numpy as np

from remanence.analytics.statistics.arrays import Reals
from remanence.analytics.statistics.intervals import median_rank

LEAST_TIED_POLL_MS, FEWEST_FOR_TIE = 2.0, 8
"""A finer poll is not told from the log's own resolution of 1 ms, nor a tie in fewer releases."""
TIED_CONCENTRATION = 0.8
"""Mean resultant length of the phases of polls that follow the command: a deviation of a tenth of a
poll about one phase gives it (calculated). Phases at random give some 1 / sqrt(n)."""
LEAST_POLL_MS, ROUNDING = 1e-6, 1e-6
"""A time without a poll is spread over so much; counts are compared to within so much."""


def polls_in_step(time: Reals, resolution: Reals | float) -> bool:
    """Whether times stand at one phase of their poll, so that it follows the command.

    Parameters
    ----------
    time : array, shape (n,)
        As stamped. [ms]
    resolution : array, shape (n,), or float
        The poll's period; where it was measured for each, their median counts. [ms]

    Notes
    -----
    Mean resultant length of directions (K. V. Mardia and P. E. Jupp, Directional Statistics, 2000,
    section 2.3).
    """
    step = float(np.median(resolution)) if time.size else 0.0
    if time.size < FEWEST_FOR_TIE or step < LEAST_TIED_POLL_MS:
        return False
    return bool(abs(np.mean(np.exp(2j * np.pi * time / step))) > TIED_CONCENTRATION)


def polled_median(
    time: Reals, resolution: Reals, unanswered: int = 0, *, in_step: bool, confidence: float = 0.95,
) -> tuple[float, float, float]:
    """Median of polled times with its interval; some may never have come.

    Parameters
    ----------
    time : array, shape (n,)
        As stamped. [ms]
    resolution : array, shape (n,)
        The poll's period at each. [ms]
    unanswered : int, default 0
        How many more never came: they lie beyond all others.
    in_step : bool
        The poll follows the command (:func:`polls_in_step`): the interval then reaches from the
        one step's beginning to the other's end, and its middle is no better than either.
    confidence : float, default 0.95
        Coverage of the interval.

    Returns
    -------
    tuple of (float, float, float)
        Median, low, high; infinite where most never came, NaN where there is nothing. [ms]
    """
    count = time.size + unanswered
    if not count:
        return np.nan, np.nan, np.nan
    poll = np.clip(resolution, 0.0, None)
    # A step of the stamps is a whole poll where the two are in step, and less at random.
    spread = np.minimum(poll, _step(time)) / 2
    middle = np.maximum(time - poll / 2, spread)
    began, ended = middle - spread, middle + spread
    rank = median_rank(count, confidence)
    # With too few to tell, the bounds are all that is known.
    share = (rank + 0.5) / count if rank else 0.0
    # In step, all of a time may lie at either end of its poll.
    first, last = (began, ended) if in_step else (ended, began)
    return (_come_by(began, ended, 0.5 * count), _come_by(began, first, share * count),
            _come_by(last, ended, (1.0 - share) * count))


def _step(time: Reals) -> float:
    """The least difference between two times; infinite where all are one. [ms]"""
    apart = np.diff(np.unique(np.round(time, 3)))
    return float(apart.min()) if apart.size else np.inf


def _come_by(began: Reals, ended: Reals, number: float) -> float:
    """When so many times had come, each spread evenly over its poll; infinite where fewer came."""
    if number > began.size:
        return float(np.inf)
    width = np.maximum(ended - began, LEAST_POLL_MS)
    moments = np.unique(np.concatenate([began, began + width]))
    come = np.clip((moments[:, None] - began) / width, 0.0, 1.0).sum(axis=1)
    # The earliest such moment, as everywhere (Hyndman and Fan 1996, definition 1).
    place = max(int(np.searchsorted(come, number - ROUNDING)), 1)
    part = (number - come[place - 1]) / (come[place] - come[place - 1])
    return float(moments[place - 1] + part * (moments[place] - moments[place - 1]))
