"""Pairing that goes on from day to day: what is carried over, and one step forward.

A row is final once no later record can change it. What is not final at the end of
a step, with every edge since, is carried into the next one and paired again
there; so the rows do not depend on where the records are cut.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from remanence.analytics.pairing.edges import (
    EARLY,
    NEVER,
    Edges,
    Flags,
    Ints,
    edges_of,
    segment_starts,
)
from remanence.analytics.pairing.match import Before, Breaks, Commands, Movements, windows
from remanence.analytics.pairing.rail_windows import done_at
from remanence.analytics.pairing.setup import RELEASED, Setup

NEAR_US = 2_000_000
"""How long after another lock's command an opening may have to do with it."""

RECENT_US = 130_000_000
"""How long command edges are kept for what the supply shows of later commands."""


@dataclass(frozen=True)
class Readings:
    """The records of one step, by lock or controller; any order, repeats allowed.

    ``command_on`` is true where the record energises the coil; ``contact_value`` is
    0 or 1 as logged. The running segments are in time order of each controller.
    """

    command_lock: Ints
    command_time: Ints
    command_on: Flags
    command_run: Ints
    contact_lock: Ints
    contact_time: Ints
    contact_value: Ints
    contact_run: Ints
    segment_controller: Ints
    segment_run: Ints
    segment_first: Ints
    segment_last: Ints


@dataclass(frozen=True)
class Carry:
    """What pairing knows at the end of a step; arrays of shape (n_locks,) unless said."""

    releasing: Flags
    contact_open: Flags
    commands: Edges
    """Edges not yet final, of all locks."""
    contacts: Edges
    others: Ints
    """Other locks on at each releasing edge of ``commands``."""
    near_lock: Ints
    """For each edge of ``contacts``: whose command came last before (-1: none within reach)."""
    near_time: Ints
    before: Before
    on_since: Ints
    on_run: Ints
    recent: Edges
    """Command edges of any lock in the last while, by time."""
    last_run: Ints
    """Of each controller; with ``last_time`` EARLY where it has said nothing yet."""
    last_time: Ints
    breaks: Breaks
    """Breaks that a row not yet final may still fall into."""

    @classmethod
    def nothing(cls, setup: Setup) -> Carry:
        """At the start of all records: every lock rests locked."""
        size, controllers = setup.size, len(setup.controllers)
        empty = np.empty(0, np.int64)
        return cls(
            np.zeros(size, np.bool_), np.zeros(size, np.bool_), Edges.none(), Edges.none(),
            empty, empty, empty, Before.nothing(size), np.full(size, EARLY), np.zeros(size, int),
            Edges.none(), np.zeros(controllers, np.int64), np.full(controllers, EARLY),
            Breaks(empty, empty, empty),
        )


@dataclass(frozen=True)
class Stretches:
    """Stretches with the coil on; ``end`` is NEVER while it lasts or where the log broke off."""

    lock: Ints
    start: Ints
    end: Ints
    final: Flags


@dataclass(frozen=True)
class Step:
    """One step's rows, with which of them are final, and what is carried on."""

    commands: Commands
    others: Ints
    command_final: Flags
    movements: Movements
    near_lock: Ints
    near_time: Ints
    movement_final: Flags
    stretches: Stretches
    recent: Edges
    """This step's command edges and those just before it, by time."""
    before: Before
    carry: Carry


def advance(setup: Setup, readings: Readings, carry: Carry, until: int) -> Step:
    """Pair one step's records, going on from ``carry``.

    Parameters
    ----------
    setup : Setup
        The locks.
    readings : Readings
        Every record from the last step's end up to ``until``.
    carry : Carry
        What the last step carried on.
    until : int
        The step's end (exclusive), UTC microseconds; NEVER: no more will come.
    """
    r = readings
    fresh = edges_of(
        r.command_lock, r.command_time, r.command_on == setup.pulsed[r.command_lock],
        r.command_run, carry.releasing,
    )
    usable = setup.open_value[r.contact_lock] >= 0
    moved_lock, moved_time = r.contact_lock[usable], r.contact_time[usable]
    shows_open = r.contact_value[usable] == setup.open_value[moved_lock]
    moved = edges_of(
        moved_lock, moved_time, shows_open, np.zeros(moved_lock.size, np.int64),
        carry.contact_open,
    )
    since = carry.before.contact_since.copy()
    np.minimum.at(since, moved_lock, moved_time)
    before = _with(carry.before, contact_since=since)
    breaks, last_run, last_time = _breaks(readings, carry)

    recent = _by_time(carry.recent, fresh)
    releases = recent.take(recent.on)
    near_lock, near_time = _nearest(releases.lock, releases.time, moved)
    others = _others_on(setup, carry, fresh)

    commands = carry.commands.joined(fresh)
    contacts = carry.contacts.joined(moved)
    paired, movements = windows(setup, commands, contacts, breaks, before)
    old = _old(carry.commands.take(carry.commands.on), paired.lock)
    all_others = np.empty(paired.size, np.int64)
    all_others[old], all_others[~old] = carry.others, others
    old = _old(carry.contacts, contacts.lock)
    edge_near_lock = np.empty(contacts.size, np.int64)
    edge_near_time = np.empty(contacts.size, np.int64)
    edge_near_lock[old], edge_near_lock[~old] = carry.near_lock, near_lock
    edge_near_time[old], edge_near_time[~old] = carry.near_time, near_time
    at = np.cumsum(movements.edges) - movements.edges

    resume = _resume(setup, paired, movements, until)
    keep_command = commands.time >= resume[commands.lock]
    keep_contact = contacts.time >= resume[contacts.lock]
    keep_row = paired.start >= resume[paired.lock]
    stretches, on_since, on_run = _stretches(setup, carry, fresh)
    next_carry = Carry(
        releasing=_levels_after(fresh, carry.releasing),
        contact_open=_levels_after(moved, carry.contact_open),
        commands=commands.take(keep_command),
        contacts=contacts.take(keep_contact),
        others=all_others[keep_row],
        near_lock=edge_near_lock[keep_contact],
        near_time=edge_near_time[keep_contact],
        before=_before_at(resume, paired, movements, contacts, before),
        on_since=on_since, on_run=on_run,
        recent=recent.take(recent.time >= until - RECENT_US),
        last_run=last_run, last_time=last_time,
        breaks=_still_needed(setup, breaks, resume),
    )
    return Step(
        paired, all_others, ~keep_row, movements, edge_near_lock[at], edge_near_time[at],
        movements.first < resume[movements.lock], stretches, recent, before,
        next_carry,
    )


def _with(before: Before, *, contact_since: Ints) -> Before:
    return Before(before.contact_open, contact_since, before.command, before.outcome,
                  before.attempt, before.opened)


def _old(carried: Edges, lock: Ints) -> Flags:
    """Which rows of a joined, sorted table were carried (each lock's carried ones come first)."""
    counts = np.bincount(carried.lock, minlength=int(lock.max(initial=0)) + 1)
    first = segment_starts(lock)
    index = np.arange(lock.size)
    within = index - np.maximum.accumulate(np.where(first, index, 0))
    return within < counts[lock]


def _levels_after(edges: Edges, before: Flags) -> Flags:
    level = before.copy()
    level[edges.lock] = edges.on  # sorted by time within a lock: the last assignment stays
    return level


def _breaks(readings: Readings, carry: Carry) -> tuple[Breaks, Ints, Ints]:
    """Breaks of the step, those carried, and the open end of each controller's records."""
    controller = readings.segment_controller
    first = segment_starts(controller)
    previous = np.arange(controller.size) - 1
    before_run = np.where(first, carry.last_run[controller], readings.segment_run[previous])
    before_time = np.where(first, carry.last_time[controller], readings.segment_last[previous])
    broke = (before_run != readings.segment_run) & (before_time != EARLY)
    last_run, last_time = carry.last_run.copy(), carry.last_time.copy()
    last_run[controller] = readings.segment_run
    last_time[controller] = readings.segment_last
    spoke = np.flatnonzero(last_time != EARLY)
    owner = np.concatenate([carry.breaks.controller, controller[broke], spoke])
    last = np.concatenate([carry.breaks.last, before_time[broke], last_time[spoke]])
    begin = np.concatenate([
        carry.breaks.first, readings.segment_first[broke], np.full(spoke.size, NEVER)
    ])
    order = np.lexsort((begin, owner))
    return Breaks(owner[order], last[order], begin[order]), last_run, last_time


def _still_needed(setup: Setup, breaks: Breaks, resume: Ints) -> Breaks:
    earliest = np.full(int(setup.controller.max(initial=0)) + 1, NEVER)
    np.minimum.at(earliest, setup.controller, resume)
    inside = breaks.controller < earliest.size
    wanted = inside & (breaks.first != NEVER)
    wanted &= breaks.first > earliest[np.where(inside, breaks.controller, 0)]
    return Breaks(breaks.controller[wanted], breaks.last[wanted], breaks.first[wanted])


def _by_time(earlier: Edges, fresh: Edges) -> Edges:
    lock = np.concatenate([earlier.lock, fresh.lock])
    time = np.concatenate([earlier.time, fresh.time])
    order = np.lexsort((lock, time))
    return Edges(lock[order], time[order], np.concatenate([earlier.on, fresh.on])[order],
                 np.concatenate([earlier.run, fresh.run])[order])


def _nearest(lock: Ints, time: Ints, moved: Edges) -> tuple[Ints, Ints]:
    """For each contact edge: the other lock whose releasing command came last, within reach."""
    if not time.size:
        return np.full(moved.size, -1), np.full(moved.size, EARLY)
    # For each command: the last one before it that is another lock's.
    starts = segment_starts(lock)
    other = np.maximum.accumulate(np.where(starts, np.arange(lock.size), 0)) - 1
    place = np.searchsorted(time, moved.time, "right") - 1
    own = (place >= 0) & (lock[np.maximum(place, 0)] == moved.lock)
    place = np.where(own, other[np.maximum(place, 0)], place)
    good = (place >= 0) & (moved.time - time[np.maximum(place, 0)] <= NEAR_US)
    place = np.maximum(place, 0)
    return np.where(good, lock[place], -1), np.where(good, time[place], EARLY)


def _others_on(setup: Setup, carry: Carry, fresh: Edges) -> Ints:
    """Other locks on the same rail commanded on, at each new releasing edge."""
    lock, time = fresh.lock[fresh.on], fresh.time[fresh.on]
    others = np.zeros(lock.size, np.int64)
    rest_on = carry.releasing == setup.pulsed
    on = fresh.on == setup.pulsed[fresh.lock]
    for rail in np.unique(setup.supply[lock]):
        of_rail = setup.supply[fresh.lock] == rail
        order = np.argsort(fresh.time[of_rail], kind="stable")
        times = fresh.time[of_rail][order]
        steps = np.cumsum(np.where(on[of_rail][order], 1, -1))
        asked = np.flatnonzero(setup.supply[lock] == rail)
        place = np.searchsorted(times, time[asked], "right") - 1
        count = int(rest_on[setup.supply == rail].sum()) + steps[place]
        others[asked] = count - setup.pulsed[lock[asked]]
    return others


def _stretches(setup: Setup, carry: Carry, fresh: Edges) -> tuple[Stretches, Ints, Ints]:
    """Coil on to coil off; those still on at the step's end are not final."""
    on = fresh.on == setup.pulsed[fresh.lock]
    first = segment_starts(fresh.lock)
    previous = np.arange(fresh.size) - 1
    off = np.flatnonzero(~on)
    start = np.where(first[off], carry.on_since[fresh.lock[off]], fresh.time[previous[off]])
    run = np.where(first[off], carry.on_run[fresh.lock[off]], fresh.run[previous[off]])
    off, start, run = (a[start != EARLY] for a in (off, start, run))
    end = np.where(run == fresh.run[off], fresh.time[off], NEVER)
    on_since, on_run = carry.on_since.copy(), carry.on_run.copy()
    on_since[fresh.lock] = np.where(on, fresh.time, EARLY)
    on_run[fresh.lock] = fresh.run
    still = np.flatnonzero(on_since != EARLY)
    lock = np.concatenate([fresh.lock[off], still])
    start = np.concatenate([start, on_since[still]])
    end = np.concatenate([end, np.full(still.size, NEVER)])
    final = np.arange(lock.size) < off.size
    return Stretches(lock, start, end, final), on_since, on_run


def _resume(setup: Setup, commands: Commands, movements: Movements, until: int) -> Ints:
    """From when on each lock's edges have to be paired again in the next step."""
    resume = np.full(setup.size, until)
    if until >= NEVER:
        return resume
    unsettled = movements.last + setup.settle_us >= until
    unclosed = movements.opening & (movements.closed_by < 0)
    hold = unsettled | unclosed
    np.minimum.at(resume, movements.lock[hold], movements.first[hold])
    waiting_from = np.full(setup.size, EARLY)
    np.maximum.at(waiting_from, movements.lock[unsettled], movements.first[unsettled])
    lasts = (commands.end == NEVER) | (commands.natural >= until) | commands.undecided
    lasts |= commands.start <= waiting_from[commands.lock]
    lasts |= ((commands.outcome == RELEASED) & (commands.relock == NEVER)
              & (commands.following == NEVER))
    lasts |= done_at(commands.start, commands.end, setup.pulsed[commands.lock]) >= until
    np.minimum.at(resume, commands.lock[lasts], commands.start[lasts])
    # Never within a command's wait: go back to where that command began.
    inside = (commands.start < resume[commands.lock]) & (
        (commands.natural >= resume[commands.lock]) | (commands.end == NEVER)
    )
    np.minimum.at(resume, commands.lock[inside], commands.start[inside])
    return resume


def _before_at(
    resume: Ints, commands: Commands, movements: Movements, contacts: Edges, before: Before
) -> Before:
    """What went before each lock's ``resume``."""
    contact_open = before.contact_open.copy()
    gone = contacts.time < resume[contacts.lock]
    contact_open[contacts.lock[gone]] = contacts.on[gone]
    command, outcome = before.command.copy(), before.outcome.copy()
    attempt, opened = before.attempt.copy(), before.opened.copy()
    past = np.flatnonzero(commands.start < resume[commands.lock])
    command[commands.lock[past]] = commands.start[past]
    outcome[commands.lock[past]] = commands.outcome[past]
    attempt[commands.lock[past]] = commands.attempt[past]
    wait = np.full(resume.size, EARLY)
    wait[commands.lock[past]] = commands.wait_end[past]
    opened[commands.lock[past]] = False
    after = (movements.open_after & ~movements.open_before
             & (movements.first < resume[movements.lock])
             & (movements.first > wait[movements.lock]))
    opened[movements.lock[after]] = True
    return Before(contact_open, before.contact_since, command, outcome, attempt, opened)
