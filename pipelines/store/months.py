"""Days of a month in one file a kind, so that ten years are some hundred files.

A month's file holds its days one after the other, each sorted as in a file of its own and with row
groups of its own, and the manifest says which rows are whose. So a day is read, changed and
derived by itself as ever. Days that come together are written so at once; a finished month that
lies in several files is joined. Lines that come late make a new file for their day; its rows in the
month's file belong to nothing from then on. Once a month has several such files it is joined again.
"""

from __future__ import annotations

import calendar
import io
from bisect import bisect_left
from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from datetime import date, timedelta
from functools import cache
from itertools import accumulate, groupby, pairwise
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import polars as pl

from remanence.pipelines.store.days import (
    ROW_GROUP,
    SEGMENT_ROWS,
    WRITES,
    in_row_groups,
    laid_out,
    notes,
)
from remanence.pipelines.store.disk import check, write_named
from remanence.pipelines.store.manifest import Day, Manifest, Segment
from remanence.pipelines.store.name_codes import NAMES, PLACES, coded, plain
from remanence.pipelines.store.segments import read_segment, unreadable
from remanence.shared.tables import SIGNALS

if TYPE_CHECKING:
    import pyarrow as pa
    import pyarrow.parquet as pq

D = TypeVar("D", str, date)

SETTLED_DAYS = 7
"""A month is finished when there are records from so many days after its end: logs that are
collected once a week have come by then."""
LOOSE_FILES = 3
"""A month may have so many files beside its joined ones, of each kind. A log that comes late so
does not have all of its month written again, and ten years are below a thousand files."""


def month_to_join(manifest: Manifest) -> str | None:
    """The first finished month whose days lie in many files, like ``2026-11``, if there is one."""
    if not manifest.days:
        return None
    newest = date.fromisoformat(max(manifest.days))
    for month, days in groupby(sorted(manifest.days.items()), _month_of):
        if _end(month) + timedelta(days=SETTLED_DAYS) >= newest:
            break
        entries = dict(days)
        if any(_in_many_files(_of_kind(entries, kind)) for kind in _KINDS):
            return month
    return None


def write_days(
    folder: Path, manifest: Manifest, kind: str, frame: pl.DataFrame,
    rows: dict[date, tuple[int, int]],
) -> dict[date, Segment]:
    """Write days that the store does not hold yet, those of a month in one file if they are many.

    Parameters
    ----------
    folder : Path
        The store's.
    manifest : Manifest
        It is told how many rows the files have that days share, and is not changed else.
    kind : str
        Of what kind the records are.
    frame : polars.DataFrame
        Coded SIGNALS, sorted, no record twice.
    rows : dict of date to (int, int)
        Which rows of it are each day's.

    Returns
    -------
    dict
        The segment of each day that shares a file. The others are left to the caller: those of
        months with no more than :data:`LOOSE_FILES` of them, and days of many records.
    """
    written: dict[date, Segment] = {}
    sizes = {day: stop - start for day, (start, stop) in sorted(rows.items())}
    small = [day for day, size in sizes.items() if size < SEGMENT_ROWS]
    for _, of_month in groupby(small, lambda day: (day.year, day.month)):
        days = list(of_month)
        if len(days) <= LOOSE_FILES:
            continue
        for some in _together({day: sizes[day] for day in days}):
            places = _write(
                folder, manifest, f"signals/{some[0].isoformat()[:7]}/{kind}-",
                _new_groups(frame, kind, {day: rows[day] for day in some}))
            ticks = frame["time"].to_physical()
            for day, (path, size, at) in places.items():
                start, stop = rows[day]
                written[day] = Segment(path, kind, size, ticks[start], ticks[stop - 1], at)
    return written


def join_month(folder: Path, manifest: Manifest, month: str) -> None:
    """Write a month's days anew into as few files as may be, and have the manifest name these.

    Parameters
    ----------
    folder : Path
        The store's.
    manifest : Manifest
        It is changed. No day counts as changed: its records are the same.
    month : str
        Like ``2026-11``.

    Raises
    ------
    StoreError
        One of the files is damaged; OSError: it cannot be written.
    """
    days = {day: entry for day, entry in sorted(manifest.days.items()) if day[:7] == month}
    for kind in _KINDS:
        held = _of_kind(days, kind)
        if not _in_many_files(held):
            continue
        for some in _together(_rows(held)):
            if len({segment.path for day in some for segment in held[day]}) == 1:
                continue
            places = _write(
                folder, manifest, f"signals/{month}/{kind}-",
                ((day, _row_groups(folder, kind, held[day])) for day in some))
            for day, (path, rows, at) in places.items():
                days[day].segments = [
                    *(s for s in days[day].segments if s.kind != kind),
                    Segment(path, kind, rows, min(s.first for s in held[day]),
                            max(s.last for s in held[day]), at)]


_KINDS = ("edges", "levels")


def _month_of(day: tuple[str, Day]) -> str:
    return day[0][:7]


def _of_kind(days: dict[str, Day], kind: str) -> dict[str, list[Segment]]:
    return {day: sorted((s for s in entry.segments if s.kind == kind), key=lambda s: s.first)
            for day, entry in days.items()}


def _in_many_files(held: dict[str, list[Segment]]) -> bool:
    """Whether a month's days, of one kind, lie in many more files than they need."""
    rows = _rows(held)
    small = [segment for day in rows for segment in held[day]]
    shared = {segment.path for segment in small if segment.at is not None}
    loose = sum(segment.at is None for segment in small)
    if loose + len(shared) <= LOOSE_FILES:
        return False
    needed = sum(1 for _ in _together(rows))
    return loose + max(len(shared) - needed, 0) > LOOSE_FILES


def _rows(held: dict[str, list[Segment]]) -> dict[str, int]:
    """How many rows each day has; without days that have none, or so many that they stay alone."""
    rows = {day: sum(segment.rows for segment in segments) for day, segments in held.items()}
    return {day: count for day, count in rows.items() if 0 < count < SEGMENT_ROWS}


def _end(month: str) -> date:
    year, number = map(int, month.split("-"))
    return date(year, number, calendar.monthrange(year, number)[1])


def _together(rows: dict[D, int]) -> Iterator[list[D]]:
    """Days for one file each, as many as a segment may have rows."""
    some: list[D] = []
    held = 0
    for day, count in rows.items():
        if some and held + count > SEGMENT_ROWS:
            yield some
            some, held = [], 0
        some.append(day)
        held += count
    if some:
        yield some


def _write(
    folder: Path, manifest: Manifest, stem: str,
    days: Iterable[tuple[D, Iterable[pa.Table]]],
) -> dict[D, tuple[str, int, int]]:
    """Write one file, a day's row groups after the other's; each day's path, rows, and first row.

    All tables are coded alike.
    """
    import pyarrow.parquet as pq

    data = io.BytesIO()
    places: dict[D, tuple[int, int]] = {}
    at = 0
    with ExitStack() as stack:
        writer: pq.ParquetWriter | None = None
        for day, groups in days:
            begin = at
            for group in groups:
                writer = writer or stack.enter_context(
                    pq.ParquetWriter(data, group.schema, **WRITES))
                writer.write_table(group, row_group_size=ROW_GROUP)
                at += group.num_rows
            places[day] = at - begin, begin
        if writer is not None:
            writer.add_key_value_metadata(notes(SIGNALS))
    path = write_named(folder, stem, ".parquet", data.getbuffer())
    manifest.shared[path] = at
    return {day: (path, rows, begin) for day, (rows, begin) in places.items()}


def _row_groups(folder: Path, kind: str, segments: list[Segment]) -> Iterator[pa.Table]:
    """A day's rows as the month's file has them."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    if len(segments) == 1:
        path = folder / segments[0].path
        try:
            check(path)
            with pq.ParquetFile(path, read_dictionary=list(NAMES)) as file:
                # (A file that tells the places in a tick lies channel by channel.)
                if file.schema_arrow.remove_metadata().equals(_as_coded()):
                    groups = [file.read_row_group(number)
                              for number in _numbers_of(file.metadata, segments[0])]
                    if not any(group[name].null_count for group in groups for name in PLACES):
                        yield from (group.replace_schema_metadata() for group in groups)
                        return
        except (OSError, pa.ArrowException) as error:
            raise unreadable(path, error) from None
    frame = coded(pl.concat([read_segment(folder, segment) for segment in segments]))
    frame, starts = laid_out(frame, kind)
    yield from in_row_groups(_coded_arrow(frame), starts)


def _new_groups(
    frame: pl.DataFrame, kind: str, rows: dict[date, tuple[int, int]]
) -> Iterator[tuple[date, list[pa.Table]]]:
    """The row groups of some new days. All are put in order and made ready at once."""
    spans = list(rows.values())
    whole = all(stop == start for (_, stop), (start, _) in pairwise(spans))
    some = frame[spans[0][0]:spans[-1][1]] if whole else pl.concat(
        [frame[start:stop] for start, stop in spans])
    begins = [0, *accumulate(stop - start for start, stop in spans)]
    some, starts = laid_out(some, kind, begins[1:-1])
    table = some.to_arrow(compat_level=pl.CompatLevel.oldest())
    groups = [0, *starts, table.num_rows]
    for day, begin, end in zip(rows, begins, begins[1:], strict=False):
        own = groups[bisect_left(groups, begin):bisect_left(groups, end) + 1]
        yield day, [table.slice(start, stop - start) for start, stop in pairwise(own)]


def _numbers_of(metadata: pq.FileMetaData, segment: Segment) -> range:
    """The row groups of a segment: in a file that days share each begins with one."""
    begins = [0, *accumulate(metadata.row_group(number).num_rows
                             for number in range(metadata.num_row_groups))]
    if segment.at is None:
        return range(len(begins) - 1)
    return range(bisect_left(begins, segment.at), bisect_left(begins, segment.at + segment.rows))


def _coded_arrow(frame: pl.DataFrame) -> pa.Table:
    """Coded SIGNALS for Parquet; of whatever size Polars' numbers of names are, in one type."""
    import pyarrow as pa

    table = plain(frame).select(SIGNALS.schema.names()).to_arrow(
        compat_level=pl.CompatLevel.oldest())
    for place, name in enumerate(table.column_names):
        if name in NAMES:
            texts = table[name].cast(pa.string()).dictionary_encode()
            table = table.set_column(place, name, texts)
    return table


@cache
def _as_coded() -> pa.Schema:
    """Names are read from a file as the numbers that they were written from, and written so again.

    Asked for when it is needed: a module that makes tables as it is loaded starts Polars' threads,
    and a process that is made a copy of then has them not.
    """
    return _coded_arrow(SIGNALS.empty()).schema
