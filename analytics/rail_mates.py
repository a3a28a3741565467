"""What the locks of one rail show together, and what one of them shows beyond the others."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import date

import numpy as np

from analytics.conditions_slow import slow_modes
from analytics.drift import drifts
from analytics.evidence import finding
from analytics.history import History
from shared.findings import Evidence, Finding
from shared.venue import Lock

SLOW = ("sticking-catch", "no-release")
LEAST_MATES = 3
ALIKE_SHARE = 0.2
"""Where this share of a rail's other locks shows the same, it is the rail's doing."""


def beyond_rail(history: History, item: Finding, lock: Lock) -> bool:
    """Whether what is said of the lock goes beyond what its rail at fault does to all locks on it.

    A drift does where the rail's volts are known: they are allowed for in it, with
    all the uncertainty of this lock's answer to them. Releases that are slow or
    missing at times do unless other locks on the rail show the same.
    """
    own = drifts(history).current.get(lock.id)
    if item.extra.get("course") in ("step", "gradual"):
        return own is not None and float(own.days.volts_known.mean()) > 0.8
    modes = slow_modes(history)
    mates = [
        other.id for other in history.venue.locks_on(lock.supply)
        if other.id != lock.id and not other.is_magnet and other.id in drifts(history).current
    ]
    if len(mates) < LEAST_MATES:
        return False
    share = sum(mate in modes for mate in mates) / len(mates)
    return share < ALIKE_SHARE


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
            rail, "supply-sag", "week", 0.9 + 0.02 * min(len(names) - LEAST_MATES, 4), since=since,
            subject_kind="supply",
            since_low=date.fromordinal(dates[0]), since_high=date.fromordinal(dates[-1]),
            says=f"{len(names)} of the {len(tracked)} pulsed locks on {rail} have become slow "
                 "together; what they share is the rail and its feed.",
            evidence=[Evidence("median change of their latency", float(np.median(changes)), "%",
                               n=len(changes))] if changes else [],
            not_excluded=("low-supply", "a warm room"),
        ))
    return out
