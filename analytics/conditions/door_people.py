"""Doors that open later because people do: what a lock takes longer looks otherwise."""

from __future__ import annotations

import numpy as np

from remanence.analytics.conditions.exits import PEOPLE_MOST_MS
from remanence.analytics.drift.judge import LockDrift, drifts
from remanence.analytics.history import History, once_per_history

FEWEST_OPENINGS = 10
"""Fewer openings than this, before or since, show no quantiles. Assumption."""

PARTS = (0.05, 0.15, 0.3, 0.5, 0.65, 0.8)
"""Quantiles of the openings that are compared; those that come later yet may be a door that jams
now and then."""

PEOPLE_SHARE = 0.5
"""Half way from a lock that takes longer, which spreads the openings no further, to people who take
longer, which spreads them as much (calculated: of people who take 1.3 to 1.5 times as long 72 to
99 % are told as such, of locks that take 0.14 s to 0.25 s longer 4 to 29 %)."""

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
    was, now = np.quantile(before, PARTS), np.quantile(after, PARTS)
    middle = float(np.median(after) - np.median(before))
    # What the lock's own part leaves of an opening is people's: it spreads as they come later.
    people = float(np.median(before) - min(before.min(), LOCK_MOST_MS))
    wider = float(np.polyfit(was, now, 1)[0]) - 1.0
    return PEOPLE_MOST_MS > middle > LOCK_MOST_MS or bool(
        wider * people * np.sign(middle) > PEOPLE_SHARE * abs(middle))


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
