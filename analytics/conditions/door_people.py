"""Doors that open later because people do: what a lock takes longer looks otherwise."""

from __future__ import annotations

import numpy as np

from remanence.analytics.conditions.exits import PEOPLE_MOST_MS
from remanence.analytics.drift.judge import LockDrift, drifts
from remanence.analytics.history import History, once_per_history

FEWEST_OPENINGS, QUICK_QUANTILE = 10, 0.15
"""The quantile of the quick openings, and the fewest that it is read from. Assumption."""

LOCK_MOVED_SHARE = 0.75
"""Share of what a door's median is later, in milliseconds, by which its quick openings must be:
the lock's part is all of it, people's about two fifths (calculated: log-normal, a spread of 0.5 to
0.7). Assumption."""

LOCK_MOST_MS = 500.0
"""A magnet with a diode lets go half a second after its cut at most (calculated from a textbook
model: 400 to 510 ms), so no lock makes all openings of a door later by more."""


def people_only(drift: LockDrift) -> bool:
    """Whether people alone may have made a door open later.

    What a lock takes longer comes on top of what people take, at each opening alike, and it is no
    more than a field takes to decay; a magnet that is stuck for seconds is so now and then. People
    who come later come later by the more, the later they came before.

    Parameters
    ----------
    drift : LockDrift
        Of a lock whose contact is on its door.

    Returns
    -------
    bool
    """
    days = drift.days
    onset = drift.fit.since if drift.fit else 0.0
    late = days.release_day >= onset
    before, after = days.latency_ms[~late], days.latency_ms[late]
    if min(before.size, after.size) < FEWEST_OPENINGS:
        return False
    quick, middle = (float(np.quantile(after, part) - np.quantile(before, part))
                     for part in (QUICK_QUANTILE, 0.5))
    return PEOPLE_MOST_MS > middle > LOCK_MOST_MS or bool(
        quick * np.sign(middle) < LOCK_MOVED_SHARE * abs(middle))


@once_per_history
def late_by_people(history: History) -> frozenset[str]:
    """Locks whose doors open later than they did, by what people alone may have made of it.

    Parameters
    ----------
    history : History
        ``actuations`` and the service log.

    Returns
    -------
    frozenset of str
        By lock.
    """
    return frozenset(
        name for name, drift in drifts(history).current.items()
        if drift.days.lock.latency_kind == "door" and drift.fit is not None
        and drift.fit.log_odds > 0 and drift.change > 0 and people_only(drift))
