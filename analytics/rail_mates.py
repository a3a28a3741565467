"""What the locks of one rail show together, and what one of them shows beyond the others."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import date

import numpy as np

from analytics.drift import LockDrift, drifts
from analytics.evidence import finding
from analytics.history import History
from shared.findings import Evidence, Finding
from shared.venue import Lock

SLOW = ("sticking-catch", "no-release")
LEAST_MATES = 3
BEYOND_MATES = 0.15
"""A change this much larger than the other locks' on the rail is the lock's own."""


def _mates(history: History, lock: Lock) -> list[LockDrift]:
    judged = drifts(history).current
    return [
        judged[other.id] for other in history.venue.locks_on(lock.supply)
        if other.id != lock.id and not other.is_magnet and other.id in judged
        and judged[other.id].fit is not None
    ]


def drift_beyond_mates(history: History, lock: Lock) -> bool:
    """Whether the lock has become so much slower than its rail's others that it has its own fault.

    Latches near their stall answer the same rail more strongly, so the
    comparison is with twice what the upper quarter of the others shows.
    """
    own = drifts(history).current.get(lock.id)
    mates = _mates(history, lock)
    if own is None or own.fit is None or len(mates) < LEAST_MATES:
        return False
    changes = np.array([mate.change if mate.stands else 0.0 for mate in mates])
    usual = max(float(np.percentile(changes, 75)), 0.0)
    return bool(own.stands and own.change_low > 2 * usual + BEYOND_MATES)


def shared_by_rail(found: Sequence[Finding], history: History) -> list[Finding]:
    """A rail whose locks have become slow together, where no finding of the rail says why.

    Its volts may not be logged, or be taken at the supply while the bad joint
    is in the feed.
    """
    told = {item.subject for item in found if item.subject_kind == "supply"}
    slow: dict[str, list[tuple[str, date]]] = defaultdict(list)
    for item in found:
        if item.condition in SLOW and item.since is not None and item.subject_kind == "lock":
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
        if rail in told or len(names) < LEAST_MATES or len(names) < 0.6 * len(tracked):
            continue
        if np.percentile(dates, 75) - np.percentile(dates, 25) > 21:
            continue
        changes = [100 * judged[name].change for name in names if name in judged]
        since = date.fromordinal(int(np.median(dates)))
        out.append(finding(
            rail, "supply-sag", "week", 0.85, since=since, subject_kind="supply",
            since_low=date.fromordinal(dates[0]), since_high=date.fromordinal(dates[-1]),
            says=f"{len(names)} of the {len(tracked)} pulsed locks on {rail} have become slow "
                 "together; what they share is the rail and its feed.",
            evidence=[Evidence("median change of their latency", float(np.median(changes)), "%",
                               n=len(changes))] if changes else [],
            not_excluded=("low-supply", "a warm room"),
        ))
    return out
