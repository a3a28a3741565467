"""Which way round a contact of unknown sense is: learned from what commands do to it.

A contact that commands move shows open after them. Each releasing command casts a
vote: the value that the contact's first change in its wait goes to is "open".
Votes are counted day by day (UTC), each day as if it stood alone, so the order in
which records come in, or are cut into files, cannot change them. Of the two senses
the one with three votes or more, and three times as many as the other, is taken.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from remanence.analytics.pairing.edges import NEVER, Edges, Ints, Keys, edges_of, segment_starts
from remanence.analytics.pairing.setup import LEARNED, UNLEARNED, Setup
from remanence.analytics.pairing.step import Readings

DAY_US = 86_400_000_000

VOTES_NEEDED = 3
"""Fewest votes for the winning sense."""

VOTES_RATIO = 3
"""How many times as many votes the winning sense needs as the other."""


def votes(setup: Setup, readings: Readings) -> Ints:
    """Votes for "open is 0" and "open is 1" of every lock.

    Parameters
    ----------
    setup : Setup
        The locks.
    readings : Readings
        Of whole UTC days.

    Returns
    -------
    array of int, shape (n_locks, 2)
        Zero for locks whose contact's sense is stated.
    """
    counts = np.zeros((setup.size, 2), np.int64)
    asked = (setup.contact_kind == LEARNED) | (setup.contact_kind == UNLEARNED)
    mine, ours = asked[readings.contact_lock], asked[readings.command_lock]
    if not mine.any() or not ours.any():
        return counts
    # Every day of every lock is looked at as if it stood alone.
    contact_day = readings.contact_time[mine] // DAY_US
    command_day = readings.command_time[ours] // DAY_US
    first_day = min(int(contact_day.min()), int(command_day.min()))
    days = max(int(contact_day.max()), int(command_day.max())) - first_day + 1
    place = readings.contact_lock[mine] * days + contact_day - first_day
    time, value = readings.contact_time[mine], readings.contact_value[mine]
    nothing = np.zeros(setup.size * days, np.bool_)
    moves = _with_first_word(place, time, value, edges_of(
        place, time, value == 1, np.zeros(place.size, np.int64), nothing))
    place = readings.command_lock[ours]
    commands = edges_of(
        place * days + command_day - first_day, readings.command_time[ours],
        readings.command_on[ours] == setup.pulsed[place], readings.command_run[ours], nothing,
    )
    rows = np.flatnonzero(commands.on)
    if not rows.size or not moves.size:
        return counts
    start, owner = commands.time[rows], commands.lock[rows]
    stop = np.full(rows.size, NEVER)
    for steps, extra in ((1, setup.coast_us[owner // days]), (2, np.int64(-1))):
        index = np.minimum(rows + steps, commands.size - 1)
        same = (rows + steps < commands.size) & (commands.lock[index] == owner)
        stop = np.minimum(stop, np.where(same, commands.time[index] + extra, NEVER))
    keys = Keys.over(commands.time, moves.time)
    found = np.searchsorted(keys.of(moves.lock, moves.time), keys.of(owner, start), "left")
    inside = found < moves.size
    found = np.where(inside, found, 0)
    inside &= (moves.lock[found] == owner) & (moves.time[found] <= stop)
    np.add.at(counts, (owner[inside] // days, moves.on[found[inside]].astype(int)), 1)
    return counts


def _with_first_word(place: Ints, time: Ints, value: Ints, moves: Edges) -> Edges:
    """A contact's first record of a day is a change too, even where it is 0."""
    order = np.lexsort((value, time, place))
    head = order[segment_starts(place[order])]
    head = head[value[head] == 0]
    return moves.joined(Edges(
        place[head], time[head], np.zeros(head.size, np.bool_), np.zeros(head.size, np.int64)))


def decide(setup: Setup, counts: Ints) -> dict[str, str]:
    """What the votes say: closed when ``locked`` or ``open``, by lock; undecided ones left out."""
    return decide_votes({
        setup.ids[place]: counts[place].tolist()
        for place in np.flatnonzero((setup.contact_kind == LEARNED)
                                    | (setup.contact_kind == UNLEARNED)).tolist()
    })


def decide_votes(counts: Mapping[str, Sequence[int]]) -> dict[str, str]:
    """The same from votes ("open is 0", "open is 1") by lock."""
    learned = {}
    for name, (zero, one) in sorted(counts.items()):
        most, least = max(zero, one), min(zero, one)
        if most >= VOTES_NEEDED and most >= VOTES_RATIO * least:
            learned[name] = "locked" if zero > one else "open"
    return learned
