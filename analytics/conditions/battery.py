"""battery-decline: a battery runs down towards what its locks need."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray
from scipy import special

from remanence.analytics.conditions.condition import Condition, finding
from remanence.analytics.conditions.supply import HELD_LESS
from remanence.analytics.history import History
from remanence.analytics.physics.idle_volts import idle_volts
from remanence.analytics.statistics.arrays import Flags, Reals
from remanence.analytics.statistics.change import SCORE_LIMITS, TAIL_DEGREES
from remanence.analytics.statistics.intervals import robust_deviation
from remanence.analytics.statistics.robust import theil_sen
from remanence.shared.findings import Amount, Evidence, Finding, say
from remanence.shared.venue import Supply

_CHARGE_DAYS = 28
"""Days that a battery's slope is taken from at most."""
_CHARGED = 0.02
"""A rise of the idle volts from one day to the next, as a share of rated, that is a charge or a new
battery (assumption)."""
_CHARGE_OVERDUE = 1.5
"""How many times its usual span a charge may be late before the battery is judged without it
(assumption)."""
_LEVEL_DAYS = 7
"""Last days whose median is how high a battery stands (assumption)."""
_FEWEST_BATTERY_DAYS = 5
"""Days that a battery's slope needs (assumption)."""
_SLOPE_CONFIDENCE = 0.99
"""Confidence of the slope's interval: a battery that does not run down is told once in 200."""
_STEP_OF_LOSS, _FEWEST_STEP_DAYS = 0.5, 6
"""Where one day took more than this share of all that was lost, the fall is a step and no running
down; fewer days than this do not tell the two apart (assumption)."""
_LEAST_LOST_VOLTS = 1e-9
"""Keeps a loss of nothing, or a gain, from being shared out; it decides nothing else."""
_LEAST_LOSS = 0.015
"""Least loss of the idle volts, as a share of rated, that is told as running down (assumption)."""
_CARRIED_ERRORS = 1.96 * 1.25 * 2
"""Half width of the interval of a battery's level, in standard deviations over root n: that of
95 %, for a median (root of pi / 2), and twice as much, since neighbouring days are alike
(assumption)."""
_LONGEST_FORECAST_DAYS = 3650
"""A later day than ten years on is no forecast; the date stays within the calendar."""
_EMPTY_WEEK_DAYS, _EMPTY_PLAN_DAYS = 10, 35
"""Days until a battery reaches the window's end for which it is changed this week, or planned for:
a week and a month, with some days to spare (assumption)."""
_ALIKE_DAYS = 2.0
"""How many times the slope's error its interval is wider for days that are not independent
(assumption, as for the level)."""


def battery_decline(history: History) -> list[Finding]:
    """Batteries whose idle volts run down towards what the locks need, with the day they reach it.

    The slope is Theil and Sen's over the days since the battery was last charged or
    changed (its volts jumped up), at most four weeks, with its distribution-free interval. One that
    has run down and stands below the window is told by the four weeks in which it fell most.
    """
    found = []
    for supply in history.venue.supplies:
        if supply.source != "battery":
            continue
        days, volts = idle_volts(history)[supply.id].daily()
        again = _days_between_charges(supply, days, volts)
        jumps = np.flatnonzero(np.diff(volts) > _CHARGED * supply.rated_volts)
        if jumps.size:
            days, volts = days[jumps[-1] + 1:], volts[jumps[-1] + 1:]
        if not days.size or days[-1] < history.week.monday.toordinal():
            continue
        since_charge = float(days[-1] - days[0]) + 1.0
        now = float(np.median(volts[days > days[-1] - _LEVEL_DAYS]))
        recent = days > history.week.sunday.toordinal() - _CHARGE_DAYS
        if now < history.venue.limits.supply_low_percent / 100 * supply.rated_volts:
            recent = _fell_most(days, volts)
        days, volts = days[recent], volts[recent]
        if days.size < _FEWEST_BATTERY_DAYS:
            continue
        for item in _running_down(history, supply, days, volts, now):
            left = item.evidence[-1].now
            if again is None or since_charge > _CHARGE_OVERDUE * again or (
                    left is not None and left < max(again - since_charge, 0.0)):
                found.append(item)
    return found


def _days_between_charges(
    supply: Supply, days: NDArray[np.int64], volts: Reals
) -> float | None:
    """Days between a battery's charges, by its habit; None where it was never charged.

    The first span counts too: from when the log began it has lasted at least so long.
    """
    charged = days[1:][np.diff(volts) > _CHARGED * supply.rated_volts]
    return float(np.median(np.diff(charged, prepend=days[0]))) if charged.size else None


def _fell_most(days: NDArray[np.int64], volts: Reals) -> Flags:
    """Which days are of the stretch of four weeks in which the volts fell most."""
    first = np.searchsorted(days, days - _CHARGE_DAYS, side="right")
    end = int(np.argmax(volts[first] - volts))
    out: Flags = (days > days[end] - _CHARGE_DAYS) & (days <= days[end])
    return out


def _running_down(
    history: History, supply: Supply, days: NDArray[np.int64], volts: Reals, now: float
) -> list[Finding]:
    slope, low, high = theil_sen(days, volts, _SLOPE_CONFIDENCE)
    lost = float(-slope * (days[-1] - days[0]))
    falls = -np.diff(volts)
    stepped = (days.size >= _FEWEST_STEP_DAYS
               and falls.max() > _STEP_OF_LOSS * max(lost, _LEAST_LOST_VOLTS))
    if high >= 0 or lost < _LEAST_LOSS * supply.rated_volts or stepped:
        return []
    limits = history.venue.limits
    need = limits.supply_low_percent / 100 * supply.rated_volts
    # The line's height at the last day, from the median of all points brought to that day.
    carried = volts + slope * (days[-1] - days)
    level = now if now < need else float(np.median(carried))
    unsure = _CARRIED_ERRORS * robust_deviation(carried) / np.sqrt(days.size)
    left = max(0.0, (level - need) / -slope)
    soonest = float(max(0.0, (level - unsure - need) / -low))
    latest = float(max(0.0, (level + unsure - need) / -high))
    empty = date.fromordinal(int(days[-1])) + timedelta(
        days=min(int(left), _LONGEST_FORECAST_DAYS))
    urgency = ("week" if left <= _EMPTY_WEEK_DAYS
               else "plan" if left <= _EMPTY_PLAN_DAYS else "watch")
    # That it lost more than half of what is told as running down, by the slope's own interval.
    error = _ALIKE_DAYS * (high - low) / 2 / float(special.ndtri((1 + _SLOPE_CONFIDENCE) / 2))
    least = _LEAST_LOSS * supply.rated_volts
    with np.errstate(divide="ignore"):  # Days that fall on one line: a slope without an error.
        beyond = np.divide(lost - least / 2, error * float(days[-1] - days[0]))
    score = float(np.clip(special.stdtr(TAIL_DEGREES, beyond), *SCORE_LIMITS))
    first = date.fromordinal(int(days[0]))
    return [finding(
        supply.id, "battery-decline", urgency, score,
        since=first, since_low=None, since_high=date.fromordinal(int(days[days.size // 2])),
        says=[
            say("battery-runs-down", fall=Amount(-1000 * slope, "mV per day"),
                volts=Amount(level, "V")),
            say("battery-reaches", least=Amount(need, "V"), day=empty) if left > 0
            else say("battery-under", least=Amount(need, "V")),
        ],
        evidence=[
            Evidence("idle-volts", level, "V", n=int(days.size), before=float(volts[0])),
            Evidence("fall-of-the-idle-volts", float(-1000 * slope), "mV per day",
                     n=int(days.size), now_low=float(-1000 * high), now_high=float(-1000 * low)),
            Evidence("days-until-the-window-s-lower-end", left, "days", n=int(days.size),
                     now_low=soonest, now_high=latest),
        ],
        not_excluded=("low-supply",), subject_kind="supply",
    )]


BATTERY_DECLINE = Condition(
    "battery-decline", (battery_decline,),
    ("idle-volts", "fall-of-the-idle-volts", "days-until-the-window-s-lower-end"),
    # A battery that runs down softens too.
    subject_kinds=("supply",), mechanisms=(), explains=("supply-sag",),
    explains_on_locks=HELD_LESS,
)
