"""Some days' records read from the store, and paired."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import polars as pl

from analytics.actuations import polling_of
from analytics.pairing_days import (
    DayState,
    activity_of,
    finish,
    needed_from,
    pair_edges,
    rail_tasks,
    read_rails,
    tasks_of_days,
)
from analytics.pairing_levels import NEVER, Flags
from analytics.pairing_polarity import votes
from analytics.pairing_rails import Columns, RailTasks
from analytics.pairing_readings import levels_of, readings_between, readings_of
from analytics.pairing_setup import Setup
from analytics.pairing_state import Carry, Readings, Step
from analytics.pairing_tables import tables
from pipelines import store_manifest
from shared.errors import StoreError
from shared.tables import SIGNALS
from shared.venue import Venue, controller_of

COLUMNS = ("time", "channel", "quantity", "value", "run")


def day_us(day: date) -> int:
    """Start of a UTC day, microseconds."""
    return int(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()) * 1_000_000


def day_end_us(day: date) -> int:
    """End of a UTC day, microseconds."""
    return day_us(day + timedelta(days=1))


class DayReader:
    """The store as one manifest has it, whatever is taken in meanwhile."""

    def __init__(self, folder: Path) -> None:
        manifest = store_manifest.read_manifest(folder)
        self.folder = folder
        self.paths: dict[tuple[date, str], list[str]] = {}
        self.marks: dict[date, str] = {}
        for name, entry in sorted(manifest.days.items()) if manifest else []:
            day = date.fromisoformat(name)
            self.marks[day] = f"{manifest.store}-{entry.changed}"  # type: ignore[union-attr]
            for segment in entry.segments:
                self.paths.setdefault((day, segment.kind), []).append(str(folder / segment.path))

    def edges(self, days: Sequence[date]) -> pl.DataFrame:
        """Commands and contacts of some days."""
        return self._read(days, "edges", None)

    def levels(self, days: Sequence[date], since: int | None = None) -> pl.DataFrame:
        """Volts and amps of some days, or of their part from ``since`` (microseconds) on."""
        if since is None or not days:
            return self._read(days, "levels", None)
        moment = datetime.fromtimestamp(0, UTC) + timedelta(microseconds=since)
        return self._read(days, "levels", pl.col("time") >= moment)

    def words_of(self, days: Sequence[date], setup: Setup) -> pl.DataFrame:
        """Levels of controllers that drive or watch a lock: they show that it still logged."""
        owners = {setup.controllers[place] for place in set(setup.controller.tolist())}
        channels = [name for name in setup.rail_of if controller_of(name) in owners]
        which = pl.col("quantity") == "amps"
        return self._read(days, "levels", which | pl.col("channel").is_in(channels)
                          if channels else which)

    def _read(self, days: Sequence[date], kind: str, which: pl.Expr | None) -> pl.DataFrame:
        paths = [path for day in days for path in self.paths.get((day, kind), [])]
        if not paths:
            return SIGNALS.empty().select(COLUMNS)
        try:
            frame = pl.scan_parquet(paths, hive_partitioning=False).select(COLUMNS)
            return (frame if which is None else frame.filter(which)).collect()
        except (OSError, pl.exceptions.PolarsError) as error:
            raise StoreError(
                f"{self.folder}: the records of {days[0]} to {days[-1]} cannot be read "
                f"({str(error).splitlines()[0]}); restore the store from a copy, or delete its "
                "folder and ingest again") from None


@dataclass(frozen=True)
class Job:
    """A day whose edges are paired, and what is to be read of its rails."""

    day: date
    step: Step
    tasks: RailTasks
    earlier: date | None
    """The day before that has records, if readings of its end are needed."""
    needs_before: bool
    """Whether it takes readings from before the day, be there any or not."""


@dataclass(frozen=True)
class Block:
    """Some neighbouring days of one month, paired."""

    jobs: tuple[Job, ...]
    readings: Readings
    releasing: Flags
    """Each lock's command before the first day."""


@dataclass(frozen=True)
class RailPart:
    """What the volts and amps of a block show; the figures day by day."""

    figures: tuple[Columns, ...]
    rail_hours: pl.DataFrame
    activity: pl.DataFrame
    polling: pl.DataFrame


def pair_block(
    setup: Setup, reader: DayReader, days: Sequence[date], carry: Carry, began: int,
    earlier: date | None,
) -> Block:
    """Pair the edges of neighbouring days.

    Parameters
    ----------
    setup : Setup
        The locks.
    reader : DayReader
        The store.
    days : sequence of date
        UTC days with records, in order.
    carry : Carry
        What the day before left.
    began : int
        Where the day before ended.
    earlier : date or None
        The day before that has records.
    """
    levels = levels_of(setup, reader.words_of(days, setup))
    whole = readings_of(setup, reader.edges(days), levels)
    jobs, releasing = [], carry.releasing
    for day in days:
        start, until = day_us(day), day_end_us(day)
        readings = whole if len(days) == 1 else readings_between(whole, setup, levels, start, until)
        step = pair_edges(setup, readings, carry, until)
        tasks = rail_tasks(setup, step, began, until)
        reaches_back = needed_from(tasks) < start
        jobs.append(Job(day, step, tasks, earlier if reaches_back else None, reaches_back))
        carry, began, earlier = step.carry, until, day
    return Block(tuple(jobs), whole, releasing)


def read_block(setup: Setup, venue: Venue, reader: DayReader, block: Block) -> RailPart:
    """Read the volts and amps that a block's rows rest on."""
    jobs = block.jobs
    start = day_us(jobs[0].day)
    levels = levels_of(setup, reader.levels([job.day for job in jobs]))
    today = levels
    if jobs[0].earlier is not None:
        before = levels_of(setup, reader.levels([jobs[0].earlier], needed_from(jobs[0].tasks)))
        levels = {which: before[which].followed_by(records) if which in before else records
                  for which, records in (before | today).items()}
    tasks = tasks_of_days([(day_us(job.day), job.tasks) for job in jobs])
    figures, hours = read_rails(setup, venue, tasks, block.releasing, levels, start)
    ends = np.cumsum([0, *(job.tasks.lock.size for job in jobs)])
    apart = tuple({name: column[low:high] for name, column in figures.items()}
                  for low, high in pairwise(ends))
    return RailPart(apart, hours, activity_of(setup, block.readings, today),
                    polling_of(setup, block.readings))


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
    step = pair_edges(setup, readings_of(setup, SIGNALS.empty()), state.carry, NEVER)
    tasks = rail_tasks(setup, step, state.until, NEVER)
    since = needed_from(tasks)
    levels = levels_of(setup, reader.levels([d for d in days if day_end_us(d) > since], since))
    figures, _ = read_rails(setup, venue, tasks, state.carry.releasing, levels, NEVER)
    columns, _ = finish(setup, step, figures, {}, state, NEVER, all_rows=True)
    return tables(setup, venue, columns)


def day_votes(setup: Setup, reader: DayReader, day: date) -> dict[str, list[int]]:
    """What a day's records say of the contacts of unknown sense."""
    counts = votes(setup, readings_of(setup, reader.edges([day])))
    return {setup.ids[place]: counts[place].tolist()
            for place in np.flatnonzero(counts.sum(axis=1)).tolist()}
