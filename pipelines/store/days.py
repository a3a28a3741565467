"""One day's signals: new records put beside those that are there, each once, sorted.

In memory records lie in the order of ORDER. On the disk edges do too; levels lie channel
by channel, each in the order of time, a channel with row groups of its own: whoever
wants one channel reads no other, and need not tell them apart.
"""

from __future__ import annotations

import io
from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import date
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
from numpy.typing import NDArray

from remanence.pipelines.store.disk import write_named
from remanence.pipelines.store.manifest import Segment
from remanence.pipelines.store.name_codes import QUANTITY, coded, codes, plain
from remanence.pipelines.store.segments import read_segment
from remanence.shared.column_numbers import codes_of, ticks_of
from remanence.shared.table import Table
from remanence.shared.tables import SIGNALS

if TYPE_CHECKING:
    import pyarrow as pa

KEY = ("time", "channel", "quantity", "value", "again")
"""Two records are the same one when these are: the nth time that a channel goes to a value within
one tick of its clock is a record of its own, and the same one in every file that tells of it."""

ORDER = SIGNALS.sorted_by
"""Within a tick of a clock records stand as the lines of their file do. Where several files tell of
one record, that one counts which has most lines of the tick before it."""

KINDS = {"command": "edges", "contact": "edges", "volts": "levels", "amps": "levels"}
"""Edges are read without wading through volts."""

SEGMENT_ROWS = 2_000_000
SMALL_ROWS = 250_000
MANY_SEGMENTS = 12


ROW_GROUP = 131_072
"""Rows that a reader must take at a time: a day of a rail read once a second and at commands."""

OWN_GROUP = 2_048
"""A channel with fewer records in a segment shares a row group with its neighbours: each
group costs every reader about as much as so many records."""

WRITES = {
    "compression": {"time": "zstd", "value": "zstd", "line": "zstd"} | dict.fromkeys(
        ("channel", "quantity", "run", "file", "place", "again"), "snappy"),
    "compression_level": {"time": 1, "value": 1, "line": 1}, "store_schema": False,
    "use_dictionary": ["channel", "quantity", "value", "run", "file", "place", "again"],
    "dictionary_pagesize_limit": 1 << 16,
    "column_encoding": {"time": "DELTA_BINARY_PACKED", "line": "DELTA_BINARY_PACKED"},
    "write_statistics": ["time", "channel", "quantity", "run"], "write_batch_size": 16_384,
}
"""How signals are written. The encodings are those of Parquet 1.0 and 2.0 that every reader
knows; the names are written from their numbers, and are plain text to whoever reads them.
A converter knows some thousand volts at most, so its readings are written as numbers of a list,
which takes a third less room than the readings and half the time to read; where a row group has
more than 8,192 values (64 KB), its readings stand as they are.
Columns that say little are packed by what begins quickest: of a small row group zstd takes longer
to begin than to pack it (a fifth of the time of writing, for a fiftieth more room).
Nobody looks for records by their value or line, so there are no statistics of these."""


def write_signals(
    frame: pl.DataFrame, folder: Path, stem: str, groups: Sequence[int] = ()
) -> str:
    """Write one immutable Parquet file of coded signals, on the disk when this returns.

    ``groups``: rows before which a new row group must begin. Returns its path, relative to
    the store's folder: ``stem`` (:func:`segment_stem`) and the digest of its content.
    """
    import pyarrow.parquet as pq

    table = frame.to_arrow(compat_level=pl.CompatLevel.oldest())
    data = io.BytesIO()
    with pq.ParquetWriter(data, table.schema, **WRITES) as writer:
        for group in in_row_groups(table, groups):
            writer.write_table(group, row_group_size=ROW_GROUP)
        writer.add_key_value_metadata(notes(SIGNALS))
    return write_named(folder, stem, ".parquet", data.getbuffer())


def in_row_groups(table: pa.Table, starts: Sequence[int]) -> Iterator[pa.Table]:
    """A table in pieces, of which each is to begin a new row group."""
    for start, stop in pairwise([0, *starts, table.num_rows]):
        yield table.slice(start, stop - start)


def laid_out(
    frame: pl.DataFrame, kind: str, days: Sequence[int] = ()
) -> tuple[pl.DataFrame, list[int]]:
    """Coded signals of a kind as they lie in a file, and where row groups must begin.

    ``days``: rows at which a further day begins. Each day lies by itself.
    """
    if kind != "levels":
        return frame, list(days)
    frame = channel_by_channel(frame, days)
    return frame, row_groups(frame, days)


def channel_by_channel(frame: pl.DataFrame, days: Sequence[int] = ()) -> pl.DataFrame:
    """Coded signals day by day, by channel and quantity, else in the order they were in."""
    key = _whose(frame, days)
    if (key[1:] >= key[:-1]).all():
        return frame
    # (Numbers this short numpy sorts in one pass over their digits.)
    short = key.astype(np.uint16) if key.max() < 2**16 else key
    return rows_of(frame, np.argsort(short, kind="stable"))


def row_groups(frame: pl.DataFrame, days: Sequence[int] = ()) -> list[int]:
    """Where row groups begin in signals that lie day by day and channel by channel."""
    key = _whose(frame, days)
    ends = [*(np.flatnonzero(key[1:] != key[:-1]) + 1).tolist(), frame.height]
    groups = {0, *days, frame.height}
    for start, stop in pairwise([0, *ends]):
        if stop - start >= OWN_GROUP:
            groups |= {start, stop}
    return sorted(groups)[1:-1]


def _whose(frame: pl.DataFrame, days: Sequence[int] = ()) -> NDArray[np.uint32]:
    """Day, channel and quantity of each record as one number."""
    key: NDArray[np.uint32] = codes_of(frame["channel"]) * np.uint32(len(QUANTITY.categories))
    key += codes_of(frame["quantity"])
    if not days:
        return key
    number = np.cumsum(np.bincount(key) > 0, dtype=np.uint32) - np.uint32(1)
    key = number[key]  # (counted through, so that a month's numbers stay short)
    for count, (start, stop) in enumerate(pairwise([*days, frame.height]), 1):
        key[start:stop] += np.uint32(count) * (number[-1] + np.uint32(1))
    return key


def notes(table: Table) -> dict[str, str]:
    """What a file of a table says of itself: its meaning, and the units of its columns."""
    told = {"remanence_table": table.name, "remanence_meaning": table.meaning}
    return told | {f"remanence_unit_{c.name}": c.unit for c in table.columns if c.unit}


def write_table(frame: pl.DataFrame, folder: Path, stem: str, table: Table) -> str:
    """Write one immutable Parquet file, on the disk when this returns; returns its path."""
    data = io.BytesIO()
    frame.write_parquet(data, compression="zstd", compression_level=1, metadata=notes(table))
    return write_named(folder, stem, ".parquet", data.getbuffer())


def segment_stem(day: date, kind: str) -> str:
    """A new file's name below the store's folder, up to its digest."""
    return f"signals/{day.isoformat()}/{kind}-"


def _write_segment(frame: pl.DataFrame, folder: Path, day: date, kind: str) -> Segment:
    frame, starts = laid_out(coded(frame), kind)
    path = write_signals(frame, folder, segment_stem(day, kind), starts)
    return Segment(path, kind, frame.height, *ends(frame))


def ends(frame: pl.DataFrame) -> tuple[int, int]:
    """The first and last time of some records, in any order. [UTC, microseconds]"""
    ticks = ticks_of(frame["time"])
    return int(ticks.min()), int(ticks.max())


def _pieces(frame: pl.DataFrame) -> Iterator[pl.DataFrame]:
    """Cut a sorted frame into segments; records of one instant stay together."""
    start = 0
    while start < frame.height:
        stop = min(start + SEGMENT_ROWS, frame.height)
        if stop < frame.height:
            ticks = frame["time"]
            cut = int(ticks.search_sorted(ticks[stop], side="left"))
            stop = cut if cut > start else int(ticks.search_sorted(ticks[stop], side="right"))
        yield frame[start:stop]
        start = stop


def add_to_day(
    folder: Path, day: date, kind: str, segments: list[Segment], new: pl.DataFrame,
) -> tuple[list[Segment], Counter[str]]:
    """Put records of one day and kind beside those already there.

    Parameters
    ----------
    folder : Path
        The store's.
    day, kind
        Whose records.
    segments : list of Segment
        What the day holds of this kind, disjoint in time.
    new : polars.DataFrame
        Coded SIGNALS, sorted, no record twice.

    Returns
    -------
    segments : list of Segment
        What the day holds now, disjoint, in order: those given where nothing has changed.
    taken : Counter
        By file, the records that the day did not hold before.

    Notes
    -----
    The day may have changed though nothing was taken: a file that has more of a tick's lines puts
    the records held in their order.
    """
    first, last = ends(new)
    touched = [s for s in segments if s.first <= last and s.last >= first]
    if not touched:
        written = [_write_segment(piece, folder, day, kind) for piece in _pieces(new)]
        return sorted([*segments, *written], key=lambda s: s.first), by_name(new["file"])
    # (What is held comes first, so that of records which are the same one it is what stays.)
    both = coded(pl.concat([*(read_segment(folder, s) for s in touched), plain(new)]))
    held = both[:-new.height]
    merged = in_order(both)
    if merged.height == held.height and merged["place"].sum() == held["place"].sum():
        return segments, Counter()
    taken = by_name(merged["file"])
    taken.subtract(by_name(held["file"]))
    written = [_write_segment(piece, folder, day, kind) for piece in _pieces(merged)]
    rest = [s for s in segments if s not in touched]
    return sorted([*rest, *written], key=lambda s: s.first), +taken


def by_name(names: pl.Series) -> Counter[str]:
    """How often each of some coded names is there."""
    counts = np.bincount(codes_of(names)).tolist()
    return Counter({name: n for name, n in zip(names.dtype.categories, counts, strict=False) if n})  # type: ignore[attr-defined]


def compact(
    folder: Path, day: date, kind: str, segments: list[Segment]
) -> tuple[list[Segment], list[str]]:
    """Join neighbouring small segments once a day holds many; (segments, retired files)."""
    if len(segments) <= MANY_SEGMENTS:
        return segments, []
    kept: list[Segment] = []
    retired: list[str] = []
    group: list[Segment] = []

    def close() -> None:
        if len(group) > 1:
            frame = pl.concat([read_segment(folder, s) for s in group])
            kept.append(_write_segment(frame, folder, day, kind))
            retired.extend(s.path for s in group)
        else:
            kept.extend(group)
        group.clear()

    for segment in segments:
        if segment.rows >= SMALL_ROWS:
            close()
            kept.append(segment)
            continue
        if sum(s.rows for s in group) + segment.rows > SEGMENT_ROWS:
            close()
        group.append(segment)
    close()
    return kept, retired


def in_order(signals: pl.DataFrame) -> pl.DataFrame:
    """Coded signals in the order of ORDER, each record once: the first of those given.

    Of records that are the same one, the furthest place in the tick counts. Logs are nearly in
    order already. Time, place, channel and quantity make one whole number, so that one look tells
    whether there is anything to sort, and one sort does it.
    """
    ticks = ticks_of(signals["time"])
    if (ticks[1:] > ticks[:-1]).all():
        return signals
    signals = _each_once(signals, ticks)
    key = _order_key(signals)
    if key is None:
        return signals.sort(ORDER, maintain_order=True)
    if (key[1:] > key[:-1]).all():
        return signals
    order = np.argsort(key, kind="stable")
    key = key[order]
    same = key[1:] == key[:-1]
    if same.any():
        touched = np.append(False, same) | np.append(same, False)
        part = np.flatnonzero(touched)
        rows = order[part]
        value, again = (signals[name].to_numpy()[rows] for name in ("value", "again"))
        order[part] = rows[np.lexsort((again, value, key[part]))]
    return rows_of(signals, order)


def _order_key(signals: pl.DataFrame) -> NDArray[np.int64] | None:
    """Time, place, channel and quantity as one number; None where it does not hold them all."""
    place = signals["place"].to_numpy()
    return _key(signals, ticks_of(signals["time"]), place)


def _key(
    signals: pl.DataFrame, ticks: NDArray[np.int64], place: NDArray[np.int64] | None = None
) -> NDArray[np.int64] | None:
    channels, quantities = (len(signals[n].dtype.categories) for n in ("channel", "quantity"))  # type: ignore[attr-defined]
    low, high = int(ticks.min()), int(ticks.max())
    places = 1 if place is None else int(place.max()) + 1
    if (high - low + 1) * places * channels * quantities >= 2**63:
        return None
    key = ticks - low
    if place is not None and places > 1:
        key *= places
        key += place
    key *= channels
    key += codes(signals["channel"])
    key *= quantities
    key += codes(signals["quantity"])
    return key


def _each_once(signals: pl.DataFrame, ticks: NDArray[np.int64]) -> pl.DataFrame:
    """Each record once, the first given, at the furthest of its places.

    Looked at closely is only what a channel says more than once at one time.
    """
    key = _key(signals, ticks)
    maybe = np.ones(ticks.size, np.bool_)
    if key is not None and not (key[1:] > key[:-1]).all():
        order = np.argsort(key, kind="stable")
        alike = key[order][1:] == key[order][:-1]
        maybe[:] = False
        maybe[order[1:]] = alike
        maybe[order[:-1]] |= alike
    elif key is not None:
        return signals
    if not maybe.any():
        return signals
    some = signals.filter(pl.Series(maybe))
    first = some.select(pl.struct(KEY).is_first_distinct()).to_series()
    if first.all():
        return signals
    furthest = some.select(pl.col("place").max().over(KEY)).to_series()
    place = signals["place"].to_numpy().copy()
    place[maybe] = furthest.to_numpy()
    kept = ~maybe
    kept[maybe] = first.to_numpy()
    return signals.with_columns(place=pl.Series(place)).filter(pl.Series(kept))


def rows_of(signals: pl.DataFrame, order: NDArray[np.int64]) -> pl.DataFrame:
    """Some rows of coded signals; columns that say the same throughout need no moving."""
    alike = [name for name in ("channel", "quantity", "run", "file", "place", "again")
             if not signals[name].null_count() and _says_one_thing(signals[name])]
    return signals[:order.size].with_columns(
        signals.select(pl.exclude(alike))[order])


def _says_one_thing(column: pl.Series) -> bool:
    """Whether a column without nulls, of numbers or coded names, is the same throughout."""
    told = codes_of(column) if isinstance(column.dtype, pl.Enum) else column.to_numpy()
    return not told.size or bool((told[0] == told[-1]) and (told == told[0]).all())
