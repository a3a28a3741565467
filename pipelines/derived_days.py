"""One day's records read from the store, and paired."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from analytics.actuations import polling_of
from analytics.pairing_days import (
    DayState,
    activity_of,
    finish,
    pair_edges,
    rail_tasks,
    read_rails,
)
from analytics.pairing_levels import NEVER, Ints
from analytics.pairing_polarity import votes
from analytics.pairing_readings import levels_of, readings_of
from analytics.pairing_setup import Setup
from analytics.pairing_state import Carry, Readings, Step
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

    def edges(self, day: date) -> pl.DataFrame:
        """Commands and contacts of a day."""
        return self._read(day, "edges", pl.lit(True))

    def levels(self, day: date, since: int | None = None) -> pl.DataFrame:
        """Volts and amps of a day, or of its part from ``since`` (microseconds) on."""
        return self._read(day, "levels", pl.lit(True) if since is None else (
            pl.col("time") >= datetime.fromtimestamp(0, UTC) + timedelta(microseconds=since)))

    def words_of(self, day: date, setup: Setup) -> pl.DataFrame:
        """Levels of controllers that drive or watch a lock: they show that it still logged."""
        owners = {setup.controllers[place] for place in set(setup.controller.tolist())}
        channels = [name for name in setup.rail_of if controller_of(name) in owners]
        return self._read(day, "levels", (pl.col("quantity") == "amps") | (
            pl.col("channel").is_in(channels) if channels else pl.lit(False)))

    def _read(self, day: date, kind: str, which: pl.Expr) -> pl.DataFrame:
        paths = self.paths.get((day, kind), [])
        if not paths:
            return SIGNALS.empty().select(COLUMNS)
        try:
            return pl.scan_parquet(paths, hive_partitioning=False).select(COLUMNS).filter(
                which).collect()
        except (OSError, pl.exceptions.PolarsError) as error:
            raise StoreError(
                f"{paths[0]} cannot be read ({str(error).splitlines()[0]}); restore the store "
                "from a copy, or delete its folder and ingest again") from None


@dataclass(frozen=True)
class Job:
    """A day whose edges are paired, and what is to be read of its rails."""

    day: date
    before: Carry
    step: Step
    readings: Readings
    which: Ints
    needed_from: int
    earlier: date | None
    """The day before that has records, if readings of its end are needed."""
    needs_before: bool
    """Whether it takes readings from before the day, be there any or not."""


@dataclass(frozen=True)
class RailPart:
    """What a day's volts and amps show."""

    figures: pl.DataFrame
    rail_hours: pl.DataFrame
    activity: pl.DataFrame
    polling: pl.DataFrame


def pair_day(
    setup: Setup, reader: DayReader, day: date, carry: Carry, began: int, earlier: date | None
) -> Job:
    """Pair one day's edges.

    Parameters
    ----------
    setup : Setup
        The locks.
    reader : DayReader
        The store.
    day : date
        The UTC day.
    carry : Carry
        What the day before left.
    began : int
        Where the day before ended.
    earlier : date or None
        The day before that has records.
    """
    edges = reader.edges(day)
    readings = readings_of(setup, edges, levels_of(setup, reader.words_of(day, setup)))
    until = day_end_us(day)
    step = pair_edges(setup, readings, carry, until)
    which, needed_from = rail_tasks(setup, step, began, until)
    reaches_back = needed_from < day_us(day)
    return Job(day, carry, step, readings, which, needed_from,
               earlier if reaches_back else None, reaches_back)


def read_day(setup: Setup, venue: Venue, reader: DayReader, job: Job) -> RailPart:
    """Read the volts and amps that a day's rows rest on."""
    frame = reader.levels(job.day)
    if job.earlier is not None:
        frame = pl.concat([reader.levels(job.earlier, job.needed_from), frame])
    levels = levels_of(setup, frame)
    start = day_us(job.day)
    figures, hours = read_rails(
        setup, venue, job.step, job.before, job.which, levels, start)
    today = {which: records.since(start) for which, records in levels.items()} \
        if job.earlier is not None else levels
    return RailPart(figures, hours, activity_of(setup, job.readings, today),
                    polling_of(setup, job.readings))


def finish_day(
    setup: Setup, venue: Venue, job: Job, part: RailPart, state: DayState
) -> tuple[dict[str, pl.DataFrame], DayState]:
    """The day's rows of every table, and what it leaves to the next."""
    tables, after = finish(
        setup, venue, job.step, part.figures, part.polling, state, day_end_us(job.day))
    tables |= {"rail_hours": part.rail_hours, "activity": part.activity, "polling": part.polling}
    return tables, after


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
    empty = SIGNALS.empty()
    step = pair_edges(setup, readings_of(setup, empty), state.carry, NEVER)
    which, needed_from = rail_tasks(setup, step, state.until, NEVER)
    levels = pl.concat([SIGNALS.empty().select(COLUMNS)] + [
        reader.levels(day, needed_from) for day in days if day_end_us(day) > needed_from])
    figures, _ = read_rails(
        setup, venue, step, state.carry, which, levels_of(setup, levels), NEVER)
    tables, _ = finish(setup, venue, step, figures, polling_of(setup, readings_of(setup, empty)),
                       state, NEVER, all_rows=True)
    return tables


def day_votes(setup: Setup, reader: DayReader, day: date) -> dict[str, list[int]]:
    """What a day's records say of the contacts of unknown sense."""
    counts = votes(setup, readings_of(setup, reader.edges(day)))
    return {setup.ids[place]: counts[place].tolist()
            for place in np.flatnonzero(counts.sum(axis=1)).tolist()}
