"""The levels of a span looked at stretch by stretch, so that only one is held at a time."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from remanence.analytics.pairing.edges import PLACES, stamped
from remanence.analytics.pairing.hours import activity, busy_stretches, rail_hours, runs_of
from remanence.analytics.pairing.rails import LONGEST_US, NOISE_US, REACH_US, TASK, rail_figures
from remanence.analytics.pairing.readings import Levels, Records
from remanence.analytics.pairing.stretches import Columns
from remanence.analytics.pairing.wiring import Wiring
from remanence.analytics.statistics.arrays import Ints
from remanence.shared.venue import controller_of

C = pl.col

LOOKS_BACK_US = NOISE_US + LONGEST_US + REACH_US
"""Levels this far before the end of a stretch are kept: a command that is not over then may need
them."""


@dataclass(frozen=True)
class Stretch:
    """All volts and amps of some whole hours."""

    begin: int
    end: int
    levels: Levels


class Look:
    """What the levels of a span show, gathered.

    Parameters
    ----------
    wiring : Wiring
        The locks.
    records : polars.DataFrame
        RECORDS of the span.
    edges : polars.DataFrame
        EDGES of the commands of the span, those of the last while before it, and those of commands
        that are not over, by lock and time.
    commands : polars.DataFrame
        Out of :func:`remanence.analytics.pairing.commands.pulses`.
    before : mapping
        Levels of the :data:`LOOKS_BACK_US` before the span.
    begin : int
        The span's begin: of commands that were over by then the figures are known.
    """

    def __init__(
        self, wiring: Wiring, records: pl.DataFrame, edges: pl.DataFrame, commands: pl.DataFrame,
        before: Levels, begin: int,
    ) -> None:
        self.wiring = wiring
        self.figures: list[pl.DataFrame] = []
        self.hours: list[tuple[str, Columns]] = []
        self.activity: list[tuple[str, Columns]] = []
        self._runs: list[tuple[str, Ints, Ints, Ints]] = []
        facts = wiring.of_locks("rail", "pulsed", "self_cut")
        # (Readings have no place in a tick: from here on times are as they were stamped.)
        self._edges = stamped(edges.join(facts, on="lock").sort("time", "lock"), "time"
                              ).partition_by("rail", as_dict=True)
        self._busy = busy_stretches(stamped(edges, "time"), wiring).partition_by(
            "rail", as_dict=True)
        self._waiting = stamped(
            commands.filter(C.done_at >= begin * PLACES).with_columns(instant="start")
            .select("instant", *TASK).sort("instant"), "start", "end", "done_at")
        self._tails = {key: part.samples() for key, part in before.items()}
        self._said = {
            str(name): Records(part["time"].to_numpy(), np.empty(0), part["run"].to_numpy())
            for (name,), part in records.sort("controller", "time").partition_by(
                "controller", as_dict=True).items()}

    def at(self, stretch: Stretch) -> None:
        """Look at the next stretch."""
        own: dict[str, list[Records]] = {}
        for (channel, _), part in stretch.levels.items():
            own.setdefault(controller_of(channel), []).append(part)
        for name in self.wiring.controllers:
            said = self._said.get(name, Records.none())
            low, high = np.searchsorted(said.time, [stretch.begin, stretch.end])
            edges = Records(said.time[low:high], said.value, said.run[low:high])
            self._listen(name, edges, own.get(name, []))
        parts = {}
        for (channel, quantity), records in stretch.levels.items():
            samples = records.samples()
            if quantity == "volts":
                rail = self.wiring.rails[channel]
                busy = self._busy.get((rail,), _NEVER_BUSY)
                self.hours.append((rail, rail_hours(samples, busy)))
            parts[channel, quantity] = samples
        self._measure(C.done_at < stretch.end, parts)
        since = stretch.end - LOOKS_BACK_US
        for key in parts.keys() | self._tails.keys():
            every = [part.since(since) for part in (self._tails.get(key), parts.get(key)) if part]
            self._tails[key] = every[0].then(every[-1]) if len(every) > 1 else every[0].copy()

    def rest(self) -> None:
        """Look at what has come in so far of the commands that are not over."""
        self._measure(pl.lit(value=True), {})

    def runs(self) -> pl.DataFrame:
        """Stretches of records of one run, by controller, in the order of time."""
        parts = [pl.DataFrame({"run": run, "first": first, "last": last}).select(
            pl.lit(name).alias("controller"), pl.all()) for name, run, first, last in self._runs]
        nothing = pl.DataFrame(schema={"controller": pl.String, "run": pl.Int64, "first": pl.Int64,
                                       "last": pl.Int64})
        return pl.concat([nothing, *parts])

    def _measure(self, due: pl.Expr, parts: Levels) -> None:
        now = self._waiting.filter(due)
        if now.is_empty():
            return
        self._waiting = self._waiting.filter(~due)
        volts: dict[str, list[Records]] = {}
        amps: dict[str, list[Records]] = {}
        for levels in (self._tails, parts):
            for (channel, quantity), part in levels.items():
                into, name = (volts, self.wiring.rails[channel]) if quantity == "volts" \
                    else (amps, channel)
                into.setdefault(name, []).append(part)
        for (rail,), tasks in now.partition_by("rail", as_dict=True).items():
            self.figures.append(rail_figures(
                tasks, self._edges[rail,], volts.get(str(rail), ()), amps,
            ).with_columns(start=tasks["instant"]))

    def _listen(self, name: str, edges: Records, levels: Sequence[Records]) -> None:
        """What a controller logged of some whole hours."""
        parts = [part for part in (edges, *levels) if part.time.size]
        if not parts:
            return
        if len({int(part.run.min()) for part in parts} | {int(part.run.max()) for part in parts}) \
                == 1:
            time, run = _sorted(part.time for part in parts), parts[0].run[:1]
        else:
            time = np.concatenate([part.time for part in parts])
            run = np.concatenate([part.runs() for part in parts])
            order = np.lexsort((run, time))
            time, run = time[order], run[order]
        self.activity.append((name, activity(time, run, edges.time)))
        self._runs.append((name, *runs_of(time, run)))


_NEVER_BUSY = pl.DataFrame(schema={"begin": pl.Int64, "end": pl.Int64})


def _sorted(parts: Iterable[Ints]) -> Ints:
    every = list(parts)
    return every[0] if len(every) == 1 else np.sort(np.concatenate(every), kind="stable")
