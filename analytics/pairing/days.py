"""Pairing one UTC day at a time, each going on from what the day before left.

Three parts, so that the reading of volts, which is nearly all of the work, can be
spread over processors: :func:`pair_edges` must go from day to day but looks at few
records; :func:`read_rails` looks at all the volts of a day, in any order of days;
:func:`finish` puts the two together, from day to day again.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import numpy as np

from remanence.analytics.pairing import tables as made
from remanence.analytics.pairing.carry_over import DayState, no_figures
from remanence.analytics.pairing.edges import EARLY, NEVER, Columns, Edges, Flags, Ints, Samples
from remanence.analytics.pairing.hours import (
    NO_STRETCHES,
    KnownHours,
    Stretches,
    activity,
    busy_stretches,
    rail_hours,
)
from remanence.analytics.pairing.rail_tasks import RailTasks, rail_figures
from remanence.analytics.pairing.rail_windows import done_at, looked_at_from
from remanence.analytics.pairing.readings import Levels, calm_hours, heard_of, owner_of, owners_of
from remanence.analytics.pairing.setup import Setup
from remanence.analytics.pairing.step import Carry, Readings, Step, advance


def pair_edges(setup: Setup, readings: Readings, carry: Carry, until: int) -> Step:
    """A day's commands and contacts; see :func:`remanence.analytics.pairing.step.advance`."""
    return advance(setup, readings, carry, until)


def rail_tasks(setup: Setup, step: Step, begin: int, until: int) -> RailTasks:
    """Commands whose rail can be looked at now.

    Parameters
    ----------
    setup : Setup
        The locks.
    step : Step
        The day's.
    begin, until : int
        End of the day before, and of this one.
    """
    c = step.commands
    done = done_at(c.start, c.end, setup.pulsed[c.lock])
    which = np.flatnonzero((done >= begin) & (done < until))
    return RailTasks(c.lock[which], c.start[which], c.end[which], step.recent)


def needed_from(tasks: RailTasks) -> int:
    """The first reading that the tasks take; NEVER if there are none."""
    return int(looked_at_from(tasks.start).min()) if tasks.start.size else NEVER


def tasks_among(tasks: RailTasks, locks: Ints) -> RailTasks:
    """The tasks of some locks."""
    which = np.flatnonzero(np.isin(tasks.lock, locks))
    return RailTasks(tasks.lock[which], tasks.start[which], tasks.end[which], tasks.recent)


def tasks_of_days(days: Sequence[tuple[int, RailTasks]]) -> RailTasks:
    """Several days' tasks as one; ``days`` are (start of the day, its tasks), in order."""
    if len(days) == 1:
        return days[0][1]
    own = [tasks.recent.take(tasks.recent.time >= start) for start, tasks in days[1:]]
    parts = [days[0][1].recent, *own]
    recent = Edges(
        np.concatenate([part.lock for part in parts]),
        np.concatenate([part.time for part in parts]),
        np.concatenate([part.on for part in parts]),
        np.concatenate([part.run for part in parts]))
    every = [tasks for _, tasks in days]
    return RailTasks(
        np.concatenate([tasks.lock for tasks in every]),
        np.concatenate([tasks.start for tasks in every]),
        np.concatenate([tasks.end for tasks in every]), recent)


def read_rails(
    setup: Setup, tasks: RailTasks, busy: Mapping[int, Stretches], days: Sequence[Levels],
    known: Sequence[KnownHours] = (), before: Levels | None = None,
    supplies: Collection[int] | None = None,
) -> tuple[Columns, list[Columns]]:
    """What the rails show of the tasks' commands, and columns of RAIL_HOURS.

    Parameters
    ----------
    setup : Setup
        The locks.
    tasks : RailTasks
        The commands.
    busy : mapping of int to Stretches
        When a latch was on, by supply: :func:`busy_rails`.
    days : sequence of mappings of (channel, quantity) to Records
        Readings of whole UTC days, in order, one or more to a mapping. What no window of a
        task takes, of hours that are known and in which no latch was on, may be missing.
    known : sequence of KnownHours, optional
        Of each of the days.
    before : mapping of (channel, quantity) to Records, optional
        Readings before the first day, for the figures only.
    supplies : collection of int, optional
        Rails whose hours are wanted; default: all of them.
    """
    rails, amps = [], []
    for levels in ([before] if before is not None else []) + list(days):
        samples = {key: records.samples() for key, records in levels.items()}
        rails.append({setup.rail_of[channel]: one
                      for (channel, quantity), one in samples.items() if quantity == "volts"})
        amps.append({setup.command_of[channel]: one
                     for (channel, quantity), one in samples.items() if quantity == "amps"})
    figures = rail_figures(setup, tasks, rails, amps)
    hours = []
    told = known or [KnownHours()] * len(days)
    for volts, of_day in zip(rails[len(rails) - len(days):], told, strict=True):
        kept = {setup.rail_of[channel]: some for channel, some in of_day.rails.items()}
        for place in sorted(volts.keys() | kept.keys()):
            if supplies is None or place in supplies:
                hours.append(rail_hours(place, volts.get(place, Samples.none()),
                                        busy.get(place, NO_STRETCHES), kept.get(place)))
    return figures, hours


def finish(
    setup: Setup, step: Step, figures: Columns, polled: Mapping[tuple[int, int], float],
    state: DayState, until: int, *, all_rows: bool = False,
) -> tuple[dict[str, Columns], DayState]:
    """The day's final rows, and the state after it.

    Parameters
    ----------
    setup : Setup
        The locks.
    step : Step
        The day's.
    figures : dict of str to array
        What today's rails showed.
    polled : mapping of (controller, day) to float
        Today's resolutions. [ms]
    state : DayState
        After the day before.
    until : int
        The day's end.
    all_rows : bool, default False
        Give what is not final instead: what the end of the records leaves.

    Returns
    -------
    dict of str to dict
        Columns of ``actuations``, ``openings``, ``energisings`` and ``contact_changes``
        (:func:`remanence.analytics.pairing.tables.tables` makes tables of them).
    DayState
    """
    figures = made.joined([state.figures, figures])
    polled = {**state.polled, **polled}
    moves, stretches, row_final = step.movement_final, step.stretches.final, step.command_final
    if all_rows:
        moves, row_final = np.ones_like(moves), np.ones_like(row_final)
        stretches = ~stretches
    rows = made.with_figures(made.command_columns(step, np.flatnonzero(row_final)), figures)
    rows, supply_last = made.supply_outcomes(setup, rows, state.supply_last)
    columns = {
        "actuations": made.with_polling(setup, rows, polled),
        "openings": made.opening_columns(step, moves),
        "energisings": made.stretch_columns(step, stretches),
        "contact_changes": made.change_columns(step, moves),
    }
    waiting = np.flatnonzero(~step.command_final)
    lock, start = step.commands.lock[waiting], step.commands.start[waiting]
    pending = set(zip(lock.tolist(), start.tolist(), strict=True))
    kept = [i for i, key in enumerate(zip(
        figures["lock"].tolist(), figures["start"].tolist(), strict=True)) if key in pending] \
        if pending else []
    days = set((start // made.DAY_US).tolist())
    return columns, DayState(
        step.carry, {name: column[kept] for name, column in figures.items()} if kept
        else no_figures(),
        {key: told for key, told in polled.items() if key[1] in days}, supply_last, until)


def busy_rails(setup: Setup, recent: Edges, releasing: Flags) -> dict[int, Stretches]:
    """When any latch was on, by supply: :func:`remanence.analytics.pairing.hours.busy_stretches`.

    Parameters
    ----------
    setup : Setup
        The locks.
    recent : Edges
        Command edges, by time.
    releasing : array of bool
        Each lock's command before ``recent``.
    """
    found = {}
    for place in sorted(set(setup.supply[setup.pulsed].tolist())):
        mine = setup.pulsed[recent.lock] & (setup.supply[recent.lock] == place)
        lock, time, on = recent.lock[mine], recent.time[mine], recent.on[mine]
        order = np.lexsort((time, lock))
        lasting = np.flatnonzero(releasing & setup.pulsed & (setup.supply == place))
        found[place] = busy_stretches(*_pulses(lock[order], time[order], on[order], lasting))
    return found


def _pulses(lock: Ints, time: Ints, on: Flags, lasting: Ints) -> tuple[Ints, Ints]:
    """Pulses out of edges, by lock and time; open where the beginning or end is not among them.

    ``lasting``: locks that were on before; one without an edge has been on throughout.
    """
    throughout = np.setdiff1d(lasting, lock)
    follows = np.zeros(lock.size, np.bool_)
    follows[1:] = lock[1:] == lock[:-1]
    begins, lone = np.flatnonzero(on), np.flatnonzero(~on & ~follows)
    after = np.minimum(begins + 1, max(lock.size - 1, 0))
    ended = (begins + 1 < lock.size) & follows[after] if lock.size else np.zeros(0, np.bool_)
    ends = np.where(ended, time[after], NEVER) if lock.size else np.empty(0, np.int64)
    return (
        np.concatenate([time[begins], np.full(lone.size + throughout.size, EARLY)]),
        np.concatenate([ends, time[lone], np.full(throughout.size, NEVER)]),
    )


def activity_of(
    setup: Setup, readings: Readings, days: Sequence[tuple[Readings, Levels]],
    known: Sequence[KnownHours] = (), owners: Collection[int] | None = None,
) -> list[Columns]:
    """Columns of ACTIVITY of every controller, or of ``owners`` alone.

    Parameters
    ----------
    setup : Setup
        The locks.
    readings : Readings
        Of all the days.
    days : sequence of (Readings, Levels)
        Records of whole UTC days, one or more to an entry. Levels of hours that are known
        and in which there was no edge of their controller may be missing.
    known : sequence of KnownHours, optional
        Of each of the days.
    owners : collection of int, optional
        Controllers.
    """
    asked = set(range(len(setup.controllers)) if owners is None else owners)
    told = known or [KnownHours()] * len(days)
    calm = [calm_hours(setup, of_day, some)
            for (of_day, _), some in zip(days, told, strict=True)]
    heard = owners_of(setup, {key: one for _, levels in days for key, one in levels.items()})
    loud = asked & heard.union(*calm)
    rows = [activity(owner, times, edges, runs)
            for owner, times, runs, edges in heard_of(setup, readings, {}, asked - loud)]
    nothing = np.empty(0, np.int64)
    for (of_day, levels), hours in zip(days, calm, strict=True) if loud else ():
        left = {owner: some for owner, some in hours.items() if some and owner in loud}
        rest = {key: records.without(hours.get(owner_of(setup, key[0]), {}))
                for key, records in levels.items()}
        for owner, times, runs, edges in heard_of(setup, of_day, rest, loud):
            rows.append(activity(owner, times, edges, runs, left.pop(owner, None)))
        rows += [activity(owner, nothing, nothing, nothing, some) for owner, some in left.items()]
    return rows
