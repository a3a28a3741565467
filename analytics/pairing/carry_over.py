"""What one day of pairing leaves to the next, and the same as text.

The text names locks and controllers, so that it outlives a change of the venue file.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from remanence.analytics.pairing.edges import EARLY, NEVER, Columns, Edges, Ints
from remanence.analytics.pairing.match import Before, Breaks
from remanence.analytics.pairing.rail_tasks import RAIL_COLUMNS
from remanence.analytics.pairing.setup import Setup
from remanence.analytics.pairing.step import Carry
from remanence.analytics.pairing.tables import joined


@dataclass(frozen=True)
class DayState:
    """What one day leaves to the next."""

    carry: Carry
    figures: Columns
    """What the rails showed of commands that are not final yet."""
    polled: Mapping[tuple[int, int], float] = field(default_factory=dict)
    """Resolution by controller and day (number), for the days of those commands. [ms]"""
    supply_last: Mapping[int, tuple[int, int, int]] = field(default_factory=dict)
    until: int = EARLY

    @classmethod
    def nothing(cls, setup: Setup) -> DayState:
        """Before the first day."""
        return cls(Carry.nothing(setup), no_figures())


def no_figures() -> Columns:
    """Figures of no command."""
    empty = np.empty(0, np.int64)
    return {"lock": empty, "start": empty, **{name: np.empty(0) for name in RAIL_COLUMNS}}


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
    names = list(state.figures)[2:]
    figures = [
        [ids[lock], start, *(None if value != value else value for value in row)]
        for lock, start, *row in zip(*(
            state.figures[name].tolist() for name in ("lock", "start", *names)), strict=True)
    ]
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
        "polled": sorted([setup.controllers[owner], day, resolution]
                         for (owner, day), resolution in state.polled.items()),
    }, separators=(",", ":"))


def with_others(setup: Setup, state: DayState, text: str, locks: Collection[str]) -> DayState:
    """``state`` with what only the rails tell of other locks than ``locks`` out of ``text``.

    For a state that was made looking at the rails of ``locks`` alone, and the text of the
    same day's state from before.
    """
    raw = json.loads(text)
    place = {name: i for i, name in enumerate(setup.ids) if name not in locks}
    others = _figures(place, [row for row in raw["figures"] if row[0] in place])
    last = {lock: told for lock, told in state.supply_last.items() if setup.ids[lock] in locks}
    last |= {place[name]: (told[0], told[1], told[2])
             for name, told in raw["supply_last"].items() if name in place}
    mine = np.isin(state.figures["lock"], [setup.ids.index(name) for name in locks
                                           if name in setup.ids])
    own = {name: column[mine] for name, column in state.figures.items()}
    return replace(state, figures=joined([own, others]), supply_last=last)


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
    figures = _figures(place, raw["figures"])
    polled = {(owners[name], day): resolution for name, day, resolution in raw["polled"]}
    last = {place[name]: (t[0], t[1], t[2]) for name, t in raw["supply_last"].items()}
    return DayState(carry, figures, polled, last, raw["until"])


def _figures(place: Mapping[str, int], rows: Sequence[Sequence[Any]]) -> Columns:
    figures = no_figures()
    if rows:
        values = zip(*rows, strict=True)
        figures["lock"] = np.array([place[name] for name in next(values)], np.int64)
        figures["start"] = np.array(next(values), np.int64)
        for name, column in zip(RAIL_COLUMNS, values, strict=True):
            figures[name] = np.array(
                [np.nan if value is None else value for value in column], np.float64)
    return figures


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
