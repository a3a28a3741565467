"""Which way round a contact of unknown sense is: learned from what commands do to it.

A contact that commands move shows open after them. Each releasing command casts a
vote: the value that the contact's first change in its wait goes to is "open".
Votes are counted day by day (UTC), so the order in which records come in, or are
cut into files, cannot change them.
"""

from __future__ import annotations

import numpy as np

from analytics.pairing_levels import NEVER, Edges, Ints, Keys, edges_of
from analytics.pairing_setup import LEARNED, UNLEARNED, Setup
from analytics.pairing_state import Readings

DAY_US = 86_400_000_000

VOTES_NEEDED = 3
"""Fewest votes for the winning sense."""

VOTES_RATIO = 3
"""How many times as many votes the winning sense needs as the other."""


def votes(setup: Setup, readings: Readings, releasing: np.ndarray, contact: Ints) -> Ints:
    """Votes for "open is 0" and "open is 1" of every lock.

    Parameters
    ----------
    setup : Setup
        The locks.
    readings : Readings
        Of whole UTC days.
    releasing : array of bool, shape (n_locks,)
        Each lock's command before them.
    contact : array of int, shape (n_locks,)
        Each contact's value before them, -1 where it has none yet.

    Returns
    -------
    array of int, shape (n_locks, 2)
        Zero for locks whose contact's sense is stated.
    """
    counts = np.zeros((setup.size, 2), np.int64)
    asked = (setup.contact_kind == LEARNED) | (setup.contact_kind == UNLEARNED)
    mine = asked[readings.contact_lock]
    if not mine.any():
        return counts
    lock, time = readings.contact_lock[mine], readings.contact_time[mine]
    moves = edges_of(lock, time, readings.contact_value[mine] == 1, np.zeros(lock.size, np.int64),
                     contact == 1)
    moves = _with_first_word(lock, time, readings.contact_value[mine], contact, moves)
    ours = asked[readings.command_lock]
    commands = edges_of(
        readings.command_lock[ours], readings.command_time[ours],
        readings.command_on[ours] == setup.pulsed[readings.command_lock[ours]],
        readings.command_run[ours], releasing,
    )
    rows = np.flatnonzero(commands.on)
    if not rows.size or not moves.size:
        return counts
    start, owner = commands.time[rows], commands.lock[rows]
    stop = (start // DAY_US + 1) * DAY_US - 1
    for steps, extra in ((1, setup.coast_us[owner]), (2, -1)):
        index = np.minimum(rows + steps, commands.size - 1)
        same = (rows + steps < commands.size) & (commands.lock[index] == owner)
        stop = np.minimum(stop, np.where(same, commands.time[index] + extra, NEVER))
    keys = Keys.over(commands.time, moves.time)
    place = np.searchsorted(keys.of(moves.lock, moves.time), keys.of(owner, start), "left")
    inside = place < moves.size
    place = np.where(inside, place, 0)
    inside &= (moves.lock[place] == owner) & (moves.time[place] <= stop)
    np.add.at(counts, (owner[inside], moves.on[place[inside]].astype(int)), 1)
    return counts


def _with_first_word(
    lock: Ints, time: Ints, value: Ints, contact: Ints, moves: Edges
) -> Edges:
    """A contact's very first record of 0 is a change too, though 0 was assumed before it."""
    order = np.lexsort((value, time, lock))
    first = np.ones(order.size, np.bool_)
    first[1:] = lock[order][1:] != lock[order][:-1]
    head = order[first]
    head = head[(contact[lock[head]] < 0) & (value[head] == 0)]
    if not head.size:
        return moves
    added = Edges(lock[head], time[head], np.zeros(head.size, np.bool_),
                  np.zeros(head.size, np.int64))
    return moves.joined(added)


def decide(setup: Setup, counts: Ints) -> dict[str, str]:
    """What the votes say: closed when ``locked`` or ``open``, by lock; undecided ones left out."""
    learned = {}
    for index in np.flatnonzero((setup.contact_kind == LEARNED)
                                | (setup.contact_kind == UNLEARNED)):
        zero, one = (int(n) for n in counts[index])
        if max(zero, one) >= VOTES_NEEDED and max(zero, one) >= VOTES_RATIO * min(zero, one):
            learned[setup.ids[index]] = "locked" if zero > one else "open"
    return learned


def last_values(readings: Readings, contact: Ints) -> Ints:
    """Each contact's value after ``readings``."""
    order = np.lexsort((readings.contact_value, readings.contact_time, readings.contact_lock))
    after = contact.copy()
    after[readings.contact_lock[order]] = readings.contact_value[order]
    return after
