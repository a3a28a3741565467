"""What is not said of locks whose clock counts too coarsely, or whose two clocks wander."""

from __future__ import annotations

from collections.abc import Iterable

from remanence.analytics.drift.clock_course import (
    WANDERS_TO_ANSWER,
    WANDERS_TO_TIME,
    wandering_locks,
)
from remanence.analytics.history import History, once_per_history
from remanence.analytics.physics.clock_step import coarse_clocks
from remanence.shared.findings import Finding

TIMED = frozenset((
    "sticking-catch", "slow-drop", "weakening-hold", "loaded-catch", "stuck-energised", "hot-coil",
    "short-pulse", "contact-chatter", "coil-open", "coil-current-high", "coil-current-low",
    "self-cut-failed", "missing-suppression", "crossed-channels", "changed-unnamed", "supply-sag",
))
"""Conditions that rest on a latency, a pulse, or on which readings fall into a command."""

TIMED_BY_CONTACT = frozenset((
    "sticking-catch", "slow-drop", "weakening-hold", "loaded-catch", "short-pulse",
    "changed-unnamed",
))
"""Of these, those that rest on the time from the command, by one clock, to the contact, by another.
What the rail shows of an exit's cuts (``stuck-energised``) rests on one."""

ANSWERED = frozenset(("no-release", "not-reclosed", "opened-unpowered", "crossed-channels"))
"""Conditions that rest on whether a contact answers a command at all."""

RECENT_WEEKS = 4
"""Weeks whose commands tell of the clock: a controller's log is set up once (assumption)."""


@once_per_history
def coarse_locks(history: History) -> dict[str, float]:
    """Locks whose times cannot be measured, with their clock's step. [ms]"""
    rows = history.dated("actuations")
    magnets = [lock.id for lock in history.venue.locks if lock.is_magnet]
    return coarse_clocks(rows.filter(rows["weeks_ago"] < RECENT_WEEKS), magnets)


def measurable(found: Iterable[Finding], history: History) -> list[Finding]:
    """The findings without those that rest on what clocks are too coarse for, or too unsteady.

    Of a rail, part, controller or the venue they are left out where that holds of all its locks.
    """
    untimed = ((coarse_locks(history), TIMED),
               (wandering_locks(history, WANDERS_TO_TIME), TIMED_BY_CONTACT),
               (wandering_locks(history, WANDERS_TO_ANSWER), ANSWERED))
    locks = history.venue.locks

    def hidden(item: Finding) -> bool:
        own = [lock.id for lock in locks if item.subject in (
            lock.id, lock.supply, lock.part, lock.contact_controller)]
        return any(
            item.condition in conditions
            and all(lock in hard for lock in own or [lock.id for lock in locks])
            for hard, conditions in untimed if hard)

    return [item for item in found if not hidden(item)]
