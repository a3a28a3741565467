"""What the locks of one rail show together, and what one of them shows beyond the others."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl

from remanence.analytics.conditions.slow_mode import slow_modes
from remanence.analytics.drift.judge import LockDrift, drifts
from remanence.analytics.drift.neighbours import LEAST_NEIGHBOURS
from remanence.analytics.history import History, actuations_by_lock
from remanence.analytics.physics.idle_volts import idle_volts
from remanence.analytics.physics.stall import stall_log_odds
from remanence.shared.findings import Finding
from remanence.shared.venue import Lock

ALIKE_SHARE = 0.3
"""Where this share of a rail's other locks shows the same, it is the rail's doing. (What most of
them show is allowed for before: a part of them may be of a weaker kind.)"""
LEAST_ALIKE_NEIGHBOURS = 2
"""However few they are, so many must show it: one alone may have a fault of its own."""
BESIDE_RAIL = 3.0
"""Natural log odds of a change that began with its rail's fault: what the rail does to all locks on
it is taken out, and still two faults at once are rarer than one."""
TOGETHER_DAYS = 21
"""Days between two onsets that may be one: each has an interval of a week or two (assumption)."""
VOLTS_TAKEN_OUT = 0.8
"""Share of days with known volts from which they are allowed for in one lock's course
(assumption)."""
BEYOND_TYPICAL = 2.0
"""How many times the neighbours' typical change a lock's own must surely be (assumption)."""
DAYS_AROUND_ONSET = 7
"""Days before a common onset that tell neither side: the locks' own onsets differ."""
FEWEST_DAYS_BEFORE = 3
"""Days on the side before that show what was usual (assumption)."""
SLOWER_ERRORS = 2.0
"""Standard errors by which a change must exceed the rail's (common practice: about 95 %)."""
SIDE_DAYS = 28
"""Days before an onset whose idle volts are a rail's usual ones (assumption)."""
LEAST_FALL = 0.05
"""Fall of a rail (natural log) that costs its magnets a tenth of their hold (calculated)."""
SOONER_BY_VOLTS = 1.5
"""By how many times the fall of its volts (natural log) a magnet lets go sooner at most: the field
decays to what no longer holds the sooner, the less it begins with. Assumption: half of it is usual,
near the least current that holds it is more."""
UNANSWERED_SURE = 0.9
SLOW_SURE = 0.998
"""Probabilities from which failures to release, and slow releases, are the lock's own. A low rail
makes releases straggle before it makes them fail: where none of the others fails,
failures need less proof of being the lock's own."""


def beyond_rail(history: History, item: Finding, lock: Lock, rail: Finding) -> bool:
    """Whether what is said of the lock goes beyond what its rail at fault does to all locks on it.

    A drift has the rail's volts allowed for already, where they are known, with all
    the uncertainty of this lock's answer to them. A change that begins with the
    rail's fault must be surer than any other; and where other locks on the rail show the same, it
    must be far larger than theirs.
    """
    judged = drifts(history).current
    own = _told_of(history, item)
    drifting = item.extra.get("course") in ("step", "gradual")
    if drifting and (own is None or float(own.days.volts_known.mean()) < VOLTS_TAKEN_OUT):
        return False
    together = _together(item.since, rail)
    if not together and (drifting or rail.condition != "battery-decline"):
        # A rail that failed once, weeks ago, has shown by now what it does to this lock.
        return True
    modes = slow_modes(history)
    neighbours = [
        judged[other.id] for other in history.venue.locks_on(lock.supply)
        if other.id != lock.id and not other.is_magnet and other.id in judged
    ]
    if len(neighbours) < LEAST_NEIGHBOURS:
        return False
    gate = history.venue.limits.drift_gate_percent / 100
    slower = [
        neighbour for neighbour in neighbours
        if neighbour.fit is not None and neighbour.fit.log_odds > 0 and neighbour.change > gate
        and _together(neighbour.since, rail)
    ]
    alike = {neighbour.lock for neighbour in slower}
    if not drifting:
        alike |= {neighbour.lock for neighbour in neighbours if neighbour.lock in modes}
    if len(alike) >= max(ALIKE_SHARE * len(neighbours), LEAST_ALIKE_NEIGHBOURS):
        if not drifting or own is None or not slower:
            return False
        typical = float(np.median([neighbour.change for neighbour in slower]))
        return own.seen_low > BEYOND_TYPICAL * typical
    if drifting:
        return own is not None and own.fit is not None and own.fit.log_odds > BESIDE_RAIL
    if item.condition == "no-release":
        return item.score > UNANSWERED_SURE and not _stalls(history, lock, rail)
    return item.score > SLOW_SURE


def _stalls(history: History, lock: Lock, rail: Finding) -> bool:
    """Whether the lock leaves commands unanswered where its rail's volts are too few for it.

    The heaviest load of a rail stalls first, and by itself.
    """
    rows = actuations_by_lock(history)[lock.id].filter(
        pl.col("volts_min").is_finite() & (pl.col("attempt").fill_null(1) == 1)
        & pl.col("outcome").is_in(["released", "no-release"]))
    if rail.since is not None:
        rows = rows.filter(pl.col("day") >= (rail.since_low or rail.since))
    if rows.is_empty():
        return False
    return stall_log_odds(rows["volts_min"].to_numpy() / lock.rated_volts,
                          (rows["outcome"] == "no-release").to_numpy()) > 0


def magnet_beyond_rail(history: History, item: Finding, lock: Lock) -> bool:
    """Whether a magnet holds worse, or lets go sooner, by more than its rail's fallen volts do.

    Its current goes with the volts, its hold with their square, and the time in which the field
    decays with their logarithm. Nothing else that is said of a magnet is the rail's doing.
    """
    own = _told_of(history, item)
    if item.condition != "weakening-hold" or item.since is None:
        return True
    days, volts = idle_volts(history)[lock.supply].daily()
    begun = item.since.toordinal()
    before, now = volts[days < begun - DAYS_AROUND_ONSET], volts[days > days.max(initial=0) - 7]
    if before.size < FEWEST_DAYS_BEFORE or not now.size:
        return True
    fall = float(np.log(np.median(before[-SIDE_DAYS:]) / np.median(now)))
    if item.extra.get("course") not in ("step", "gradual") or own is None or own.fit is None:
        return fall < LEAST_FALL
    return -own.fit.shift - SLOWER_ERRORS * own.fit.shift_deviation > SOONER_BY_VOLTS * fall


def _told_of(history: History, item: Finding) -> LockDrift | None:
    """The course that a lock's finding tells of: where work did not help, the one up to the work.

    The course since then begins with the fault and shows no change.
    """
    judged = drifts(history)
    outlasted = item.extra.get("service", {}).get("helped") is False
    return (judged.earlier if outlasted else judged.current).get(item.subject)


def _together(since: date | None, rail: Finding) -> bool:
    """Whether something began about when the rail failed; True where either is not known."""
    return since is None or rail.since is None or (
        abs((since - rail.since).days) <= TOGETHER_DAYS)
