"""The store's records as arrays, taken straight from its Parquet files.

Of levels, which are nearly all there is, only times, values and the numbers that
stand for the channels are read; where a row group's statistics say that it holds one
quantity and one run, these columns are not looked at.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from analytics.pairing_levels import Ints, Reals
from analytics.pairing_readings import EdgeRecords, Records
from analytics.pairing_setup import Setup
from pipelines import store_manifest
from pipelines.quiet_hours import kept_hours
from pipelines.store_manifest import Segment
from shared.errors import StoreError

Wanted = Mapping[str, Collection[str]]
"""Channels by quantity (``volts`` or ``amps``)."""


class DayReader:
    """The store as one manifest has it, whatever is taken in meanwhile."""

    def __init__(self, folder: Path) -> None:
        manifest = store_manifest.read_manifest(folder)
        self.folder = folder
        self.segments: dict[tuple[date, str], list[Segment]] = {}
        self.rows: dict[date, int] = {}
        self.marks: dict[date, str] = {}
        for name, entry in sorted(manifest.days.items()) if manifest else []:
            day = date.fromisoformat(name)
            self.marks[day] = f"{manifest.store}-{entry.changed}"  # type: ignore[union-attr]
            self.rows[day] = sum(segment.rows for segment in entry.segments)
            for segment in entry.segments:
                self.segments.setdefault((day, segment.kind), []).append(segment)

    def edges(self, setup: Setup, days: Sequence[date]) -> tuple[EdgeRecords, EdgeRecords]:
        """Commands and contacts of some days."""
        batches = self._batches(days, "edges", None, None)
        return (_joined([_edge_records(batch, "command", setup.command_of) for batch in batches]),
                _joined([_edge_records(batch, "contact", setup.contact_of) for batch in batches]))

    def levels(
        self, days: Sequence[date], wanted: Wanted, since: int | None = None
    ) -> tuple[dict[tuple[str, str], Records], ...]:
        """Volts and amps of some channels, day by day, from ``since`` (microseconds) on."""
        room = _Room(sum(self.rows[day] for day in days))
        found = []
        for day in days:
            batches = self._batches([day], "levels", wanted, since)
            records = _by_channel(batches, wanted, room)
            found.append(self._with_hours(day, batches, records) if since is None else {
                key: every.since(since) for key, every in records.items()})
        return tuple(found)

    def _with_hours(
        self, day: date, batches: Sequence[dict[str, Any]],
        records: dict[tuple[str, str], Records],
    ) -> dict[tuple[str, str], Records]:
        """All records of a day, with what its files keep of the rails' hours."""
        notes = {batch["file"]: batch["notes"] for batch in batches}
        quiet = kept_hours(notes.values(), [
            (segment.first, segment.last) for segment in self.segments.get((day, "levels"), [])])
        return {(channel, quantity): replace(every, quiet=quiet[channel])
                if quantity == "volts" and channel in quiet else every
                for (channel, quantity), every in records.items()}

    def _batches(
        self, days: Sequence[date], kind: str, wanted: Wanted | None, since: int | None
    ) -> list[dict[str, Any]]:
        try:
            return [batch for day in days for segment in self.segments.get((day, kind), [])
                    for batch in _read(str(self.folder / segment.path), wanted, since)]
        except (OSError, pa.ArrowException) as error:
            raise StoreError(
                f"{self.folder}: the records of {days[0]} to {days[-1]} cannot be read "
                f"({str(error).splitlines()[0]}); restore the store from a copy, or delete its "
                "folder and ingest again") from None


def _read(path: str, wanted: Wanted | None, since: int | None) -> list[dict[str, Any]]:
    """The row groups of one file that may hold what is wanted: arrays by column."""
    found: list[dict[str, Any]] = []
    with pq.ParquetFile(path, read_dictionary=["channel", "quantity"], pre_buffer=False) as file:
        alike: dict[tuple[Any, Any, Any], list[int]] = {}
        columns = {file.schema.column(k).name: k for k in range(len(file.schema))}
        for number in range(file.num_row_groups):
            group = file.metadata.row_group(number)
            latest = group.column(columns["time"]).statistics
            if since is not None and latest is not None and latest.has_min_max \
                    and latest.max_raw < since:
                continue
            quantity, channel, run = (_only(group.column(columns[name]).statistics)
                                      for name in ("quantity", "channel", "run"))
            if wanted is not None and quantity is not None and (
                    not wanted.get(quantity)
                    or (channel is not None and channel not in wanted[quantity])):
                continue
            alike.setdefault((quantity, channel, run), []).append(number)
        for known, numbers in alike.items():
            names = ["time", "value", *(name for name, only in zip(
                ("quantity", "channel", "run"), known, strict=True) if only is None)]
            table = file.read_row_groups(numbers, names, use_threads=False)
            found += [_arrays(batch, *known) | {"file": path, "notes": file.metadata.metadata}
                      for batch in table.to_batches()]
    return found


def _only(statistics: Any) -> Any:
    """The one value of a column of a row group, where its statistics say so."""
    if statistics is None or not statistics.has_min_max or statistics.null_count != 0:
        return None
    return statistics.min if statistics.min == statistics.max else None


def _arrays(
    batch: pa.RecordBatch, quantity: str | None, channel: str | None, run: int | None
) -> dict[str, Any]:
    return {
        "time": _numbers(batch.column("time").view(pa.int64())),
        "value": _numbers(batch.column("value")),
        "channel": _names(batch, "channel", channel),
        "quantity": _names(batch, "quantity", quantity),
        "run": np.array([run], np.int64) if run is not None else _numbers(batch.column("run")),
    }


def _names(batch: pa.RecordBatch, name: str, only: str | None) -> tuple[Ints | None, list[str]]:
    """A column of names as numbers and what they stand for; no numbers where there is one."""
    if only is not None:
        return None, [only]
    column = batch.column(name)
    return _numbers(column.indices), column.dictionary.to_pylist()


def _numbers(column: pa.Array) -> np.ndarray:
    """A column as it lies in memory; 0 where a whole number is null, NaN where a reading is.

    (Arrow's own way there loads all of pandas, which takes longer than a few days' pairing.)
    """
    if column.null_count:
        nothing = 0 if pa.types.is_integer(column.type) else np.nan
        filled: np.ndarray = column.fill_null(nothing).to_numpy()
        return filled
    dtype = np.dtype(column.type.to_pandas_dtype())
    return np.frombuffer(
        column.buffers()[1], dtype, len(column), column.offset * dtype.itemsize)


def _edge_records(batch: dict[str, Any], quantity: str, places: Mapping[str, int]) -> EdgeRecords:
    codes, names = batch["channel"]
    place = np.array([places.get(name, -1) for name in names], np.int64)
    lock = place[codes] if codes is not None else np.repeat(place, batch["time"].size)
    kinds, quantities = batch["quantity"]
    if kinds is None:
        lock = lock if quantities == [quantity] else np.full_like(lock, -1)
    else:
        lock = np.where(np.array([name == quantity for name in quantities])[kinds], lock, -1)
    return EdgeRecords(
        lock, batch["time"], (batch["value"] > 0.5).astype(np.int64),
        np.broadcast_to(batch["run"], lock.shape)).known()


def _joined(parts: Sequence[EdgeRecords]) -> EdgeRecords:
    if not parts:
        return EdgeRecords.none()
    return EdgeRecords(*(np.concatenate([getattr(part, name) for part in parts])
                         for name in ("lock", "time", "value", "run")))


class _Room:
    """Memory for many records in one piece: the system hands out a large one far faster."""

    def __init__(self, rows: int) -> None:
        self.time, self.value = np.empty(rows, np.int64), np.empty(rows, np.float64)
        self.used = 0

    def take(self, rows: int) -> tuple[Ints, Reals]:
        """Room for some more."""
        begin, self.used = self.used, self.used + rows
        return self.time[begin:self.used], self.value[begin:self.used]


def _by_channel(
    batches: Sequence[dict[str, Any]], wanted: Wanted, room: _Room
) -> dict[tuple[str, str], Records]:
    """The records of each channel and quantity."""
    places: dict[tuple[str, str], list[tuple[dict[str, Any], Ints | None]]] = {}
    for batch in batches:
        codes, channels = batch["channel"]
        kinds, quantities = batch["quantity"]
        for kind, quantity in enumerate(quantities):
            for code, channel in enumerate(channels):
                if channel in wanted.get(quantity, ()):
                    at = _where((codes, code), (kinds, kind))
                    if at is None or at.size:
                        places.setdefault((channel, quantity), []).append((batch, at))
    return {key: _records(places[key], room) for key in sorted(places)}


def _where(*alike: tuple[Ints | None, int]) -> Ints | None:
    """Where each column has its number; None: everywhere."""
    flags = [codes == code for codes, code in alike if codes is not None]
    return np.flatnonzero(np.logical_and.reduce(flags)) if flags else None


def _records(places: Sequence[tuple[dict[str, Any], Ints | None]], room: _Room) -> Records:
    """The records at some places of some row groups, in time order."""
    sizes = [batch["time"].size if at is None else at.size for batch, at in places]
    runs = [batch["run"] if at is None or batch["run"].size == 1 else batch["run"].take(at)
            for batch, at in places]
    time, value = _gathered(places, sizes, room)
    if all(run.size == 1 and run[0] == runs[0][0] for run in runs):
        run = runs[0]
    else:
        run = np.concatenate([
            np.broadcast_to(run, (size,)) for run, size in zip(runs, sizes, strict=True)])
    if (time[1:] < time[:-1]).any():
        order = np.argsort(time, kind="stable")
        time, value, run = time[order], value[order], run if run.size == 1 else run[order]
    return Records(time, value, run)


def _gathered(
    places: Sequence[tuple[dict[str, Any], Ints | None]], sizes: Sequence[int], room: _Room
) -> tuple[Ints, Reals]:
    """Times and values, one row group after the other."""
    if len(places) == 1 and places[0][1] is None:
        return places[0][0]["time"], places[0][0]["value"]
    time, value = room.take(sum(sizes))
    begin = 0
    for (batch, at), size in zip(places, sizes, strict=True):
        for column, into in ((batch["time"], time), (batch["value"], value)):
            if at is None:
                into[begin:begin + size] = column
            else:
                column.take(at, out=into[begin:begin + size], mode="clip")
        begin += size
    return time, value
