"""The store's records as pairing takes them: edges as a table, levels stretch by stretch.

Levels are nearly all there is, and a day of them may be more than memory holds. So they are taken
straight from the files' row groups in the order of time, and handed on some whole hours at a time.
Where a row group's statistics say that it holds one channel, one quantity and one run, as nearly
all do, these columns are not looked at.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from itertools import accumulate, pairwise, zip_longest
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from remanence.analytics.pairing.edges import RECORDS, records_of
from remanence.analytics.pairing.hours import HOUR_US
from remanence.analytics.pairing.look import Stretch
from remanence.analytics.pairing.readings import Records
from remanence.analytics.pairing.wiring import Wiring
from remanence.pipelines.store import disk
from remanence.pipelines.store.manifest import Segment, read_manifest
from remanence.pipelines.store.segments import scan_segments
from remanence.shared.errors import StoreError

STRETCH_ROWS = 1_000_000
"""Records of levels that are held at a time, but for those of the hour that they end in."""

Key = tuple[str, str]
"""Channel and quantity."""


class StoreReader:
    """The store as one manifest has it, whatever is taken in meanwhile."""

    def __init__(self, folder: Path) -> None:
        manifest = read_manifest(folder)
        self.folder = folder
        self.segments: dict[tuple[date, str], list[Segment]] = {}
        self.rows: dict[date, int] = {}
        self.edge_rows: dict[date, int] = {}
        self.marks: dict[date, str] = {}
        """By day, a text that changes whenever its records do."""
        for name, entry in sorted(manifest.days.items()) if manifest else []:
            day = date.fromisoformat(name)
            self.marks[day] = f"{manifest.store}-{entry.changed}"  # type: ignore[union-attr]
            self.rows[day] = sum(segment.rows for segment in entry.segments)
            self.edge_rows[day] = sum(
                segment.rows for segment in entry.segments if segment.kind == "edges")
            for segment in entry.segments:
                self.segments.setdefault((day, segment.kind), []).append(segment)

    def edges(self, wiring: Wiring, days: Sequence[date]) -> pl.DataFrame:
        """RECORDS of some days."""
        segments = [segment for day in days for segment in self.segments.get((day, "edges"), [])]
        if not segments:
            return pl.DataFrame(schema=RECORDS)
        with self._told_of(days[0]):
            for path in {segment.path for segment in segments}:
                disk.check(self.folder / path)
            return records_of(scan_segments(self.folder, segments).select(
                "time", "channel", "quantity", "value", "run", "place").collect(), wiring)

    def stretches(
        self, wiring: Wiring, days: Sequence[date], begin: int, end: int
    ) -> Iterator[Stretch]:
        """The levels of some days, in whole hours from ``begin`` to ``end`` [us]."""
        segments = [segment for day in days for segment in self.segments.get((day, "levels"), [])]
        with self._told_of(days[0]):
            files: dict[str, _File] = {}
            groups = sorted(
                (group for segment in segments
                 for group in _groups_of(_opened(files, self.folder, segment), segment)
                 if group.may_be_among(wiring)), key=lambda group: group.first)
            held: dict[Key, list[Records]] = {}
            rows = 0
            for group, following in zip_longest(groups, groups[1:]):
                for key, records in group.records(wiring):
                    held.setdefault(key, []).append(records)
                    rows += records.time.size
                # All that is not read yet begins there or later.
                cut = following.first // HOUR_US * HOUR_US if following else begin
                if cut > begin and rows >= STRETCH_ROWS:
                    yield Stretch(begin, cut, _taken(held, cut))
                    begin, rows = cut, sum(part.time.size for parts in held.values()
                                           for part in parts)
            yield Stretch(begin, end, _taken(held, end))

    def tail(self, wiring: Wiring, day: date, since: int) -> Mapping[Key, Records]:
        """The levels of a day from ``since`` on [us]."""
        held: dict[Key, list[Records]] = {}
        with self._told_of(day):
            for segment in self.segments.get((day, "levels"), []):
                if segment.last >= since:
                    for group in _groups_of(_opened({}, self.folder, segment), segment):
                        if group.last >= since and group.may_be_among(wiring):
                            for key, records in group.records(wiring):
                                held.setdefault(key, []).append(records.since(since))
        return {key: _joined(parts) for key, parts in held.items()}

    @contextmanager
    def _told_of(self, day: date) -> Iterator[None]:
        """Words for a file that is missing or damaged."""
        try:
            yield
        except (OSError, pa.ArrowException, pl.exceptions.PolarsError) as error:
            raise StoreError(
                f"{self.folder}: the records from {day} on cannot be read "
                f"({str(error).splitlines()[0]}); see what is lost, and what can be had back, "
                "with: remanence verify VENUE") from None


def _taken(held: dict[Key, list[Records]], cut: int) -> dict[Key, Records]:
    """What lies before ``cut``; the rest stays in ``held``."""
    found = {}
    for key in sorted(held):
        every = _joined(held.pop(key))
        at = int(np.searchsorted(every.time, cut))
        if at < every.time.size:
            held[key] = [every.since(cut).copy()]
            every = replace(every, time=every.time[:at], value=every.value[:at],
                            run=every.run if every.run.size == 1 else every.run[:at])
        if at:
            found[key] = every
    return found


def _joined(parts: list[Records]) -> Records:
    """Parts of one channel's records as one, in the order of time, as each of them is."""
    every = parts[0]
    if len(parts) > 1:
        alike = all(part.run.size == 1 and part.run[0] == parts[0].run[0] for part in parts)
        every = Records(
            np.concatenate([part.time for part in parts]),
            np.concatenate([part.value for part in parts]),
            parts[0].run if alike else np.concatenate([part.runs() for part in parts]))
    if any(a.time[-1] > b.time[0] for a, b in pairwise(part for part in parts if part.time.size)):
        order = np.argsort(every.time, kind="stable")
        every = Records(every.time[order], every.value[order],
                        every.run if every.run.size == 1 else every.run[order])
    return every


@dataclass(frozen=True)
class _Group:
    """A row group; channel, quantity and run are None where its statistics do not say one."""

    file: pq.ParquetFile
    number: int
    first: int
    last: int
    channel: str | None
    quantity: str | None
    run: int | None

    def may_be_among(self, wiring: Wiring) -> bool:
        """Whether it may hold levels that pairing looks at."""
        return self.channel is None or self.quantity is None \
            or _is_wanted(wiring, self.channel, self.quantity)

    def records(self, wiring: Wiring) -> Iterator[tuple[Key, Records]]:
        """Its records by channel and quantity, of those that pairing looks at."""
        known = {"channel": self.channel, "quantity": self.quantity, "run": self.run}
        table = self.file.read_row_group(
            self.number, ["time", "value", *(name for name, told in known.items() if told is None)],
            use_threads=False)
        time, value = (_numbers(table, name) for name in ("time", "value"))
        run = np.array([self.run]) if self.run is not None else _numbers(table, "run")
        if self.channel is not None and self.quantity is not None:
            yield (self.channel, self.quantity), Records(time, value, run)
            return
        whose = pl.DataFrame({
            name: pl.from_arrow(table.column(name)) if told is None
            else pl.repeat(told, table.num_rows, eager=True)
            for name, told in known.items() if name != "run"}).with_row_index()
        for (channel, quantity), rows in whose.partition_by(
                "channel", "quantity", as_dict=True).items():
            if _is_wanted(wiring, str(channel), str(quantity)):
                at = rows["index"].to_numpy()
                yield (str(channel), str(quantity)), Records(
                    time[at], value[at], run if run.size == 1 else run[at])


def _is_wanted(wiring: Wiring, channel: str, quantity: str) -> bool:
    return channel in (wiring.rails if quantity == "volts" else
                       wiring.command_channels if quantity == "amps" else ())


def _numbers(table: pa.Table, name: str) -> np.ndarray:
    """A column of our own; 0 where a run is null, NaN where a reading is.

    (Copied, so that the memory of the row group can be used for the next one.)
    """
    column = table.column(name).combine_chunks()
    if name == "time":
        column = column.view(pa.int64())
    if column.null_count:
        column = column.fill_null(np.nan if pa.types.is_floating(column.type) else 0)
    dtype = np.dtype(column.type.to_pandas_dtype())
    return np.frombuffer(
        column.buffers()[1], dtype, len(column), column.offset * dtype.itemsize).copy()


@dataclass(frozen=True)
class _File:
    """An open file, the number of each column, and the row that each row group begins with."""

    file: pq.ParquetFile
    columns: dict[str, int]
    begins: list[int]


def _opened(files: dict[str, _File], folder: Path, segment: Segment) -> _File:
    """The file of a segment, among those open or opened."""
    if segment.path not in files:
        path = folder / segment.path
        disk.check(path)
        file = pq.ParquetFile(str(path), pre_buffer=False, read_dictionary=["channel", "quantity"])
        metadata = file.metadata
        files[segment.path] = _File(
            file, {metadata.schema.column(k).name: k for k in range(len(metadata.schema))},
            [0, *accumulate(metadata.row_group(k).num_rows
                            for k in range(metadata.num_row_groups))])
    return files[segment.path]


def _groups_of(opened: _File, segment: Segment) -> Iterator[_Group]:
    """The row groups of one segment."""
    file, columns, begins = opened.file, opened.columns, opened.begins
    numbers = range(len(begins) - 1)
    if segment.at is not None:  # (a day begins and ends with a row group)
        numbers = range(bisect_left(begins, segment.at),
                        bisect_left(begins, segment.at + segment.rows))
    for number in numbers:
        group = file.metadata.row_group(number)
        channel, quantity, run = (_only(group.column(columns[name]).statistics)
                                  for name in ("channel", "quantity", "run"))
        times = group.column(columns["time"]).statistics
        told = times is not None and times.has_min_max
        yield _Group(file, number, times.min_raw if told else segment.first,
                     times.max_raw if told else segment.last, channel, quantity, run)


def _only(statistics: Any) -> Any:
    """The one value of a column of a row group, where its statistics say so."""
    if statistics is None or not statistics.has_min_max or statistics.null_count != 0:
        return None
    return statistics.min if statistics.min == statistics.max else None


def day_us(day: date) -> int:
    """Start of a UTC day, microseconds."""
    return int(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()) * 1_000_000
