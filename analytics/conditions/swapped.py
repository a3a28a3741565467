"""Two locks that changed places: what each shows since a day is what the other showed before it.

That is asked of all that a lock shows at once: its time to release, what it takes off the rail, the
bounce of its feedback switch. Each figure of each lock is held against two stories, that the lock
stayed where it was and that it is the other one; the sum over both locks decides, so that one lock
which became like another, while that one stayed as it was, has not changed places with it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from itertools import combinations

import numpy as np
import polars as pl
from scipy import special

from remanence.analytics.drift.judge import drifts
from remanence.analytics.history import (
    History,
    day_ordinals,
    family,
    once_per_history,
    per_lock,
    service_of,
)
from remanence.analytics.physics.regimes import Regime
from remanence.analytics.statistics.arrays import Ints, Reals
from remanence.analytics.statistics.medians import median
from remanence.shared.tables import BASELINE_ACTIONS

BEFORE_DAYS, NOW_DAYS = 35, 35
"""Days on either side of a day that show how a lock was and is (assumption)."""
FEWEST = 5
"""Readings on either side that show it (common practice, no source)."""
RECENT_DAYS = 84
"""Days back for which it is asked: a later finding is held against what came since (assumption)."""
EVERY_DAYS = 2
"""So many days apart are the days of which it is asked: no finding is dated more closely."""
CLIP = 0.5
"""Single readings count as no further than this (natural log) from a lock's median: stragglers."""
MEDIAN_VARIANCE = np.pi / 2
"""Variance of a median over that of a mean of as many normal readings (textbook)."""
WANDER = {"latency_ms": 0.03, "sag_volts": 0.02, "bounces": 0.1, "settle_ms": 0.15}
"""The figures, and how far each wanders over some weeks while nothing happens (standard deviation,
natural log; of bounces and settling that of the value plus one). Assumption."""
LEAST_LOG_ODDS = 5.0
"""Natural log of the likelihood ratio from which two have changed places: a hundred and fifty
times likelier than that both stayed. Assumption."""
LEAST_EACH = 1.0
"""What each of the two must add to it: one that stayed as it was did not change places."""
STEP_LIKELIER = 0.5
"""A change is a leap where a step is likelier than a slope (calculated: even odds)."""
LEAST_FIT = 0.01
"""Where chance alone would put the worst of the figures so far off less often than this, it is not
that lock (common practice)."""
ENTERED_DAYS = 14
"""Work entered within so many days of it is what changed a lock (assumption)."""
ABOUT_DAYS = 7
"""Days that a lock's own leap may lie off the day on which two changed places: the one is dated by
every day, the other by weeks on either side (assumption)."""


@dataclass(frozen=True)
class Swap:
    """Two locks that changed places, and the first day on which they had."""

    locks: tuple[str, str]
    day: date


@dataclass(frozen=True)
class _Side:
    """Levels and their variances, of locks x days x figures; NaN where too few readings tell."""

    mean: Reals
    variance: Reals


@once_per_history
def swaps(history: History) -> tuple[Swap, ...]:
    """Pairs of siblings on one rail that changed places in the last weeks; worked out once.

    Parameters
    ----------
    history : History
        ``actuations``, ``contact_changes`` and the service log are used.

    Returns
    -------
    tuple of Swap
        The surest first; a lock is in one of them at most.
    """
    locks = [lock for lock in history.venue.locks if lock.latency_kind]
    pairs = [(a, b) for a, b in combinations(range(len(locks)), 2)
             if locks[a].supply == locks[b].supply and family(locks[a]) == family(locks[b])]
    if not pairs:
        return ()
    last = history.week.sunday.toordinal()
    days = np.arange(last - RECENT_DAYS, last + 1, EVERY_DAYS, dtype=np.int64)
    before, now = _sides(history, [lock.id for lock in locks], days)
    found = []
    for a, b in pairs:
        odds, fit = _weighed(before, now, a, b)
        sure = np.where(fit >= LEAST_FIT, odds, -np.inf)
        best = int(np.argmax(sure))
        swap = Swap((locks[a].id, locks[b].id), date.fromordinal(int(days[best])))
        if (sure[best] >= LEAST_LOG_ODDS and not _worked_on(history, swap)
                and all(_leapt_then(history, name, swap.day) for name in swap.locks)):
            found.append((float(sure[best]), swap))
    taken: set[str] = set()
    out = []
    for _, swap in sorted(found, key=lambda item: -item[0]):
        if not taken & set(swap.locks):
            taken |= set(swap.locks)
            out.append(swap)
    return tuple(out)


def swap_of(history: History, lock: str) -> Swap | None:
    """The swap that a lock is in; None where there is none."""
    return next((swap for swap in swaps(history) if lock in swap.locks), None)


def swap_notes(history: History) -> list[Regime]:
    """Pairs that changed places in the last two weeks, as notes: no fault of either lock."""
    since = history.week.monday - timedelta(days=7)
    return [Regime("lock", " / ".join(swap.locks), "place", swap.day, history.week.sunday, 1.0, 0.0)
            for swap in swaps(history) if swap.day >= since]


def _worked_on(history: History, swap: Swap) -> bool:
    near = timedelta(days=ENTERED_DAYS)
    return any(action in BASELINE_ACTIONS and abs(day - swap.day) <= near
               for lock in swap.locks for day, action in service_of(history).get(lock, ()))


def _leapt_then(history: History, name: str, day: date) -> bool:
    """Whether a lock's time to release may have leapt on that day.

    A change that surely began on another, or that came bit by bit, is its own. One whose time did
    not change may have changed places all the same.
    """
    drift = drifts(history).current.get(name)
    if drift is None or drift.fit is None or drift.fit.log_odds <= 0:
        return True
    low, high = drift.since_low or drift.since, drift.since_high or drift.since
    about = timedelta(days=ABOUT_DAYS)
    return low is None or high is None or (
        drift.fit.step_share > STEP_LIKELIER and low - about <= day <= high + about)


def _weighed(before: _Side, now: _Side, a: int, b: int) -> tuple[Reals, Reals]:
    """For each day the log odds that two locks changed places on it, and how well that fits."""
    gains, worst, known = [], np.zeros(before.mean.shape[1]), np.zeros(before.mean.shape[1])
    for one, other in ((a, b), (b, a)):
        own = (now.mean[one] - before.mean[one]) ** 2 / (now.variance[one] + before.variance[one])
        like = (now.mean[one] - before.mean[other]) ** 2 / (
            now.variance[one] + before.variance[other])
        told = np.isfinite(own) & np.isfinite(like)
        gains.append(0.5 * np.where(told, own - like, 0.0).sum(axis=1))
        worst = np.maximum(worst, np.where(told, like, 0.0).max(axis=1))
        known += told.sum(axis=1)
    # Of so many figures one is the furthest off (Bonferroni).
    fit: Reals = known * special.chdtrc(1.0, worst)
    each = np.minimum(*gains) >= LEAST_EACH
    return np.where(each, gains[0] + gains[1], -np.inf), fit


def _sides(history: History, locks: list[str], days: Ints) -> tuple[_Side, _Side]:
    """What each lock showed before each day and from it on."""
    shape = (len(locks), days.size, len(WANDER))
    before = _Side(np.full(shape, np.nan), np.full(shape, np.inf))
    now = _Side(np.full(shape, np.nan), np.full(shape, np.inf))
    # (Slices of the tables: hundreds of locks have no memory for copies of their rows.)
    actuations, movements = per_lock(history.dated("actuations")), per_lock(
        history.dated("contact_changes"))
    for place, (figure, wander) in enumerate(WANDER.items()):
        counts = figure in ("bounces", "settle_ms")
        parts = movements if counts else actuations
        for row, name in enumerate(locks):
            if name not in parts:
                continue
            value = parts[name][figure].cast(pl.Float64).to_numpy()
            kept = np.isfinite(value) & (value >= 0 if counts else value > 0)
            if not counts:
                kept &= (parts[name]["outcome"] == "released").to_numpy()
            if not kept.any():
                continue
            value = np.log1p(value[kept]) if counts else np.log(value[kept])
            if not counts:
                middle = float(np.median(value))
                value = np.clip(value, middle - CLIP, middle + CLIP)
            day = day_ordinals(parts[name]["day"])[kept]
            for side, first, until in (
                (before, days - BEFORE_DAYS, days), (now, days, days + NOW_DAYS)):
                side.mean[row, :, place], side.variance[row, :, place] = _levels(
                    day, value, first, until, wander, middle=not counts)
    return before, now


def _levels(
    day: Ints, value: Reals, first: Ints, until: Ints, wander: float, *, middle: bool
) -> tuple[Reals, Reals]:
    """Levels over the days from ``first`` to before ``until``, and their variances.

    ``middle`` takes medians: a lock that is slow at times has the level of its quick releases.
    """
    order = np.argsort(day, kind="stable")
    day, value = day[order], value[order]
    low, high = np.searchsorted(day, first), np.searchsorted(day, until)
    count = (high - low).astype(float)
    sums, squares = (np.concatenate([[0.0], np.cumsum(part)]) for part in (value, value**2))
    with np.errstate(invalid="ignore", divide="ignore"):
        level = (sums[high] - sums[low]) / count
        spread = np.maximum((squares[high] - squares[low]) / count - level**2, 0.0)
        variance = (spread + wander**2) / np.maximum(count - 1.0, 1.0)
    enough = count >= FEWEST
    if middle:
        variance *= MEDIAN_VARIANCE
        for at in np.flatnonzero(enough):
            level[at] = median(value[low[at]:high[at]])
    return np.where(enough, level, np.nan), np.where(enough, variance + wander**2, np.inf)
