"""Some days' records read from the store, and paired."""

from __future__ import annotations

import contextlib
import os
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from itertools import accumulate

import numpy as np
import polars as pl

from remanence.analytics.pairing.carry_over import DayState
from remanence.analytics.pairing.days import (
    activity_of,
    busy_rails,
    finish,
    needed_from,
    pair_edges,
    rail_tasks,
    read_rails,
    tasks_among,
    tasks_of_days,
)
from remanence.analytics.pairing.edges import NEVER, Columns, Flags
from remanence.analytics.pairing.polarity import votes
from remanence.analytics.pairing.rail_tasks import RailTasks
from remanence.analytics.pairing.readings import EdgeRecords, Levels, edges_alone, readings_from
from remanence.analytics.pairing.setup import Setup
from remanence.analytics.pairing.step import Carry, Readings, Step
from remanence.analytics.pairing.tables import joined, tables
from remanence.pipelines.derive.beside import Beside, LostError
from remanence.pipelines.derive.months import Affected
from remanence.pipelines.derive.records import DayReader, Needs, Wanted
from remanence.shared.venue import Venue, controller_of

WORTH_ROWS = 20_000_000
"""So many records are worth a second process. It takes a quarter of a second to start: half as
many took longer with it than without."""
AHEAD = 10
"""Blocks that are paired before the first of them is finished."""
HANDED_OVER = 3
"""Blocks that the second process has at a time: one in hand, and the next ones."""


@dataclass
class _Waiting:
    index: int
    block: Block
    scope: Scope | None
    sent: bool = False
    part: RailPart | None = None


class RailLooker:
    """Takes blocks of days in order, and gives them back in order with what their rails show.

    Parameters
    ----------
    setup : Setup
        The locks.
    reader : DayReader
        The store.
    rows : int
        How many records there are to look at in all.
    beside : bool or None
        Whether a second process helps; None: if it is worth it.
    """

    def __init__(self, setup: Setup, reader: DayReader, rows: int, beside: bool | None) -> None:
        self.setup, self.reader = setup, reader
        self.blocks: deque[_Waiting] = deque()
        self.second: Beside[tuple[Block, Scope | None], RailPart] | None = None
        if beside is None:
            beside = rows >= WORTH_ROWS and _processors() > 1
        if beside:
            with contextlib.suppress(LostError):
                self.second = Beside(looks_at_rails, setup, reader)

    @property
    def waiting(self) -> bool:
        """Whether any block is to be given back."""
        return bool(self.blocks)

    @property
    def full(self) -> bool:
        """Whether one must be given back before another is taken."""
        return len(self.blocks) >= (AHEAD if self.second else 1)

    def add(self, index: int, block: Block, scope: Scope | None) -> None:
        """Another block, and what of it is to be looked at."""
        self.blocks.append(_Waiting(index, block, scope))
        self._hand_over()

    def take(self) -> tuple[int, Block, RailPart]:
        """The first of the blocks."""
        first = self.blocks[0]
        while first.part is None:
            if first.sent and self.second is not None and (
                    self.second.done() or all(one.sent or one.part for one in self.blocks)):
                self._take_back()
            else:
                # While the second process is at the first ones, one that it will come to last.
                last = next(one for one in reversed(self.blocks)
                            if not one.sent and one.part is None)
                last.part = look_at_rails(self.setup, self.reader, last.block, last.scope)
            self._hand_over()
        self.blocks.popleft()
        return first.index, first.block, first.part

    def _hand_over(self) -> None:
        for one in self.blocks:
            if self.second is None or self.second.waiting >= HANDED_OVER:
                break
            if not one.sent and one.part is None:
                try:
                    self.second.send((replace(one.block, steps=()), one.scope))
                except LostError:
                    self._lost()
                else:
                    one.sent = True

    def _take_back(self) -> None:
        assert self.second is not None
        one = next(one for one in self.blocks if one.sent and one.part is None)
        try:
            one.part = self.second.take()
        except LostError:
            self._lost()

    def _lost(self) -> None:
        """Go on alone."""
        for one in self.blocks:
            one.sent = one.part is not None
        self.close()

    def close(self) -> None:
        """End the second process."""
        if self.second is not None:
            self.second.close()
            self.second = None


def looks_at_rails(
    setup: Setup, reader: DayReader
) -> Callable[[tuple[Block, Scope | None]], RailPart]:
    """What the second process does with a block."""
    return lambda task: look_at_rails(setup, reader, task[0], task[1])


def _processors() -> int:
    """How many this process may use."""
    affinity = getattr(os, "sched_getaffinity", None)
    return len(affinity(0)) if affinity else os.cpu_count() or 1


def day_us(day: date) -> int:
    """Start of a UTC day, microseconds."""
    return int(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()) * 1_000_000


def day_end_us(day: date) -> int:
    """End of a UTC day, microseconds."""
    return day_us(day + timedelta(days=1))


@dataclass(frozen=True)
class Logged:
    """The commands and contacts of neighbouring days of one month."""

    days: tuple[date, ...]
    commands: EdgeRecords
    contacts: EdgeRecords


@dataclass(frozen=True)
class Job:
    """A day whose edges are paired: what its rails are to be looked at for."""

    day: date
    tasks: RailTasks
    earlier: date | None
    """The day before that has records, if readings of its end are needed."""
    needs_before: bool
    """Whether it takes readings from before the day, be there any or not."""


@dataclass(frozen=True)
class Block:
    """Some neighbouring days of one month, paired."""

    jobs: tuple[Job, ...]
    commands: EdgeRecords
    contacts: EdgeRecords
    releasing: Flags
    """Each lock's command before the first day."""
    steps: tuple[Step, ...] = ()
    """Each day's pairing; looking at the rails does not need it."""

    def edges(self, setup: Setup, day: date | None = None) -> Readings:
        """The commands and contacts of all its days, or of one."""
        if day is None:
            return edges_alone(setup, self.commands, self.contacts)
        start, until = day_us(day), day_end_us(day)
        return edges_alone(setup, self.commands.between(start, until),
                           self.contacts.between(start, until))


@dataclass(frozen=True)
class RailPart:
    """What the rails of a block show."""

    figures: Columns
    """Of all days' tasks, one day after the other."""
    ends: tuple[int, ...]
    """Where each day's figures end."""
    rail_hours: Columns
    activity: Columns
    """(These two have no columns where there is nothing to tell.)"""


@dataclass(frozen=True)
class Scope:
    """Of what the volts and amps are looked at; places in the setup."""

    locks: frozenset[int]
    supplies: frozenset[int]
    """Whose hours are wanted."""
    controllers: frozenset[int]
    """Whose activity is wanted."""

    @classmethod
    def of(cls, setup: Setup, venue: Venue, concerned: Affected) -> Scope:
        """What a change of the venue file concerns."""
        supplies = [supply.id for supply in venue.supplies]
        return cls(*(
            frozenset(place for place, name in enumerate(names) if name in some)
            for names, some in ((setup.ids, concerned.locks), (supplies, concerned.supplies),
                                (setup.controllers, concerned.controllers))))


def wanted_of(setup: Setup, scope: Scope | None = None) -> Wanted:
    """The levels that pairing looks at."""
    if scope is None:
        return {"volts": set(setup.rail_of), "amps": set(setup.command_of)}
    rails = scope.supplies | set(setup.supply[sorted(scope.locks)].tolist())
    controllers = {setup.controllers[place] for place in scope.controllers}
    speak = controllers | _owners(setup)
    return {
        "volts": {name for name, place in setup.rail_of.items()
                  if place in rails or controller_of(name) in speak},
        "amps": set(setup.command_of),
    }


def read_days(setup: Setup, reader: DayReader, days: Sequence[date]) -> Logged:
    """The commands and contacts of neighbouring days."""
    return Logged(tuple(days), *reader.edges(setup, days))


def pair_days(
    setup: Setup, reader: DayReader, logged: Logged, carry: Carry, began: int,
    earlier: date | None,
) -> Block:
    """Pair the edges of neighbouring days.

    Parameters
    ----------
    setup : Setup
        The locks.
    reader : DayReader
        The store.
    logged : Logged
        The days' commands and contacts.
    carry : Carry
        What the day before left.
    began : int
        Where the day before ended.
    earlier : date or None
        The day before that has records.
    """
    r, c = logged.commands, logged.contacts
    jobs, steps, releasing = [], [], carry.releasing
    words = _words(setup)
    for day in logged.days:
        start, until = day_us(day), day_end_us(day)
        readings = readings_from(setup, r.between(start, until), c.between(start, until),
                                 *_heard(reader, day, words))
        step = pair_edges(setup, readings, carry, until)
        tasks = rail_tasks(setup, step, began, until)
        reaches_back = needed_from(tasks) < start
        jobs.append(Job(day, tasks, earlier if reaches_back else None, reaches_back))
        steps.append(step)
        carry, began, earlier = step.carry, until, day
    return Block(tuple(jobs), r, c, releasing, tuple(steps))


def _words(setup: Setup) -> Wanted:
    """Levels of controllers that drive or watch a lock: they show that it still logged."""
    owners = _owners(setup)
    return {"volts": {channel for channel in setup.rail_of if controller_of(channel) in owners},
            "amps": set(setup.command_of)}


def _heard(
    reader: DayReader, day: date, words: Wanted
) -> tuple[Levels, Callable[[], Levels] | None]:
    """The ends of a day's levels and what gives all of them, or all of them and nothing."""
    if not any(words.values()):
        return {}, None
    outline = reader.outline(day, words)

    def every() -> Levels:
        levels, = reader.read([(outline, [True] * len(outline.groups))])
        return levels

    ends = outline.ends()
    return (every(), None) if ends is None else (ends, every)


def _owners(setup: Setup) -> set[str]:
    return {setup.controllers[place] for place in set(setup.controller.tolist())}


def look_at_rails(
    setup: Setup, reader: DayReader, block: Block, scope: Scope | None = None
) -> RailPart:
    """The figures that a block's rows rest on.

    Parameters
    ----------
    setup : Setup
        The locks.
    reader : DayReader
        The store.
    block : Block
        The days, paired.
    scope : Scope, optional
        Only these locks' commands, these rails' hours, these controllers' activity.
    """
    jobs, wanted = block.jobs, wanted_of(setup, scope)
    before = None
    if jobs[0].earlier is not None:
        before, = reader.levels([jobs[0].earlier], wanted, needed_from(jobs[0].tasks))
    every = [job.tasks if scope is None else tasks_among(job.tasks, np.array(
        sorted(scope.locks), np.int64)) for job in jobs]
    tasks = tasks_of_days([(day_us(job.day), mine) for job, mine in zip(jobs, every, strict=True)])
    supplies = scope.supplies if scope else None
    controllers = scope.controllers if scope else None
    busy = busy_rails(setup, tasks.recent, block.releasing)
    needs = Needs.of(setup, tasks, busy, supplies, controllers)
    edges = [block.edges(setup, job.day) for job in jobs]
    outlines = [reader.outline(job.day, wanted) for job in jobs]
    levels = reader.read([
        (outline, needs.of_day(setup, outline, of_day))
        for outline, of_day in zip(outlines, edges, strict=True)])
    known = [outline.known for outline in outlines]
    figures, hours = read_rails(setup, tasks, busy, levels, known, before, supplies)
    heard = activity_of(
        setup, block.edges(setup), list(zip(edges, levels, strict=True)), known, controllers)
    return RailPart(figures, tuple(accumulate(mine.lock.size for mine in every)),
                    joined(hours) if hours else {}, joined(heard) if heard else {})


def unfinished(
    setup: Setup, venue: Venue, reader: DayReader, state: DayState, days: Sequence[date]
) -> dict[str, pl.DataFrame]:
    """The rows that the end of the records leaves as they stand.

    Parameters
    ----------
    setup : Setup
        The locks.
    venue : Venue
        The same, as the venue file has them.
    reader : DayReader
        The store.
    state : DayState
        After the last day.
    days : sequence of date
        The last two days with records.
    """
    nothing = EdgeRecords.none()
    step = pair_edges(setup, readings_from(setup, nothing, nothing, {}), state.carry, NEVER)
    tasks = rail_tasks(setup, step, state.until, NEVER)
    since = needed_from(tasks)
    levels = reader.levels(
        [day for day in days if day_end_us(day) > since], wanted_of(setup), since)
    figures, _ = read_rails(setup, tasks, {}, levels, supplies=())
    columns, _ = finish(setup, step, figures, {}, state, NEVER, all_rows=True)
    return tables(setup, venue, columns)


def day_votes(setup: Setup, reader: DayReader, day: date) -> dict[str, list[int]]:
    """What a day's records say of the contacts of unknown sense."""
    counts = votes(setup, readings_from(setup, *reader.edges(setup, [day]), {}))
    return {setup.ids[place]: counts[place].tolist()
            for place in np.flatnonzero(counts.sum(axis=1)).tolist()}
