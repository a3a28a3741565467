"""What locks have in common: the season, the wander of days, the size of scatter.

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
from remanence.analytics.statistics.intervals import MEDIAN_ERROR, MEDIAN_SQUARE, robust_deviation
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

PRIOR_WANDER = 0.015
PRIOR_SLOW_WANDER = 0.008
PRIOR_MEMORY_DAYS = 3.0
"""What a lock's latency wanders by from day to day, what it wanders by over weeks, and how long
it remembers. Assumptions, drawn from the between-week scatter of 1 to 3 % that is common; the
venue's own locks soon outweigh them."""

PRIOR_SPREADS = (0.8, 0.8, 0.5)
"""Standard deviations of the natural logs of those three (assumption)."""
LAGS_DAYS = (1, 2, 3, 5, 7, 10, 14, 21, 28)
"""Lags of the variogram: days near each other tell the memory, weeks the slower wander."""
FEWEST_LAG_PAIRS = 10
"""Pairs of days of a lock that a lag needs for a median (assumption)."""
DAILY_GRID = tuple(np.geomspace(0.004, 0.08, 16))
MEMORY_GRID_DAYS = (0.7, 1.5, 3.0, 6.0, 12.0)
SLOW_GRID = (0.004, 0.008, 0.012, 0.018, 0.025, 0.035, 0.05)
"""Daily wander, memory and slower wander that are tried: from what no log can show to more than any
sound lock was supposed to have, in steps finer than the data tell apart (assumption)."""
LAG_WEIGHT = 0.5
"""Weight of each lag: neighbouring lags share their days (assumption)."""
MODEL_ERROR = 0.25
"""How far off the variogram's form may itself be, as a share of it (assumption)."""
LEAST_WANDER_ERROR, ONE_LOCK_ERROR = 3e-5, 3e-4
"""Least standard error of a median of squared wander, and what one lock by itself may be off by,
shared among their number (assumption)."""


@dataclass(frozen=True)
class Wander:
    """Standard deviations of a group's daily wander and slower wander, and the memory."""

    daily: float
    memory_days: float
    slow: float


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


def wander_of(every: Sequence[tuple[LockDays, Reals]]) -> Wander:
    """How far healthy days wander and how long they remember it, pooled over locks.

    From the variogram of the daily levels at lags of one day to four weeks:
    half the squared difference, its median over pairs and locks, less what the
    scatter of single releases accounts for. A change that comes once leaves
    most differences as they are.

    Parameters
    ----------
    every : sequence of (LockDays, array)
        Each lock with its daily level after everything known is taken out; NaN on days that
        are not to count.
    """
    lags = np.array(LAGS_DAYS)
    excess: list[list[float]] = [[] for _ in lags]
    for days, residual in every:
        noise = days.noise
        for place, lag in enumerate(lags):
            partner = np.searchsorted(days.day, days.day + lag)
            valid = partner < days.day.size
            valid[valid] = days.day[partner[valid]] == days.day[valid] + lag
            first, second = np.flatnonzero(valid), partner[valid]
            known_pairs = np.isfinite(residual[first]) & np.isfinite(residual[second])
            first, second = first[known_pairs], second[known_pairs]
            if first.size < FEWEST_LAG_PAIRS:
                continue
            expected = noise[first] + noise[second]
            squared = (residual[second] - residual[first]) ** 2
            # Each pair's squared difference over its own noise is on average 1 + wander / noise.
            scale = float(np.median(squared / expected)) / MEDIAN_SQUARE
            excess[place].append((scale - 1.0) * float(np.median(expected)) / 2)
    known = [
        (lag, float(np.median(e)), _error(e)) for lag, e in zip(lags, excess, strict=True) if e
    ]
    grid = np.array([
        (daily, memory, slow)
        for daily in DAILY_GRID
        for memory in MEMORY_GRID_DAYS
        for slow in SLOW_GRID
    ])
    # Pulled towards what is usual; without data the answer is the prior itself.
    prior = np.array([PRIOR_WANDER, PRIOR_MEMORY_DAYS, PRIOR_SLOW_WANDER])
    misfit = ((np.log(grid / prior) / np.array(PRIOR_SPREADS)) ** 2).sum(axis=1)
    for lag, found, error in known:
        expected = grid[:, 0] ** 2 * (1 - np.exp(-lag / grid[:, 1])) + grid[:, 2] ** 2 * (
            1 - np.exp(-lag / SLOW_MEMORY_DAYS)
        )
        unsure = error**2 + (MODEL_ERROR * expected) ** 2
        misfit = misfit + LAG_WEIGHT * (expected - found) ** 2 / unsure
    daily, memory, slow = grid[int(np.argmin(misfit))]
    return Wander(float(daily), float(memory), float(slow))


def _error(values: list[float]) -> float:
    """Standard error of their median, never below what one lock could be off by."""
    spread = robust_deviation(np.array(values))
    error = max(MEDIAN_ERROR * spread / np.sqrt(len(values)), LEAST_WANDER_ERROR)
    return float(error + ONE_LOCK_ERROR / len(values))
