"""Times that a poll rounded up: each is an interval, and none of them is exact.

A value stamped t by a poll of period r lies in (t - r, t]. Where the polls run at random
against the commands, the middles of these intervals scatter about the true values without
bias, so that their order statistics give the median and its interval (the non-parametric
maximum likelihood estimate of such intervals, B. W. Turnbull, J. R. Stat. Soc. B 38 (1976),
290, has the same middle and scatters more; a test holds one against the other). Where the
polls follow the commands, nothing is known inside a step: the median lies between two ends.
"""

from __future__ import annotations

import numpy as np

from remanence.analytics.statistics.arrays import Reals
from remanence.analytics.statistics.intervals import median_interval

LEAST_TIED_POLL_MS, FEWEST_FOR_TIE = 2.0, 8
"""A finer poll is not told from the log's own resolution of 1 ms, nor a tie in fewer releases."""
TIED_CONCENTRATION = 0.8
"""Mean resultant length of the phases of polls that follow the command: a deviation of a tenth of a
poll about one phase gives it (calculated). Phases at random give some 1 / sqrt(n)."""


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
    half = np.clip(resolution, 0.0, None) / 2
    middle = np.concatenate([np.maximum(time - half, 0.0), np.full(unanswered, np.inf)])
    if not middle.size:
        return np.nan, np.nan, np.nan
    # Ranks decide, so what never came may stand as any value beyond the others.
    beyond = float(time.max()) + 1.0 if time.size else 1.0
    known = np.sort(np.where(np.isfinite(middle), middle, beyond))
    # The earliest time by which half had come, as everywhere (Hyndman and Fan 1996, definition 1).
    half_came = float(known[(known.size - 1) // 2])
    found = half_came, *median_interval(known, confidence)[1:]
    median, low, high = (float(np.inf) if value >= beyond else value for value in found)
    if in_step and time.size:
        off = float(np.median(half))
        low, high = max(low - off, 0.0), high + off
    return median, low, high
