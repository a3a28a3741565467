"""Pairing one UTC day at a time, each going on from what the day before left.

Three parts, so that the reading of volts, which is nearly all of the work, can be
spread over processors: :func:`pair_edges` must go from day to day but looks at few
records; :func:`read_rails` looks at all the volts of a day, in any order of days;
:func:`finish` puts the two together, from day to day again.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import polars as pl

from analytics import pairing_tables as made
from analytics.pairing_hours import activity, activity_table, rail_hours, rail_hours_table
from analytics.pairing_levels import EARLY, NEVER, Edges, Flags, Ints, Samples
from analytics.pairing_rails import FIGURES, rail_figures
from analytics.pairing_readings import Levels, heard_of
from analytics.pairing_setup import Setup
from analytics.pairing_state import Carry, Readings, Step, advance
from analytics.pairing_windows import Before, Breaks
from analytics.rail_windows import done_at, looked_at_from
from shared.venue import Venue

POLLED = pl.Schema({
    "controller": pl.String(), "day": pl.Date(), "resolution_ms": pl.Float64()})


@dataclass(frozen=True)
class DayState:
    """What one day leaves to the next."""

    carry: Carry
    figures: pl.DataFrame
    """FIGURES of commands that are not final yet."""
    polling: pl.DataFrame
    """POLLED of the days of those commands."""
    supply_last: Mapping[int, tuple[int, int, int]] = field(default_factory=dict)
    until: int = EARLY

    @classmethod
    def nothing(cls, setup: Setup) -> DayState:
        """Before the first day."""
        return cls(Carry.nothing(setup), pl.DataFrame(schema=FIGURES),
                   pl.DataFrame(schema=POLLED))


def pair_edges(setup: Setup, readings: Readings, carry: Carry, until: int) -> Step:
    """A day's commands and contacts; see :func:`analytics.pairing_state.advance`."""
    return advance(setup, readings, carry, until)


def rail_tasks(setup: Setup, step: Step, begin: int, until: int) -> tuple[Ints, int]:
    """Commands whose rail can be looked at now, and the first moment that it takes.

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
    first = looked_at_from(c.start[which])
    return which, int(first.min()) if first.size else NEVER


def read_rails(
    setup: Setup, venue: Venue, step: Step, before: Carry, which: Ints, levels: Levels,
    day_from: int,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """FIGURES of the commands ``which``, and RAIL_HOURS of the day.

    Parameters
    ----------
    setup : Setup
        The locks.
    venue : Venue
        The same, as the venue file has them.
    step : Step
        The day's.
    before : Carry
        What the day began with.
    which : array of int
        Rows of the step's commands.
    levels : mapping of (channel, quantity) to Records
        Readings before ``day_from`` are for the figures only.
    day_from : int
        Start of the day.
    """
    volts = {channel: records.samples()
             for (channel, quantity), records in levels.items() if quantity == "volts"}
    amps = {channel: records.samples()
            for (channel, quantity), records in levels.items() if quantity == "amps"}
    figures = rail_figures(
        setup, step.commands, which, step.recent,
        {setup.rail_of[name]: rail for name, rail in volts.items()},
        {setup.command_of[name]: coil for name, coil in amps.items()},
    )
    today = {}
    for name, rail in volts.items():
        at = int(np.searchsorted(rail.time, day_from, "left"))
        today[name] = Samples(rail.time[at:], rail.value[at:])
    return figures, hours_of(setup, venue, step, before, today)


def finish(
    setup: Setup, venue: Venue, step: Step, figures: pl.DataFrame, polling: pl.DataFrame,
    state: DayState, until: int, *, all_rows: bool = False,
) -> tuple[dict[str, pl.DataFrame], DayState]:
    """The day's final rows, and the state after it.

    Parameters
    ----------
    setup : Setup
        The locks.
    venue : Venue
        The same, as the venue file has them.
    step : Step
        The day's.
    figures : polars.DataFrame
        FIGURES read today.
    polling : polars.DataFrame
        POLLING of today.
    state : DayState
        After the day before.
    until : int
        The day's end.
    all_rows : bool, default False
        Give what is not final instead: what the end of the records leaves.

    Returns
    -------
    dict of str to polars.DataFrame
        ``actuations``, ``openings``, ``energisings``, ``contact_changes``.
    DayState
    """
    figures = pl.concat([state.figures, figures])
    polled = pl.concat([
        state.polling, polling.select(POLLED.names())]).unique(["controller", "day"], keep="last")
    moves, stretches = step.movement_final, step.stretches.final
    row_final = step.command_final
    if all_rows:
        row_final, moves, stretches = (np.ones_like(f) for f in (row_final, moves, stretches))
        stretches = stretches & ~step.stretches.final
    which = np.flatnonzero(row_final)
    rows = made.command_rows(step, which).join(
        figures, on=["lock", "start"], how="left", maintain_order="left")
    rows, supply_last = made.supply_outcomes(setup, rows, state.supply_last)
    tables = {
        "actuations": made.actuations(setup, venue, rows, polled),
        "openings": made.openings(setup, step, moves),
        "energisings": made.energisings(setup, step, stretches),
        "contact_changes": made.contact_changes(setup, step, moves),
    }
    pending = pl.DataFrame({
        "lock": step.commands.lock[~step.command_final],
        "start": step.commands.start[~step.command_final],
    }, schema={"lock": pl.Int64, "start": pl.Int64})
    days = pending.select(day=pl.from_epoch("start", "us").dt.date()).unique()
    return tables, DayState(
        step.carry, figures.join(pending, on=["lock", "start"], how="semi").sort("lock", "start"),
        polled.join(days, on="day", how="semi").sort("controller", "day"), supply_last, until)


def hours_of(
    setup: Setup, venue: Venue, step: Step, before: Carry, volts: Mapping[str, Samples]
) -> pl.DataFrame:
    """RAIL_HOURS of ``volts``; ``before`` is what the step began with."""
    rows: list[tuple[object, ...]] = []
    recent = step.recent
    for channel, rail in volts.items():
        place = setup.rail_of[channel]
        mine = setup.pulsed[recent.lock] & (setup.supply[recent.lock] == place)
        lock, time, on = recent.lock[mine], recent.time[mine], recent.on[mine]
        order = np.lexsort((time, lock))
        lasting = np.flatnonzero(before.releasing & setup.pulsed & (setup.supply == place))
        starts, stops = _pulses(lock[order], time[order], on[order], lasting)
        rows += rail_hours(venue.supplies[place].id, rail, starts, stops)
    return rail_hours_table(rows)


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


def activity_of(setup: Setup, readings: Readings, levels: Levels) -> pl.DataFrame:
    """ACTIVITY of every controller, out of all its records."""
    return activity_table([
        row for name, times, runs, edges in heard_of(setup, readings, levels)
        for row in activity(name, times, edges, runs)
    ])


# The state as text: locks and controllers by name, so that it outlives a change of the file.


def state_text(setup: Setup, state: DayState) -> str:
    """The state as one line of JSON; equal states give equal texts."""
    carry, before = state.carry, state.carry.before
    ids = setup.ids
    last = {ids[place]: list(told) for place, told in state.supply_last.items()}
    locks = {
        ids[i]: [
            int(carry.releasing[i]), int(carry.contact_open[i]), int(before.contact_open[i]),
            *_dated(before.contact_since[i], before.command[i]), int(before.outcome[i]),
            int(before.attempt[i]), int(before.opened[i]), *_dated(carry.on_since[i]),
            int(carry.on_run[i]),
        ]
        for i in range(setup.size)
    }
    releases = iter(carry.others.tolist())
    named = [
        [ids[lock], time, int(on), run, next(releases) if on else 0]
        for lock, time, on, run in _edge_rows(carry.commands)
    ]
    contacts = [
        [ids[edge[0]], edge[1], int(edge[2]), ids[near] if near >= 0 else None, *_dated(when)]
        for edge, near, when in zip(
            _edge_rows(carry.contacts), carry.near_lock.tolist(), carry.near_time.tolist(),
            strict=True)
    ]
    figures = [[ids[row[0]], *row[1:]] for row in state.figures.iter_rows()]
    return json.dumps({
        "until": state.until,
        "locks": locks,
        "commands": sorted(named),
        "contacts": sorted(contacts, key=lambda row: row[:3]),
        "recent": [[ids[lock], time, int(on), run]
                   for lock, time, on, run in _edge_rows(carry.recent)],
        "controllers": {
            name: [int(run), int(time)]
            for name, run, time in zip(setup.controllers, carry.last_run, carry.last_time,
                                       strict=True) if time != EARLY
        },
        "breaks": [
            [setup.controllers[owner], int(end), int(begin)]
            for owner, end, begin in zip(
                carry.breaks.controller, carry.breaks.last, carry.breaks.first, strict=True)
        ],
        "supply_last": last,
        "figures": sorted(figures, key=lambda row: row[:2]),
        "polling": [[c, d.toordinal(), r] for c, d, r in state.polling.iter_rows()],
    }, separators=(",", ":"))


def state_from(setup: Setup, text: str) -> DayState:
    """Read what :func:`state_text` wrote."""
    raw: dict[str, Any] = json.loads(text)
    place = {name: i for i, name in enumerate(setup.ids)}
    owners = {name: i for i, name in enumerate(setup.controllers)}
    fresh = Carry.nothing(setup)
    columns = [np.array(column) for column in zip(
        *(raw["locks"][name] for name in setup.ids), strict=True)]
    (releasing, contact_open, before_open, since, command, outcome, attempt, opened, on_since,
     on_run) = columns
    commands = sorted((place[row[0]], *row[1:]) for row in raw["commands"])
    contacts = sorted(((place[row[0]], *row[1:]) for row in raw["contacts"]),
                      key=lambda row: row[:3])
    last_run, last_time = fresh.last_run.copy(), fresh.last_time.copy()
    for name, (run, time) in raw["controllers"].items():
        last_run[owners[name]], last_time[owners[name]] = run, time
    breaks = sorted((owners[name], end, begin) for name, end, begin in raw["breaks"])
    carry = replace(
        fresh,
        releasing=releasing.astype(bool), contact_open=contact_open.astype(bool),
        commands=_edges([row[:4] for row in commands]),
        contacts=_edges([(*row[:3], 0) for row in contacts]),
        others=np.array([row[4] for row in commands if row[2]], np.int64),
        near_lock=np.array([place[r[3]] if r[3] is not None else -1 for r in contacts], np.int64),
        near_time=_undated([row[4] for row in contacts], EARLY),
        before=Before(before_open.astype(bool), _undated(since, NEVER), _undated(command, EARLY),
                      outcome.astype(np.int64), attempt.astype(np.int64), opened.astype(bool)),
        on_since=_undated(on_since, EARLY), on_run=on_run.astype(np.int64),
        recent=_edges([(place[row[0]], *row[1:]) for row in raw["recent"]]),
        last_run=last_run, last_time=last_time,
        breaks=Breaks(*(np.array([row[k] for row in breaks], np.int64) for k in range(3))),
    )
    figures = pl.DataFrame(
        [[place[row[0]], *row[1:]] for row in raw["figures"]], schema=FIGURES, orient="row")
    polling = pl.DataFrame(
        [[c, day - _EPOCH_ORDINAL, r] for c, day, r in raw["polling"]],
        schema={"controller": pl.String, "day": pl.Int32, "resolution_ms": pl.Float64},
        orient="row").with_columns(pl.col("day").cast(pl.Date))
    last = {place[name]: (t[0], t[1], t[2]) for name, t in raw["supply_last"].items()}
    return DayState(carry, figures, polling, last, raw["until"])


_EPOCH_ORDINAL = 719_163


def _dated(*times: Any) -> list[int | None]:
    return [None if abs(int(time)) >= NEVER else int(time) for time in times]


def _undated(times: Any, missing: int) -> Ints:
    return np.array([missing if time is None else time for time in times], np.int64)


def _edge_rows(edges: Edges) -> list[tuple[int, int, bool, int]]:
    return list(zip(edges.lock.tolist(), edges.time.tolist(), edges.on.tolist(),
                    edges.run.tolist(), strict=True))


def _edges(rows: Sequence[Sequence[Any]]) -> Edges:
    lock, time, on, run = (np.array([row[k] for row in rows], np.int64) for k in range(4))
    return Edges(lock, time, on.astype(bool), run)
