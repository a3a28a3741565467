"""A drift in weeks, as a technician would chart it: CUSUM of weekly levels, slope since then.

The finding itself comes from :mod:`remanence.analytics.drift.change_model`; these are plain figures
beside it, which anyone can calculate again.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from remanence.analytics.drift.common import Wander
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

    ``slope`` is Theil and Sen's, per week, with its 95 % interval; None under eight weeks.
    """

    week: Reals
    level: Reals
    deviation: Reals
    sum_high: float
    sum_low: float
    slope: tuple[float, float, float] | None


def weekly_course(drift: LockDrift, wander: Wander) -> WeeklyCourse:
    """Weekly means of a lock's adjusted level, their CUSUM, and the slope since the change.

    Parameters
    ----------
    drift : LockDrift
        The drift as judged.
    wander : Wander
        The wander of the lock's group; it and the scatter give a week's standard deviation.
    """
    days = drift.days
    number = np.floor_divide(days.day, 7)
    weeks = np.unique(number)
    level, deviation = np.zeros(weeks.size), np.zeros(weeks.size)
    for place, week in enumerate(weeks):
        rows = number == week
        level[place] = np.average(drift.residual[rows], weights=days.releases[rows])
        apart = max(rows.sum() / (2 * wander.memory_days + 1), 1.0)
        deviation[place] = np.sqrt(
            days.deviation**2 / days.releases[rows].sum() + wander.daily**2 / apart
            + wander.slow**2
        )
    high, low = cusum(level / deviation, target=0.0, allowance=CUSUM_ALLOWANCE, cap=CUSUM_CAP)
    slope = None
    if drift.fit is not None:
        since = weeks >= np.floor_divide(drift.fit.since, 7) - 1
        if since.sum() >= LEAST_COURSE_WEEKS:
            found = stats.theilslopes(level[since], weeks[since], SLOPE_CONFIDENCE)
            slope = float(found.slope), float(found.low_slope), float(found.high_slope)
    return WeeklyCourse(
        weeks, level, deviation, float(high[-1]), float(low[-1]), slope
    )
