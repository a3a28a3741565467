"""Days of a finished month in one file a kind, so that ten years are some hundred files.

A month's file holds its days one after the other, each sorted as in a file of its own and with row
groups of its own, and the manifest says which rows are whose. So a day is read, changed and
derived by itself as ever. Lines that come late make a new file for their day; its rows in the
month's file belong to nothing from then on. Once a month has several such files it is joined again.
"""

from __future__ import annotations

import calendar
import io
from collections.abc import Iterator
from datetime import date, timedelta
from functools import cache
from itertools import pairwise
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from remanence.pipelines.store.days import (
    ROW_GROUP,
    SEGMENT_ROWS,
    WRITES,
    channel_by_channel,
    notes,
    row_groups,
)
from remanence.pipelines.store.disk import check, write_named
from remanence.pipelines.store.manifest import Manifest, Segment
from remanence.pipelines.store.name_codes import NAMES, PLACES, coded, plain
from remanence.pipelines.store.segments import read_segment, unreadable
from remanence.shared.tables import SIGNALS

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
    loose: dict[tuple[str, str], int] = {}
    for day, entry in sorted(manifest.days.items()):
        month = day[:7]
        if _end(month) + timedelta(days=SETTLED_DAYS) >= newest:
            break
        for segment in entry.segments:
            if _is_loose(segment):
                count = loose[month, segment.kind] = loose.get((month, segment.kind), 0) + 1
                if count > LOOSE_FILES:
                    return month
    return None


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
    for kind in ("edges", "levels"):
        held = {day: sorted((s for s in entry.segments if s.kind == kind), key=lambda s: s.first)
                for day, entry in days.items()}
        if sum(_is_loose(segment) for some in held.values() for segment in some) <= LOOSE_FILES:
            continue
        for some in _together(held):
            if len({segment.path for segments in some.values() for segment in segments}) == 1:
                continue
            joined = _write(folder, manifest, f"signals/{month}/{kind}-", kind, some)
            for day, segment in joined.items():
                days[day].segments = [
                    *(s for s in days[day].segments if s.kind != kind), segment]


def _is_loose(segment: Segment) -> bool:
    return segment.at is None and segment.rows < SEGMENT_ROWS


def _end(month: str) -> date:
    year, number = map(int, month.split("-"))
    return date(year, number, calendar.monthrange(year, number)[1])


def _together(held: dict[str, list[Segment]]) -> Iterator[dict[str, list[Segment]]]:
    """Days for one file each, as many as a segment may have rows. A day with more stays alone."""
    some: dict[str, list[Segment]] = {}
    rows = 0
    for day, segments in held.items():
        count = sum(segment.rows for segment in segments)
        if not segments or count >= SEGMENT_ROWS:
            continue
        if some and rows + count > SEGMENT_ROWS:
            yield some
            some, rows = {}, 0
        some[day] = segments
        rows += count
    if some:
        yield some


def _write(
    folder: Path, manifest: Manifest, stem: str, kind: str, held: dict[str, list[Segment]]
) -> dict[str, Segment]:
    """Write one file, a day at a time; the days' rows in it."""
    data = io.BytesIO()
    places: dict[str, tuple[int, int]] = {}
    at = 0
    with pq.ParquetWriter(data, _as_coded(), **WRITES) as writer:
        for day, segments in held.items():
            begin = at
            for group in _row_groups(folder, kind, segments):
                writer.write_table(group, row_group_size=ROW_GROUP)
                at += group.num_rows
            places[day] = begin, at - begin
        writer.add_key_value_metadata(notes(SIGNALS))
    path = write_named(folder, stem, ".parquet", data.getbuffer())
    manifest.shared[path] = at
    return {day: Segment(path, kind, rows, min(s.first for s in held[day]),
                         max(s.last for s in held[day]), begin)
            for day, (begin, rows) in places.items()}


def _row_groups(folder: Path, kind: str, segments: list[Segment]) -> Iterator[pa.Table]:
    """A day's rows as the month's file has them."""
    if len(segments) == 1 and segments[0].at is None:
        path = folder / segments[0].path
        try:
            check(path)
            with pq.ParquetFile(path, read_dictionary=list(NAMES)) as file:
                # (A file that tells the places in a tick lies channel by channel.)
                if file.schema_arrow.remove_metadata().equals(_as_coded()):
                    groups = [file.read_row_group(number) for number in range(file.num_row_groups)]
                    if not any(group[name].null_count for group in groups for name in PLACES):
                        yield from groups
                        return
        except (OSError, pa.ArrowException) as error:
            raise unreadable(path, error) from None
    frame = coded(pl.concat([read_segment(folder, segment) for segment in segments]))
    starts: list[int] = []
    if kind == "levels":
        frame = channel_by_channel(frame)
        starts = row_groups(frame)
    table = _coded_arrow(frame)
    for start, stop in pairwise([0, *starts, frame.height]):
        yield table.slice(start, stop - start)


def _coded_arrow(frame: pl.DataFrame) -> pa.Table:
    """Coded SIGNALS for Parquet; of whatever size Polars' numbers of names are, in one type."""
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
