"""What the locks of one rail show together, and what one of them shows beyond the others."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import date

import numpy as np

from remanence.analytics.conditions.condition import finding
from remanence.analytics.conditions.slow_mode import slow_modes
from remanence.analytics.drift.judge import LockDrift, drifts
from remanence.analytics.drift.neighbours import LEAST_NEIGHBOURS
from remanence.analytics.history import History
from remanence.analytics.physics.idle_volts import idle_volts
from remanence.shared.findings import Evidence, Finding, say
from remanence.shared.venue import Lock

SLOW = ("sticking-catch", "no-release")
ALIKE_SHARE = 0.3
"""Where this share of a rail's other locks shows the same, it is the rail's doing. (What most of
them show is allowed for before: a part of them may be of a weaker kind.)"""
LEAST_ALIKE_NEIGHBOURS = 2
"""However few they are, so many must show it: one alone may have a fault of its own."""
SHARED_SHARE = 0.7
"""Where so many of a rail's locks have become slower together, it is what they share."""
ALIKE_OF_TYPICAL = 0.25
"""Locks answer a failing rail each in its own way: so much of what is typical is the same."""
BESIDE_RAIL = 3.0
"""Natural log odds of a change that began with its rail's fault: what the rail does to all locks on
it is taken out, and still two faults at once are rarer than one."""
TOGETHER_DAYS = 21
"""Days between two onsets that may be one: each has an interval of a week or two (assumption)."""
VOLTS_TAKEN_OUT, VOLTS_LOGGED = 0.8, 0.5
"""Share of days with known volts from which they are allowed for in one lock's course, and from
which a rail's volts count as logged (assumption)."""
BEYOND_TYPICAL = 2.0
"""How many times the neighbours' typical change a lock's own must surely be (assumption)."""
DAYS_AROUND_ONSET = 7
"""Days before a common onset that tell neither side: the locks' own onsets differ."""
FEWEST_DAYS_BEFORE, FEWEST_DAYS_AFTER = 3, 2
"""Days on either side that show whether a lock became slower too (assumption)."""
SLOWER_ERRORS = 2.0
"""Standard errors by which it must be slower (common practice: about 95 %)."""
SIDE_DAYS = 28
"""Days before an onset whose idle volts are a rail's usual ones (assumption)."""
LEAST_FALL = 0.05
"""Fall of a rail (natural log) that costs its magnets a tenth of their hold (calculated)."""
SOONER_BY_VOLTS = 1.5
"""By how many times the fall of its volts (natural log) a magnet lets go sooner at most: the field
decays to what no longer holds the sooner, the less it begins with. Assumption: half of it is usual,
near the least current that holds it is more."""
FEWEST_NAMED = 2
"""Locks with a finding of their own before their rail is held to be the cause."""
SHARED_RAIL_SCORE, SCORE_A_LOCK, LOCKS_THAT_SCORE = 0.9, 0.02, 4
"""Probability that it is the rail's doing where the fewest locks show it, what each further lock
adds, and how many may add (assumption)."""
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
    own = judged.get(lock.id)
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
    return item.score > (UNANSWERED_SURE if item.condition == "no-release" else SLOW_SURE)


def magnet_beyond_rail(history: History, item: Finding, lock: Lock) -> bool:
    """Whether a magnet holds worse, or lets go sooner, by more than its rail's fallen volts do.

    Its current goes with the volts, its hold with their square, and the time in which the field
    decays with their logarithm. Nothing else that is said of a magnet is the rail's doing.
    """
    own = drifts(history).current.get(lock.id)
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


def _together(since: date | None, rail: Finding) -> bool:
    """Whether something began about when the rail failed; True where either is not known."""
    return since is None or rail.since is None or (
        abs((since - rail.since).days) <= TOGETHER_DAYS)


def _slower_since(drift: LockDrift, began: float, typical: float) -> bool:
    """Whether a lock too has become slower about that day, by a fair part of what is typical."""
    days = drift.days
    before, after = days.day < began - DAYS_AROUND_ONSET, days.day >= began
    if before.sum() < FEWEST_DAYS_BEFORE or after.sum() < FEWEST_DAYS_AFTER:
        return False
    low, high = (
        np.average(drift.residual[part], weights=days.releases[part]) for part in (before, after)
    )
    error = days.deviation * np.sqrt(
        1 / days.releases[before].sum() + 1 / days.releases[after].sum())
    return bool(high - low > max(SLOWER_ERRORS * error, ALIKE_OF_TYPICAL * np.log1p(typical)))


def shared_by_rail(found: Sequence[Finding], history: History) -> list[Finding]:
    """A rail whose locks have become slow together, where no finding of the rail says why.

    Its volts may not be logged, or be taken at the supply while the bad joint
    is in the feed.
    """
    told = {item.subject for item in found if item.subject_kind == "supply"}
    slow: dict[str, list[tuple[str, date]]] = defaultdict(list)
    for item in found:
        if (
            item.condition in SLOW and item.since is not None and item.subject_kind == "lock"
            and item.extra.get("course") in ("step", "gradual")
        ):
            lock = history.venue.locks_by_id[item.subject]
            if not lock.is_magnet:
                slow[lock.supply].append((item.subject, item.since))
    out = []
    judged = drifts(history).current
    for rail, entries in slow.items():
        tracked = [
            lock.id for lock in history.venue.locks_on(rail)
            if not lock.is_magnet and lock.id in judged and judged[lock.id].fit is not None
        ]
        names = sorted({name for name, _ in entries})
        dates = sorted(when.toordinal() for _, when in entries)
        if rail in told or len(names) < FEWEST_NAMED or len(tracked) < LEAST_NEIGHBOURS:
            continue
        began = float(np.median(dates)) - history.week.monday.toordinal()
        typical = float(np.median([judged[name].seen for name in names]))
        # Rail volts that are logged have been allowed for: then each must show by itself.
        known = [judged[name].days.volts_known.mean() for name in tracked]
        told_volts = np.mean(known) > VOLTS_LOGGED
        alike = [
            name for name in tracked
            if name in names or (not told_volts and _slower_since(judged[name], began, typical))
        ]
        if len(alike) < LEAST_NEIGHBOURS or len(alike) < SHARED_SHARE * len(tracked):
            continue
        names = sorted(set(names) | set(alike))
        changes = [100 * judged[name].change for name in names if name in judged]
        since = date.fromordinal(int(np.median(dates)))
        more = min(len(names) - LEAST_NEIGHBOURS, LOCKS_THAT_SCORE)
        out.append(finding(
            rail, "supply-sag", "week", SHARED_RAIL_SCORE + SCORE_A_LOCK * more,
            since=since, subject_kind="supply",
            since_low=date.fromordinal(dates[0]), since_high=date.fromordinal(dates[-1]),
            says=[say("slow-together", slow=len(names), total=len(tracked))],
            evidence=[Evidence("median-change-of-their-latency", float(np.median(changes)), "%",
                               n=len(changes))] if changes else [],
            not_excluded=("low-supply", "a-warm-room"),
        ))
    return out
