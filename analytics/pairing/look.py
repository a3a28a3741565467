"""The levels of a span looked at stretch by stretch and channel by channel."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np
import polars as pl

from remanence.analytics.pairing.commands import LONGEST_US, REACH_US, RUNS
from remanence.analytics.pairing.edges import PLACES
from remanence.analytics.pairing.hours import activity, busy_stretches, rail_hours, runs_of
from remanence.analytics.pairing.rails import MEASURED, NOISE_US, rail_figures
from remanence.analytics.pairing.readings import NOTHING, Readings, Samples, Stretch
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
        "rail", as_dict=True, maintain_order=True).items()}
    busy = busy_stretches(edges, wiring).partition_by("rail", as_dict=True)
    said = {str(name): Readings(part["time"].to_numpy(), part["value"].to_numpy(),
                                part["run"].to_numpy())
            for (name,), part in records.sort("controller", "time").partition_by(
                "controller", as_dict=True).items()}
    figures = [pl.DataFrame(schema={
        "lock": wiring.lock, "start": pl.Int64, **dict.fromkeys(MEASURED, pl.Float64)})]
    hours, heard, runs = (
        [pl.DataFrame(schema=schema)]
        for schema in (RAIL_HOURS.schema, ACTIVITY.schema, RUNS))

    def measure(rail: str, end: int, volts: Samples, amps: dict[str, Samples]) -> None:
        due = int(np.searchsorted(tasks[rail]["done_at"].to_numpy(), end))
        now, tasks[rail] = tasks[rail][:due], tasks[rail][due:]
        if due:
            figures.append(rail_figures(now, volts, amps))

    for stretch in stretches:
        begin, end = stretch.begin, stretch.end
        over = NEVER if is_last and end == until else end
        own = {name: [said.get(name, NOTHING).within(begin, end)] for name in wiring.controllers}
        amps: dict[str, Samples] = {}
        looked_at = set()
        for (quantity, channel), readings in stretch.levels:
            now, samples = readings.within(begin, end), readings.samples()
            del readings  # (before the next channel is read)
            own[controller_of(channel)].append(now._replace(value=NOTHING.value))
            if quantity == "amps":
                amps[channel] = samples
                continue
            rail = wiring.rails[channel]
            low = int(np.searchsorted(samples.time, begin))
            hours.append(RAIL_HOURS.conform(rail_hours(
                rail, Samples(samples.time[low:], samples.value[low:]),
                busy.get((rail,), _NEVER_BUSY))))
            looked_at.add(rail)
            if rail in tasks:
                measure(rail, over, samples, amps)
            del samples, now
        for rail in sorted(tasks.keys() - looked_at):
            measure(rail, over, Samples(NOTHING.time, NOTHING.value), amps)
        for name, parts in own.items():
            time, run = _together([part for part in parts if part.time.size])
            if time.size:
                heard.append(ACTIVITY.conform(activity(name, time, run, parts[0].time)))
                runs.append(runs_of(name, time, run).select(RUNS.names()))
    return Look(pl.concat(figures), RAIL_HOURS.conform(pl.concat(hours)),
                ACTIVITY.conform(pl.concat(heard)), pl.concat(runs))


_NEVER_BUSY = pl.DataFrame(schema={"begin": pl.Int64, "end": pl.Int64})


def _together(parts: Sequence[Readings]) -> tuple[Ints, Ints]:
    """Times and runs of all channels of a controller, in order; one run if it is the same."""
    if not parts:
        return NOTHING.time, NOTHING.run
    if len({int(end) for part in parts for end in (part.run.min(), part.run.max())}) == 1:
        time = parts[0].time if len(parts) == 1 else np.sort(
            np.concatenate([part.time for part in parts]), kind="stable")
        return time, parts[0].run[:1]
    time = np.concatenate([part.time for part in parts])
    run = np.concatenate([np.broadcast_to(part.run, part.time.shape) for part in parts])
    order = np.lexsort((run, time))
    return time[order], run[order]
