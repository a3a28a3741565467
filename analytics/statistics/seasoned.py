"""By how much did a daily level move, when a season moves it too?

A season that is not yet seen whole looks like a change. So the two stretches are compared by
generalised least squares: the season is a sine of a year whose size and phase are unknown but
bounded, and what the days before show of it counts (Rasmussen and Williams, Gaussian Processes for
Machine Learning (2006), sec. 2.7: fixed effects beside a process with a known covariance).
"""

from __future__ import annotations

import numpy as np
from scipy import special

from remanence.analytics.statistics.arrays import Ints, Reals
from remanence.analytics.statistics.intervals import robust_deviation
from remanence.analytics.statistics.level_change import memory_of

DAYS_A_YEAR = 365.25
_LONGEST_DAYS = 366
"""Days before the change that are looked at: a year shows a season whole."""
_CREEP_DAYS, _FEWEST_CLEAR_DAYS = 21, 14
"""Days ahead of a change that do not count for the level before it, where enough others do: a fault
may grow over weeks, and the change is dated about their middle (assumption)."""
_REACH = 4.0
"""Robust standard deviations from the middle of its stretch beyond which a day is drawn in."""
_FEWEST_NOW = 4
"""Fewer days than this have no scatter of their own."""
_MOST_FREEDOM = (30, 10)
"""Days before, and days of now, beyond which more do not make the scatter better known: days are
alike."""


def shift_since(
    days: Ints, values: Reals, since: float, monday: int, *, season: float, floor: float
) -> tuple[float, float]:
    """How far the week from ``monday`` on lies from the level before a change that is known.

    Parameters
    ----------
    days : array of int, shape (n,)
        Day ordinals, rising.
    values : array of float, shape (n,)
        One level a day; NaN is passed over.
    since : float
        Day of the change.
    monday : int
        First day of the week.
    season, floor : float
        As for :func:`seasoned_shift`.

    Returns
    -------
    shift, half : float
        Now less before, and half of the width of its 95 % interval.
    """
    known = np.isfinite(values)
    days, values = days[known], values[known]
    before, now = days < since, days >= max(monday, since)
    clear = days < since - _CREEP_DAYS
    if clear.sum() >= _FEWEST_CLEAR_DAYS:
        before = clear
    return seasoned_shift(
        days[before], values[before], days[now], values[now], season=season, floor=floor)


def seasoned_shift(
    before_days: Ints, before: Reals, now_days: Ints, now: Reals, *, season: float, floor: float,
    confidence: float = 0.95,
) -> tuple[float, float]:
    """How far the level now lies from the level before, the season taken out.

    Parameters
    ----------
    before_days, now_days : array of int, shape (n,) and (m,)
        Day ordinals, rising.
    before, now : array of float, shape (n,) and (m,)
        One level a day.
    season : float
        Standard deviation of the season over a year, in the unit of the levels.
    floor : float
        Least standard deviation of a day that is believed.
    confidence : float, default 0.95
        Of the interval.

    Returns
    -------
    shift, half : float
        Now less before, and half of the width of its interval.
    """
    late = before_days > before_days[-1] - _LONGEST_DAYS
    days = np.concatenate([before_days[late], now_days]).astype(np.float64)
    values = np.concatenate([_drawn_in(before[late]), _drawn_in(now)])
    is_now = np.arange(days.size) >= int(late.sum())
    apart = np.abs(np.subtract.outer(days, days))
    year = season**2 * np.cos(2 * np.pi * apart / DAYS_A_YEAR)
    design = np.column_stack([np.ones(days.size), is_now.astype(np.float64)])
    spread = max(robust_deviation(values[~is_now]), floor)
    memory = memory_of(values[~is_now])
    # Once with the season in the scatter, then with what is left when it is taken out.
    for last in (False, True):
        noise = spread**2 * memory**apart
        noise[np.diag_indices_from(noise)] += 1e-6 * spread**2
        weigh = np.linalg.inv(year + noise)
        covariance = np.linalg.inv(design.T @ weigh @ design)
        found = covariance @ design.T @ weigh @ values
        left = values - design @ found
        left = left - year @ weigh @ left
        if not last:
            spread = max(robust_deviation(left[~is_now]), floor)
            if (~is_now).sum() and is_now.sum() >= _FEWEST_NOW:
                spread = max(spread, 0.7 * robust_deviation(left[is_now]))
            memory = memory_of(left[~is_now])
    freedom = sum(min(int(part.sum()), most) / 2
                  for part, most in zip((~is_now, is_now), _MOST_FREEDOM, strict=True))
    quantile = float(special.stdtrit(max(freedom, 3.0), 0.5 + confidence / 2))
    return float(found[1]), quantile * float(np.sqrt(covariance[1, 1]))


def _drawn_in(values: Reals) -> Reals:
    middle, reach = float(np.median(values)), _REACH * robust_deviation(values)
    if reach <= 0:
        return values
    return np.asarray(np.clip(values, middle - reach, middle + reach))
