"""What locks have in common: how they answer to volts, the size of their scatter.

Everything here is a median over locks, so that a faulty minority does not
move it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from remanence.analytics.drift.change_model import SLOW_MEMORY_DAYS
from remanence.analytics.drift.daily_series import LockDays
from remanence.analytics.history import family
from remanence.analytics.statistics.arrays import Reals
from remanence.shared.venue import Lock

VOLTS_EXPONENT = -2.0
VOLTS_EXPONENT_DEVIATION = 2.5
"""Latency of a latch goes with volts to this power (calculated from a solenoid model: -2 near
rated volts, -5 and steeper near the stall); a release by cutting the current does not depend on
volts."""

VOLTS_BEND = 6.0
VOLTS_BEND_DEVIATION = 6.0
"""The power itself steepens as volts fall: the square of the logarithm of volts counts this much
(calculated from the same model: 5 with the coil at 20 degrees, 13 and more at 40)."""

VOLTS_STALL = 200.0
"""Near its stall a latch answers as no power of volts does, and each lock stalls elsewhere: a
curve of unknown shape that leaves 1 % open at 5 % under rated volts, 20 % at 11 %, and more than
a doubling at 17 % (the same model stalls at 77 % of rated volts cold, at 88 % warm)."""

OTHERS_DEVIATION = 0.02
"""How far one more lock on the rail may move a latency, where volts do not show it."""

SEASON_GAIN_AT_LOW = 20.0
"""The same gain grows by this for each unit that log volts are under rated (standard deviation): at
10 % under rated volts a season may act three times as strongly (same model)."""

WANDER_AT_LOW = 60.0
"""A catch's friction counts for more, the nearer to its stall the coil pulls: the wander of days
grows by this times the square of log volts under rated (same model, 4 N of side load)."""

SEASON_GAIN_DEVIATION = {"pulsed": 1.0, "held": 0.5}
"""A lock answers a season this much more or less than its siblings do (share): a latch that works
near its stall answers several times as much, by the same model."""

WARMTH_SHARE_PER_KELVIN = 0.007
WARMTH_DEVIATION = 0.004
"""A latch gets slower by this share per kelvin of its coil (calculated, same model)."""

USUAL_VOLTS = 0.03
"""Natural log: days with volts so near the lock's usual ones tell what it wanders by itself."""

UNKNOWN_SCATTER = 0.10
"""Scatter of a family's releases (natural log) where none of its locks shows one (common practice:
3 to 12 %)."""
RELEASES_A_WEEK, MOST_WEIGHT_WEEKS = 10.0, 60.0
"""Releases that weigh as a week of a lock's own scatter, and the most weeks that count: older ones
say less of the lock as it is (assumption)."""
LEAST_SHARED_SCATTER = 0.01
"""Least scatter of a lock's releases (natural log) after the sharing (assumption)."""
SIBLING_WEIGHT = 12.0
"""Weeks' worth of say that the family's scatter has beside the lock's own."""

@dataclass(frozen=True)
class Wander:
    """Standard deviations of a daily wander and a slower one (natural log), and their memories."""

    daily: float
    memory_days: float
    slow: float
    slow_memory_days: float = SLOW_MEMORY_DAYS


def group_of(lock: Lock) -> str:
    """Locks that volts and warmth act on alike.

    ``pulsed``: the coil must first be energised, which takes volts. ``held``:
    current is cut, and decays by itself, whatever the rail.
    """
    return "pulsed" if lock.pulsed else "held"


def usual_volts(days: LockDays) -> np.ndarray:
    """Which days had the volts that this lock is used to; all of them where volts do not matter."""
    near: np.ndarray = np.abs(days.log_volts - np.median(days.log_volts)) < USUAL_VOLTS
    return near if days.lock.pulsed else np.ones(days.day.size, dtype=bool)


def explained(days: LockDays) -> Reals:
    """What volts and warmth explain of each day's level against rated volts, by physical slopes."""
    if not days.lock.pulsed:
        return np.zeros(days.day.size)
    volts = days.log_volts - days.rated_log_volts
    warmth = days.warmth_kelvin - np.median(days.warmth_kelvin)
    out: Reals = (
        VOLTS_EXPONENT * volts + VOLTS_BEND * volts**2 + WARMTH_SHARE_PER_KELVIN * warmth
    )
    return out


def share_scatter(every: Sequence[LockDays]) -> list[LockDays]:
    """Each lock's scatter, drawn towards its family's: short pasts say little of their own."""
    fleet: dict[str, float] = {}
    for name in {family(days.lock) for days in every}:
        own = [d.deviation for d in every if family(d.lock) == name and np.isfinite(d.deviation)]
        fleet[name] = float(np.median(own)) if own else UNKNOWN_SCATTER
    out = []
    for days in every:
        weeks = min(days.time_s.size / RELEASES_A_WEEK, MOST_WEIGHT_WEEKS)
        # Uniform within a poll, whose variance is a twelfth.
        floor = days.resolution_ms / days.reference_ms / np.sqrt(12)
        common = fleet[family(days.lock)]
        own_deviation = days.deviation if np.isfinite(days.deviation) else common
        variance = (weeks * own_deviation**2 + SIBLING_WEIGHT * common**2) / (
            weeks + SIBLING_WEIGHT
        )
        shared = max(np.sqrt(variance), floor, LEAST_SHARED_SCATTER)
        out.append(replace(days, deviation=float(shared)))
    return out
