"""The levels of a span looked at stretch by stretch and channel by channel."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np
import polars as pl

from remanence.analytics.pairing.commands import LONGEST_US, REACH_US, RUNS
from remanence.analytics.pairing.edges import PLACES, stamp
from remanence.analytics.pairing.hours import (
    NEVER_BUSY,
    Columns,
    activity,
    busy_stretches,
    rail_hours,
    runs_of,
    stacked,
)
from remanence.analytics.pairing.rails import MEASURED, NOISE_US, rail_figures
from remanence.analytics.pairing.readings import NO_SAMPLES, NOTHING, Readings, Samples, Stretch
from remanence.analytics.pairing.windows import NEVER, rail_windows
from remanence.analytics.pairing.wiring import Wiring
from remanence.analytics.statistics.arrays import Ints
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
    wiring: Wiring, records: pl.DataFrame, edges: pl.DataFrame, commands: pl.DataFrame,
    stretches: Iterable[Stretch], since: int, until: int, *, is_last: bool,
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
    commands : polars.DataFrame
        Out of :func:`remanence.analytics.pairing.commands.pulses`.
    stretches : iterable of Stretch
        The levels of the span, one stretch after the other.
    since, until : int
        The span's begin and end: of commands that were over by its begin the figures are known.
    is_last : bool
        The commands that are not over by its end are looked at as they stand.
    """
    windows = rail_windows(commands.filter(C.done_at >= since * PLACES), edges, wiring)
    tasks = {str(rail): part for (rail,), part in windows.sort("done_at").partition_by(
        "rail", as_dict=True).items()}
    busy = busy_stretches(edges, wiring).partition_by("rail", as_dict=True)
    said = {str(name): Readings(part["stamp"].to_numpy(), NOTHING.value, part["run"].to_numpy())
            for (name,), part in records.sort("time").with_columns(
                stamp=stamp("time")).partition_by("controller", as_dict=True).items()}

    measured: list[tuple[pl.DataFrame, Columns]] = []
    hours: list[Columns] = []
    heard: list[Columns] = []
    runs: list[Columns] = []

    def measure(rail: str, volts: Samples, amps: dict[str, Samples], over: int) -> None:
        """Figures of a rail's commands that are over, and not measured yet."""
        due = int(tasks[rail]["done_at"].search_sorted(over))
        now, tasks[rail] = tasks[rail][:due], tasks[rail][due:]
        if due:
            measured.append((now, rail_figures(now, volts, amps)))

    for begin, end, levels in stretches:
        over = NEVER if is_last and end == until else end
        own = {name: [said.get(name, NOTHING).within(begin, end)] for name in wiring.controllers}
        amps: dict[str, Samples] = {}
        unread = set(tasks)
        for (quantity, channel), readings in levels:
            now, samples = readings.within(begin, end), readings.samples()
            del readings  # (before the next channel is read)
            own[controller_of(channel)].append(now._replace(value=NOTHING.value))
            if quantity == "amps":
                amps[channel] = samples
                continue
            rail = wiring.rails[channel]
            hours.append(rail_hours(
                rail, samples.since(begin), busy.get((rail,), NEVER_BUSY)))
            if rail in unread:
                unread.remove(rail)
                measure(rail, samples, amps, over)
            del samples, now
        for rail in sorted(unread):
            measure(rail, NO_SAMPLES, amps, over)
        for name, parts in own.items():
            if some := [part for part in parts if part.time.size]:
                time, run = _together(some)
                heard.append(activity(name, time, run, parts[0].time))
                runs.append(runs_of(name, time, run))
    whose = pl.concat([windows[:0], *(now for now, _ in measured)])
    return Look(
        whose.select("lock", start="instant").hstack(stacked(
            [found for _, found in measured], pl.Schema(dict.fromkeys(MEASURED, pl.Float64())))),
        RAIL_HOURS.conform(stacked(hours, RAIL_HOURS.schema)),
        ACTIVITY.conform(stacked(heard, ACTIVITY.schema)), stacked(runs, RUNS))


def _together(parts: Sequence[Readings]) -> tuple[Ints, Ints]:
    """Times and runs of all channels of a controller, in order; one run if it is the same."""
    if len({int(end) for part in parts for end in (part.run.min(), part.run.max())}) == 1:
        time = parts[0].time if len(parts) == 1 else np.sort(
            np.concatenate([part.time for part in parts]), kind="stable")
        return time, parts[0].run[:1]
    time = np.concatenate([part.time for part in parts])
    run = np.concatenate([np.broadcast_to(part.run, part.time.shape) for part in parts])
    order = np.lexsort((run, time))
    return time[order], run[order]
