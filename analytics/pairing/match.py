"""Which contact movement answers which command: windows, movements, outcomes.

Everything here is arrays over all locks at once (see :mod:`remanence.analytics.pairing.edges`);
the meaning of each column stands in :mod:`remanence.analytics.pairing.rules`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from remanence.analytics.pairing.edges import EARLY, NEVER, Edges, Flags, Ints, Keys, segment_starts
from remanence.analytics.pairing.setup import (
    ALREADY_OPEN,
    LEARNED,
    NO_CONTACT,
    NO_RELEASE,
    RELEASED,
    UNLEARNED,
    UNOBSERVED,
    Setup,
)


@dataclass(frozen=True)
class Breaks:
    """Where controllers' logs break off: ``last`` record before, ``first`` of the next run after.

    The end of all records is a break whose ``first`` is NEVER. Sorted by controller, then time.
    """

    controller: Ints
    last: Ints
    first: Ints


@dataclass(frozen=True)
class Before:
    """What happened to each lock before the edges at hand; arrays of shape (n_locks,)."""

    contact_open: Flags
    contact_since: Ints
    """First contact record of all; NEVER if none yet."""
    command: Ints
    """The last releasing command; EARLY if none."""
    outcome: Ints
    attempt: Ints
    opened: Flags
    """Whether it opened since that command's window closed."""

    @classmethod
    def nothing(cls, size: int) -> Before:
        """At the start of all records."""
        return cls(
            np.zeros(size, np.bool_), np.full(size, NEVER), np.full(size, EARLY),
            np.full(size, UNOBSERVED), np.zeros(size, np.int64), np.zeros(size, np.bool_),
        )


@dataclass(frozen=True)
class Commands:
    """One releasing command a row, sorted by lock and time. Times in microseconds."""

    lock: Ints
    start: Ints
    end: Ints
    """The transition back; NEVER while it lasts."""
    following: Ints
    """The lock's next releasing edge; NEVER if none."""
    natural: Ints
    """When the wait would end if the log did not break off."""
    wait_end: Ints
    undecided: Flags
    """Whether the log's end cut the wait short: a later record may show that it went on."""
    outcome: Ints
    release: Ints
    """First edge of the release; NEVER unless released."""
    release_movement: Ints
    """Which movement; -1 unless released."""
    relock: Ints
    """First edge that shows it locked again before the next command; NEVER if none."""
    relock_movement: Ints
    contact_edges: Ints
    attempt: Ints
    linked: Flags

    @property
    def size(self) -> int:
        """How many."""
        return int(self.start.size)


@dataclass(frozen=True)
class Movements:
    """One contact movement a row: edges each within the settling time of the one before."""

    lock: Ints
    first: Ints
    last: Ints
    edges: Ints
    open_before: Flags
    open_after: Flags
    command: Ints
    """Row of the lock's last releasing command at or before its first edge; -1 if none."""
    commanded: Flags
    """Within the wait of that command."""
    opening: Flags
    """Opened with no releasing command."""
    closed_by: Ints
    """For those that open: the next movement of the lock that locks it; -1 if none."""


def windows(
    setup: Setup, commands: Edges, contacts: Edges, breaks: Breaks, before: Before
) -> tuple[Commands, Movements]:
    """Pair commands with contact movements.

    Parameters
    ----------
    setup : Setup
        The locks.
    commands : Edges
        ``on`` is true where the lock's command turns to releasing. Each lock's
        edges alternate and begin with a releasing one.
    contacts : Edges
        ``on`` is true where the contact turns to showing open.
    breaks : Breaks
        Where logs break off.
    before : Before
        What went before these edges.

    Returns
    -------
    Commands, Movements
    """
    keys = Keys.over(commands.time, contacts.time)
    rows = np.flatnonzero(commands.on)
    lock, start = commands.lock[rows], commands.time[rows]
    end = _later(commands, rows, 1)
    following = _later(commands, rows, 2)
    coast = setup.coast_us[lock]
    natural = np.minimum(following, np.where(end == NEVER, NEVER, end + coast))
    limit, resumed = _broken_off_at(setup, breaks, lock, start)
    wait_end = np.minimum(natural, np.maximum(limit, start))
    broke_off = limit < natural

    start_key = keys.of(lock, start)
    movements = _movements(setup, keys, contacts, start_key, before)
    opens = np.flatnonzero(movements.open_after & ~movements.open_before)
    shuts = np.flatnonzero(~movements.open_after & movements.open_before)
    first_key = keys.of(movements.lock, movements.first)

    # The release: the first movement that settles open, begun within the wait.
    found = _first_from(first_key[opens], start_key, opens, "left")
    when = np.where(found >= 0, _at(movements.first, found, NEVER), NEVER)
    there = (found >= 0) & (_at(movements.lock, found, -1) == lock)
    there &= (when <= wait_end) & (when < following)

    contact_key = keys.of(contacts.lock, contacts.time)
    place = np.searchsorted(contact_key, start_key, "left")
    previous = place - 1
    known = (previous >= 0) & (_at(contacts.lock, previous, -1) == lock)
    was_open = np.where(known, _at(contacts.on, previous, False), before.contact_open[lock])

    kind = setup.contact_kind[lock]
    seen = (kind != NO_CONTACT) & (kind != UNLEARNED)
    seen &= (kind != LEARNED) | (before.contact_since[lock] <= wait_end)
    released = seen & ~was_open & there
    outcome = np.full(lock.size, NO_RELEASE)
    outcome[broke_off & (wait_end == start)] = UNOBSERVED
    outcome[released] = RELEASED
    outcome[seen & was_open] = ALREADY_OPEN
    outcome[~seen] = UNOBSERVED
    release = np.where(released, when, NEVER)
    release_movement = np.where(released, found, -1)

    again = _first_from(first_key[shuts], keys.of(lock, release), shuts, "left")
    shut_at = np.where(again >= 0, _at(movements.first, again, NEVER), NEVER)
    locks_again = released & (_at(movements.lock, again, -1) == lock) & (shut_at < following)

    wait_key = keys.of(lock, wait_end)
    stop = np.where(
        wait_end == following,
        np.searchsorted(contact_key, wait_key, "left"),
        np.searchsorted(contact_key, wait_key, "right"),
    )
    contact_edges = np.where(seen, np.maximum(stop - place, 0), 0)

    linked, attempt = _attempts(
        setup, lock, start, wait_end, outcome, keys, first_key[opens], before
    )
    paired = Commands(
        lock, start, end, following, natural, wait_end, broke_off & (resumed == NEVER), outcome,
        release,
        release_movement, np.where(locks_again, shut_at, NEVER),
        np.where(locks_again, again, -1), contact_edges, attempt, linked,
    )
    return paired, _judged(movements, paired, opens, shuts, first_key, start_key)


def _at(values: np.ndarray, index: Ints, missing: int | bool) -> np.ndarray:
    """values[index], with ``missing`` where the index is negative."""
    if not values.size:
        return np.full(index.size, missing, values.dtype)
    return np.where(index >= 0, values[np.maximum(index, 0)], missing)


def _later(edges: Edges, rows: Ints, steps: int) -> Ints:
    """Time of the edge ``steps`` further on of the same lock; NEVER where there is none."""
    index = rows + steps
    inside = index < edges.size
    index = np.where(inside, index, 0)
    same = inside & (edges.lock[index] == edges.lock[rows])
    return np.where(same, edges.time[index], NEVER)


def _first_from(sorted_keys: Ints, wanted: Ints, index: Ints, side: str) -> Ints:
    """The first of ``index`` (whose keys are sorted) at or after each wanted key; -1 if none."""
    place = np.searchsorted(sorted_keys, wanted, side)  # type: ignore[call-overload]
    if not index.size:
        return np.full(wanted.size, -1)
    return np.where(place < index.size, index[np.minimum(place, index.size - 1)], -1)


def _broken_off_at(setup: Setup, breaks: Breaks, lock: Ints, start: Ints) -> tuple[Ints, Ints]:
    """Last record of the lock's controller before its log next breaks off, and the first after.

    Looked for from ``start`` on. EARLY and NEVER where the controller has no record at all.
    """
    if not breaks.controller.size:
        return np.full(lock.size, EARLY), np.full(lock.size, NEVER)
    controller = setup.controller[lock]
    keys = Keys.over(breaks.first[breaks.first != NEVER], start)
    place = np.searchsorted(
        keys.of(breaks.controller, breaks.first), keys.of(controller, start), "right"
    )
    inside = place < breaks.controller.size
    place = np.where(inside, place, 0)
    there = inside & (breaks.controller[place] == controller)
    return np.where(there, breaks.last[place], EARLY), np.where(there, breaks.first[place], NEVER)


def _movements(
    setup: Setup, keys: Keys, contacts: Edges, start_key: Ints, before: Before
) -> Movements:
    """Chains of contact edges; a releasing command between two edges parts them too."""
    lock, time = contacts.lock, contacts.time
    command = np.searchsorted(start_key, keys.of(lock, time), "right") - 1
    new = segment_starts(lock)
    new[1:] |= (time[1:] - time[:-1] > setup.settle_us) | (command[1:] != command[:-1])
    at = np.flatnonzero(new)
    edges = np.diff(np.append(at, time.size))
    last = at + edges - 1
    nothing = np.zeros(at.size, np.bool_)
    return Movements(
        lock[at], time[at], time[last], edges, ~contacts.on[at], contacts.on[last],
        command[at], nothing, nothing, np.full(at.size, -1),
    )


def _attempts(
    setup: Setup, lock: Ints, start: Ints, wait_end: Ints, outcome: Ints, keys: Keys,
    open_keys: Ints, before: Before,
) -> tuple[Flags, Ints]:
    """Number retries: a command soon after an unanswered one, not opened in between."""
    if not lock.size:
        return np.zeros(0, np.bool_), np.zeros(0, np.int64)
    first = segment_starts(lock)
    previous = np.arange(lock.size) - 1
    last_start = np.where(first, before.command[lock], start[previous])
    last_outcome = np.where(first, before.outcome[lock], outcome[previous])
    last_wait = np.where(first, EARLY, wait_end[previous])
    opened = (
        np.searchsorted(open_keys, keys.of(lock, start), "left")
        > np.searchsorted(open_keys, keys.of(lock, last_wait), "right")
    )
    opened |= first & before.opened[lock]
    linked = (last_outcome == NO_RELEASE) & (start - last_start <= setup.retry_us) & ~opened
    linked &= last_start != EARLY
    return linked, count_attempts(lock, linked, before.attempt)


def count_attempts(lock: Ints, linked: Flags, before: Ints) -> Ints:
    """1 for a first try; one more than the row before where ``linked`` to it."""
    first = segment_starts(lock)
    index = np.arange(lock.size)
    head = np.maximum.accumulate(np.where(first | ~linked, index, 0))
    carried = np.where(linked[head], before[lock[head]], 0)
    return index - head + 1 + carried


def _judged(
    movements: Movements, commands: Commands, opens: Ints, shuts: Ints, first_key: Ints,
    start_key: Ints,
) -> Movements:
    """Say of each movement whether it was commanded, an opening, and what closed it."""
    row = movements.command
    row = np.where((row >= 0) & (_at(commands.lock, row, -1) == movements.lock), row, -1)
    commanded = (row >= 0) & (movements.first <= _at(commands.wait_end, row, EARLY))
    opening = np.zeros(movements.first.size, np.bool_)
    opening[opens] = True
    releases = commands.release_movement
    opening[releases[releases >= 0]] = False
    releasing = (row >= 0) & (movements.first < _at(commands.end, row, EARLY))
    unanswered = (row >= 0) & (_at(commands.outcome, row, RELEASED) != RELEASED)
    opening &= ~releasing
    opening &= ~(unanswered & (movements.first <= _at(commands.natural, row, EARLY)))
    closed_by = np.full(movements.first.size, -1)
    shut = _first_from(first_key[shuts], first_key[opens], shuts, "right")
    closed_by[opens] = np.where(_at(movements.lock, shut, -1) == movements.lock[opens], shut, -1)
    return Movements(
        movements.lock, movements.first, movements.last, movements.edges, movements.open_before,
        movements.open_after, row, commanded, opening, closed_by,
    )
