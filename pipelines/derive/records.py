"""The store's records as pairing takes them: edges as a table, levels stretch by stretch.

Levels are nearly all there is, and a day of them may be more than memory holds. So they are taken
straight from the files' row groups in the order of time, and handed on some whole hours at a time,
a channel after the other. Where a row group's statistics say that it holds one channel, one
quantity and one run, as nearly all do, these columns are not read: a scan in Polars must read them
to tell, which takes half as long again.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime
from itertools import accumulate, groupby, zip_longest
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from remanence.analytics.pairing.edges import records_of
from remanence.analytics.pairing.hours import HOUR_US
from remanence.analytics.pairing.look import LOOKS_BACK_US
from remanence.analytics.pairing.readings import Key, Readings, Stretch, in_turn
from remanence.analytics.pairing.windows import NEVER
from remanence.analytics.pairing.wiring import Wiring
from remanence.pipelines.store import disk
from remanence.pipelines.store.manifest import Segment, read_manifest
from remanence.pipelines.store.segments import scan_segments
from remanence.shared.errors import StoreError
from remanence.shared.tables import SIGNALS

if TYPE_CHECKING:
    import pyarrow as pa
    import pyarrow.parquet as pq

C = pl.col

STRETCH_ROWS = 1_000_000
"""Records of levels that are looked at at a time, but for those of the hour that they end in."""

BATCH_ROWS = 65_536
"""Records that are taken from a file at a time: few enough to stay in the processor's cache."""


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
            return records_of(SIGNALS.empty(), wiring)
        with self._told_of(days[0]):
            for path in {segment.path for segment in segments}:
                disk.check(self.folder / path)
            return records_of(scan_segments(self.folder, segments).select(
                "time", "channel", "quantity", "value", "run", "place").collect(), wiring)

    def stretches(
        self, wiring: Wiring, days: Sequence[date], begin: int, end: int, earlier: date | None
    ) -> Iterator[Stretch]:
        """The levels of some days, in whole hours from ``begin`` to ``end`` [us].

        Those of the end of the day ``earlier`` are looked at with them.
        """
        with self._told_of(days[0]):
            groups = self.groups(
                wiring, [*([earlier] if earlier else []), *days], begin - LOOKS_BACK_US)
            held: dict[Key, Readings] = {}
            taken: list[Group] = []
            rows = 0
            if not groups:
                yield Stretch(begin, end, ())
            for group, following in zip_longest(groups, groups[1:]):
                taken.append(group)
                rows += group.rows
                # All that is not read yet begins there or later.
                cut = following.first // HOUR_US * HOUR_US if following else end
                if following is None or (cut > begin and rows >= STRETCH_ROWS):
                    yield Stretch(begin, cut, _levels(held, taken, wiring, cut))
                    begin, taken, rows = cut, [], 0

    def groups(self, wiring: Wiring, days: Sequence[date], since: int) -> list[Group]:
        """The row groups that may hold levels of some days from ``since`` on, by their begin."""
        files: dict[str, _File] = {}
        return sorted((
            group for day in days for segment in self.segments.get((day, "levels"), [])
            if segment.last >= since
            for group in _groups_of(_opened(files, self.folder, segment), segment)
            if group.last >= since and group.may_be_among(wiring)),
            key=lambda group: group.first)

    @contextmanager
    def _told_of(self, day: date) -> Iterator[None]:
        """Words for a file that is missing or damaged."""
        import pyarrow as pa

        try:
            yield
        except (OSError, pa.ArrowException, pl.exceptions.PolarsError) as error:
            raise StoreError(
                f"{self.folder}: the records from {day} on cannot be read "
                f"({str(error).splitlines()[0]}); see what is lost, and what can be had back, "
                "with: remanence verify VENUE") from None


def _levels(
    held: dict[Key, Readings], groups: list[Group], wiring: Wiring, cut: int
) -> Iterator[tuple[Key, Readings]]:
    """Levels up to ``cut``, a channel after the other; in ``held`` stays what is needed later."""
    parts: dict[Key, list[Group | Readings]] = {key: [part] for key, part in held.items()}
    for group in groups:
        for key, part in group.parts(wiring):
            parts.setdefault(key, []).append(part)
    for key in in_turn(parts):
        every = _joined(parts.pop(key))
        rest = every.within(cut - LOOKS_BACK_US, NEVER)
        held[key] = Readings(rest.time.copy(), rest.value.copy(), rest.run.copy())
        yield key, every.within(-NEVER, cut)
        del every, rest  # (before the next channel is read)


def _joined(parts: list[Group | Readings]) -> Readings:
    """Parts of one channel's records, each in the order of time; they may overlap."""
    rows = sum(part.rows if isinstance(part, Group) else part.time.size for part in parts)
    # (One block for both: one so large goes back to the system whole, once nobody needs it.)
    block = np.empty((2, rows), np.int64)
    time, value, at, runs = block[0], block[1].view(np.float64), 0, []
    for readings in _read(parts):
        stop = at + readings.time.size
        time[at:stop], value[at:stop] = readings.time, readings.value
        runs.append((readings.run, stop - at))
        at = stop
    alike = len({int(run[0]) if run.size == 1 else None for run, count in runs if count}) == 1 \
        and runs[-1][0].size == 1
    run = runs[-1][0] if alike else np.concatenate([np.broadcast_to(run, n) for run, n in runs])
    if (time[1:] < time[:-1]).any():  # lines that came late lie in a file of their own
        order = np.argsort(time, kind="stable")
        time, value, run = time[order], value[order], run if alike else run[order]
    return Readings(time, value, run)


def _read(parts: list[Group | Readings]) -> Iterator[Readings]:
    """The records of such parts, a batch after the other. NaN where a reading is null."""
    for (file, run), some in groupby(parts, lambda part: (
            (part.file, part.run) if isinstance(part, Group) else (None, None))):
        if file is None:
            yield from some  # type: ignore[misc]
            continue
        for batch in file.iter_batches(
                BATCH_ROWS, [group.number for group in some],  # type: ignore[union-attr]
                ["time", "value", *(["run"] if run is None else [])], use_threads=False):
            yield Readings(_numbers(batch["time"]), _numbers(batch["value"]),
                           _numbers(batch["run"]) if run is None else np.array([run]))


@dataclass(frozen=True)
class Group:
    """A row group; channel, quantity and run are None where its statistics do not say one."""

    file: pq.ParquetFile
    number: int
    rows: int
    first: int
    last: int
    quantity: str | None
    channel: str | None
    run: int | None

    def may_be_among(self, wiring: Wiring) -> bool:
        """Whether it may hold levels that pairing looks at."""
        return self.channel is None or self.quantity is None \
            or (self.quantity, self.channel) in wiring.levels

    def parts(self, wiring: Wiring) -> Iterator[tuple[Key, Group | Readings]]:
        """By channel and quantity: itself, to be read later, or its records if it has several."""
        if self.channel is not None and self.quantity is not None:
            yield (self.quantity, self.channel), self
            return
        table = self.file.read_row_group(
            self.number, ["time", "value", "run", "channel", "quantity"], use_threads=False)
        frame = pl.DataFrame(pl.from_arrow(table)).select(
            "quantity", "channel", C.time.to_physical(), C.value.fill_null(float("nan")),
            C.run.fill_null(0))
        for (quantity, channel), rows in frame.partition_by(
                "quantity", "channel", as_dict=True, maintain_order=True).items():
            if (quantity, channel) in wiring.levels:
                yield (str(quantity), str(channel)), Readings(
                    rows["time"].to_numpy(), rows["value"].to_numpy(), rows["run"].to_numpy())


def _numbers(array: pa.Array) -> np.ndarray:
    """A column as it lies in memory; 0 where a run is null, NaN where a reading is.

    (Asked for it, pyarrow would load all of pandas to convert it.)
    """
    import pyarrow as pa

    if array.null_count:
        array = array.fill_null(np.nan if pa.types.is_floating(array.type) else 0)
    dtype = np.float64 if pa.types.is_floating(array.type) else np.int64
    return np.frombuffer(array.buffers()[1], dtype, len(array), array.offset * 8)


@dataclass(frozen=True)
class _File:
    """An open file, the number of each column, and the row that each row group begins with."""

    file: pq.ParquetFile
    columns: dict[str, int]
    begins: list[int]


def _opened(files: dict[str, _File], folder: Path, segment: Segment) -> _File:
    """The file of a segment, among those open or opened."""
    import pyarrow.parquet as pq

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


def _groups_of(opened: _File, segment: Segment) -> Iterator[Group]:
    """The row groups of one segment."""
    file, columns, begins = opened.file, opened.columns, opened.begins
    numbers = range(len(begins) - 1)
    if segment.at is not None:  # (a day begins and ends with a row group)
        numbers = range(bisect_left(begins, segment.at),
                        bisect_left(begins, segment.at + segment.rows))
    for number in numbers:
        group = file.metadata.row_group(number)
        only = (_only(group.column(columns[name]).statistics)
                for name in ("quantity", "channel", "run"))
        times = group.column(columns["time"]).statistics
        told = times is not None and times.has_min_max
        yield Group(file, number, group.num_rows, times.min_raw if told else segment.first,
                     times.max_raw if told else segment.last, *only)


def _only(statistics: Any) -> Any:
    """The one value of a column of a row group, where its statistics say so."""
    if statistics is None or not statistics.has_min_max or statistics.null_count != 0:
        return None
    return statistics.min if statistics.min == statistics.max else None


def day_us(day: date) -> int:
    """Start of a UTC day, microseconds."""
    return int(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()) * 1_000_000
