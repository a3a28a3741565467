"""Our own chain of steps as far as the lean rivals go: `actuations` alone.

No hours, no polling, nothing carried over and nothing written; row groups away from every command
are not read, as a rival may leave them out too. Bounces, retries, neighbours on the rail, noise and
where a sag ends are in it all the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from remanence.analytics.pairing import commands as steps
from remanence.analytics.pairing.carry_over import CarryOver
from remanence.analytics.pairing.edges import changes, levels_said
from remanence.analytics.pairing.movements import (
    movements,
    releases,
    supply_outcomes,
    with_attempts,
)
from remanence.analytics.pairing.rails import NOISE_US, rail_figures
from remanence.analytics.pairing.tables import actuations
from remanence.analytics.pairing.windows import rail_windows
from remanence.analytics.pairing.wiring import Wiring
from remanence.pipelines.derive.records import Group, StoreReader, day_us
from remanence.pipelines.sheets.refresh import load_venue


class _NearCommands(StoreReader):
    """Row groups away from every command's window are left out."""

    def near(self, windows: pl.DataFrame) -> _NearCommands:
        """Take note of the windows."""
        self.begin = np.sort(windows["start"].to_numpy() - NOISE_US)
        self.end = np.sort(windows["done_at"].to_numpy())
        return self

    def groups(self, wiring: Wiring, days: Sequence[date], since: int) -> list[Group]:
        every = super().groups(wiring, days, since)
        begun = np.searchsorted(self.begin, [group.last for group in every], "right")
        over = np.searchsorted(self.end, [group.first for group in every])
        return [group for group, some in zip(every, begun > over, strict=True) if some]


def main_columns(folder: Path) -> pl.DataFrame:
    """ACTUATIONS of a whole store (``resolution_ms`` and ``clock_ms`` left null)."""
    venue, _ = load_venue(folder)
    wiring = Wiring.of(venue, {})
    nothing = CarryOver.nothing(wiring)
    reader = _NearCommands(folder / "store")
    days = list(reader.marks)
    records = reader.edges(wiring, days)
    rest = nothing.commands.select("lock", before="on")
    edges = changes(levels_said(records, wiring, "command", "fires"), rest)
    edges = steps.with_others_on(edges, rest, wiring).with_columns(again=None, ahead=0)
    contacts = changes(levels_said(records, wiring, "contact", "open_value"), rest)
    commands = steps.pulses(edges, wiring)

    windows = rail_windows(commands, edges, steps.coils_on(edges, wiring), wiring).sort("done_at")
    tasks = windows.partition_by("rail", as_dict=True)
    until = day_us(days[-1] + timedelta(days=1))
    figures = []
    for stretch in reader.near(windows).stretches(wiring, days, day_us(days[0]), until, None):
        over = 1 << 62 if stretch.end == until else stretch.end
        for (quantity, channel), readings in stretch.levels:
            if quantity == "volts":
                rail = (wiring.rails[channel],)
                due = int(tasks[rail]["done_at"].search_sorted(over))
                now, tasks[rail] = tasks[rail][:due], tasks[rail][due:]
                figures.append(now.select("lock", start="instant").hstack(pl.DataFrame(
                    rail_figures(now, readings.samples()), nan_to_null=True)))

    last = records.group_by("controller").agg(
        pl.col("run").last(), time=pl.col("time").max() // 1000)
    commands = steps.with_waits(
        commands, nothing.breaks, last.select(steps.LAST_WORDS.names()))
    moves = movements(contacts.with_columns(
        other_lock=None, other_time=None), commands, wiring.settle_us)
    commands = releases(commands, contacts, moves, nothing.locks)
    commands = commands.join(pl.concat(figures).with_columns(amps=None), on=["lock", "start"],
                             how="left")
    commands = with_attempts(supply_outcomes(commands), moves, wiring.retry_us)
    return actuations(commands.with_columns(resolution_ms=None, clock_ms=None))
