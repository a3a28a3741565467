"""What is not said of locks whose clock counts too coarsely: what rests on a command's times."""

from __future__ import annotations

from collections.abc import Iterable

from remanence.analytics.history import History, once_per_history
from remanence.analytics.physics.clock_step import coarse_clocks
from remanence.shared.findings import Finding

TIMED = frozenset((
    "sticking-catch", "slow-drop", "weakening-hold", "loaded-catch", "stuck-energised", "hot-coil",
    "short-pulse", "contact-chatter", "coil-open", "coil-current-high", "self-cut-failed",
    "missing-suppression", "crossed-channels", "changed-unnamed", "supply-sag",
))
"""Conditions that rest on a latency, a pulse, or on which readings fall into a command."""

RECENT_WEEKS = 4
"""Weeks whose commands tell of the clock: a controller's log is set up once (assumption)."""


@once_per_history
def coarse_locks(history: History) -> dict[str, float]:
    """Locks whose times cannot be measured, with their clock's step. [ms]"""
    rows = history.dated("actuations")
    magnets = [lock.id for lock in history.venue.locks if lock.is_magnet]
    return coarse_clocks(rows.filter(rows["weeks_ago"] < RECENT_WEEKS), magnets)


def measurable(found: Iterable[Finding], history: History) -> list[Finding]:
    """The findings without those that rest on what a clock is too coarse for.

    Of a rail, a part or the venue they are left out where that holds of all its locks.
    """
    coarse = coarse_locks(history)
    if not coarse:
        return list(found)
    locks = history.venue.locks

    def hidden(item: Finding) -> bool:
        if item.condition not in TIMED:
            return False
        own = [lock.id for lock in locks if item.subject in (lock.id, lock.supply, lock.part)]
        return all(lock in coarse for lock in own or [lock.id for lock in locks])

    return [item for item in found if not hidden(item)]
