"""The levels of a span looked at stretch by stretch and channel by channel."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import chain, groupby
from typing import NamedTuple

import numpy as np
import polars as pl

from remanence.analytics.clocks.instants import PLACES, stamp
from remanence.analytics.pairing.commands import LONGEST_US, REACH_US, RUNS
from remanence.analytics.pairing.hours import (
    NEVER_BUSY,
    Columns,
    activity,
    busy_stretches,
    rail_hours,
    runs_of,
    stacked,
)
from remanence.analytics.pairing.rails import MEASURED, NOISE_US, rail_figures, settled_amps
from remanence.analytics.pairing.readings import NOTHING, Readings, Stretch
from remanence.analytics.pairing.windows import NEVER, rail_windows
from remanence.analytics.pairing.wiring import Wiring
from remanence.shared.tables import ACTIVITY, RAIL_HOURS
from remanence.shared.venue import controller_of

C = pl.col

LOOKS_BACK_US = NOISE_US + LONGEST_US + REACH_US
"""Levels this far before a stretch are looked at with it: a command that was not over by then may
need them."""


class Look(NamedTuple):
    """What the levels of a span show."""

    figures: pl.DataFrame
    """``lock`` and ``start`` (an instant) of commands, and MEASURED."""
    rail_hours: pl.DataFrame
    activity: pl.DataFrame
    runs: pl.DataFrame
    """RUNS of the controllers."""


def look(
    wiring: Wiring, records: pl.DataFrame, edges: pl.DataFrame, coils: pl.DataFrame,
    commands: pl.DataFrame, stretches: Iterable[Stretch], since: int, until: int, *, is_last: bool,
) -> Look:
    """Look at what rails and controllers did.

    Parameters
    ----------
    wiring : Wiring
        The locks.
    records : polars.DataFrame
        RECORDS of the span.
    edges : polars.DataFrame
        EDGES of the commands of the span, those of the last while before it, and those of commands
        that are not over.
    coils, commands : polars.DataFrame
        When these had coils on, and their pulses (:mod:`remanence.analytics.pairing.commands`).
    stretches : iterable of Stretch
        The levels of the span, one stretch after the other.
    since, until : int
        The span's begin and end [us]: of commands that were over by its begin figures are known.
    is_last : bool
        The commands that are not over by its end are looked at as they stand.
    """
    windows = rail_windows(commands.filter(C.done_at >= since * PLACES), edges, coils, wiring)
    busy = busy_stretches(coils, wiring).partition_by("rail", as_dict=True)
    said = {str(name): Readings(part["stamp"].to_numpy(), NOTHING.value, part["run"].to_numpy())
            for (name,), part in records.sort("time").with_columns(
                stamp=stamp("time")).partition_by("controller", as_dict=True).items()}
    measured: list[tuple[pl.DataFrame, Columns]] = []
    hours: list[Columns] = []
    heard: list[tuple[Columns, Columns]] = []
    was_over = -NEVER
    for begin, end, levels in stretches:
        over = NEVER if is_last and end == until else end
        due = windows.filter(C.done_at.is_between(was_over, over, closed="left")).partition_by(
            "rail", as_dict=True)
        was_over = over
        amps: dict[str, Readings] = {}
        fresh: list[tuple[pl.DataFrame, Columns]] = []
        edges_of = {name: said.get(name, NOTHING).within(begin, end)
                    for name in wiring.controllers}
        for controller, its in chain(
                groupby(levels, lambda level: controller_of(level[0][1])),
                [(name, ()) for name in wiring.controllers]):
            parts = [edges_of.pop(controller, NOTHING)]
            for (quantity, channel), readings in its:
                parts.append(readings.within(begin, end)._replace(value=NOTHING.value))
                samples = readings.samples()
                del readings  # (before the next channel is read)
                if quantity == "amps":
                    amps[channel] = samples
                    continue
                rail = (wiring.rails[channel],)
                hours.append(rail_hours(
                    rail[0], samples.within(begin, NEVER), busy.get(rail, NEVER_BUSY)))
                tasks = due.pop(rail, windows[:0])
                fresh.append((tasks, rail_figures(tasks, samples)))
                del samples
            heard += _heard(controller, parts)
            del parts  # (before the next controller's are read)
        fresh += [(tasks, rail_figures(tasks, NOTHING)) for tasks in due.values()]
        measured += [(tasks, {**figures, "amps": settled_amps(tasks, figures["cut_ms"], amps)})
                     for tasks, figures in fresh if tasks.height]
    whose = pl.concat([windows[:0], *(tasks for tasks, _ in measured)])
    return Look(
        whose.select("lock", start="instant").hstack(stacked(
            [figures for _, figures in measured],
            pl.Schema(dict.fromkeys(MEASURED, pl.Float64())))),
        RAIL_HOURS.conform(stacked(hours, RAIL_HOURS.schema)),
        ACTIVITY.conform(stacked([active for active, _ in heard], ACTIVITY.schema)),
        stacked([runs for _, runs in heard], RUNS))


def _heard(controller: str, parts: Sequence[Readings]) -> list[tuple[Columns, Columns]]:
    """ACTIVITY and RUNS of a controller, if it said anything: its edges, then its levels."""
    some = [part for part in parts if part.time.size]
    if not some:
        return []
    time = some[0].time if len(some) == 1 else np.concatenate([part.time for part in some])
    run = some[0].run[:1]
    if all((part.run == run).all() for part in some):
        time = time if len(some) == 1 else np.sort(time, kind="stable")
    else:
        run = np.concatenate([np.broadcast_to(part.run, part.time.shape) for part in some])
        order = np.lexsort((run, time))
        time, run = time[order], run[order]
    return [(activity(controller, time, run, parts[0].time), runs_of(controller, time, run))]
