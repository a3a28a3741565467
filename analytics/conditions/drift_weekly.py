"""A drift in weeks, as a technician would chart it: CUSUM of weekly levels, slope since then.

The finding itself comes from :mod:`remanence.analytics.drift.change_model`; these are plain figures
beside it, which anyone can calculate again.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from remanence.analytics.drift.change_model import daily_covariance
from remanence.analytics.drift.judge import LockDrift
from remanence.analytics.statistics.arrays import Reals
from remanence.analytics.statistics.control_charts import cusum

CUSUM_ALLOWANCE, CUSUM_CAP = 1.0, 4.0
"""In standard deviations of a week: what each week is allowed, and the most that a single week
counts. Without the siblings' common part, with an 8 % gate and an alarm at 5, this design gives 1.1
false alarms a year over 40 locks (calculated)."""
LEAST_COURSE_WEEKS = 8
"""Fewer weeks than this give no slope (common practice, no source)."""
SLOPE_CONFIDENCE = 0.95
"""Confidence of the slope's interval (common practice)."""


@dataclass(frozen=True)
class WeeklyCourse:
    """Weekly levels less before: ``week`` 0 is the week asked for, earlier ones are negative.

    ``slope`` is per week, with its 95 % interval; None under eight weeks.
    """

    week: Reals
    level: Reals
    deviation: Reals
    sum_high: float
    sum_low: float
    slope: tuple[float, float, float] | None


def weekly_course(drift: LockDrift) -> WeeklyCourse:
    """Weekly means of a lock's adjusted level, their CUSUM, and the slope since the change.

    Parameters
    ----------
    drift : LockDrift
        The drift as judged; its wander and scatter give a week's standard deviation.
    """
    days, wander = drift.days, drift.wander
    weeks, start = np.unique(np.floor_divide(days.day, 7), return_index=True)
    releases = np.add.reduceat(days.releases, start)
    mean = np.zeros((weeks.size, days.day.size))
    mean[np.searchsorted(weeks, np.floor_divide(days.day, 7)), np.arange(days.day.size)] = 1.0
    mean *= days.releases / releases[:, None]
    covariance = mean @ daily_covariance(
        days.day, days.noise, wander.daily, wander.memory_days,
        wander.slow, wander.slow_memory_days) @ mean.T
    level, deviation = mean @ drift.residual, np.sqrt(np.diag(covariance))
    high, low = cusum(level / deviation, target=0.0, allowance=CUSUM_ALLOWANCE, cap=CUSUM_CAP)
    slope = None
    if drift.fit is not None:
        since = weeks >= np.floor_divide(drift.fit.since, 7) - 1
        if since.sum() >= LEAST_COURSE_WEEKS:
            slope = slope_with_memory(
                weeks[since], level[since], covariance[np.ix_(since, since)])
    return WeeklyCourse(
        weeks, level, deviation, float(high[-1]), float(low[-1]), slope
    )


def slope_with_memory(weeks: Reals, level: Reals, covariance: Reals) -> tuple[float, float, float]:
    """Slope of weekly levels that remember, and its 95 % interval.

    Parameters
    ----------
    weeks, level : array, shape (n,)
        Week numbers and levels; three or more.
    covariance : array, shape (n, n)
        Of the levels if they had no slope.

    Returns
    -------
    tuple of (float, float, float)
        Slope a week with its 95 % interval, by Student's t.

    Notes
    -----
    Generalised least squares (Aitken, Proc. R. Soc. Edinburgh 55 (1936) 42); the covariance is
    scaled up where the levels stray further from the line than it says.
    """
    design = np.column_stack([np.ones(weeks.size), weeks - weeks.mean()])
    white = np.linalg.solve(np.linalg.cholesky(covariance), np.column_stack([design, level]))
    found, _, _, _ = np.linalg.lstsq(white[:, :2], white[:, 2], rcond=None)
    off = white[:, 2] - white[:, :2] @ found
    freedom = weeks.size - 2
    scale = max(float(off @ off) / freedom, 1.0)
    error = np.sqrt(scale * np.linalg.inv(white[:, :2].T @ white[:, :2])[1, 1])
    half = float(special.stdtrit(freedom, (1 + SLOPE_CONFIDENCE) / 2) * error)
    return float(found[1]), float(found[1]) - half, float(found[1]) + half
