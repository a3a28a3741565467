"""One day's signals: new records put beside those that are there, each once, sorted."""

from __future__ import annotations

import os
import uuid
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import polars as pl

from pipelines.store_manifest import Segment
from shared.errors import StoreError
from shared.tables import SIGNALS, Table

KEY = ("time", "channel", "quantity", "value")
"""Two records are the same one when these are."""

KINDS = {"command": "edges", "contact": "edges", "volts": "levels", "amps": "levels"}
"""Edges are read without wading through volts."""

SEGMENT_ROWS = 2_000_000
SMALL_ROWS = 250_000
MANY_SEGMENTS = 12


def write_table(frame: pl.DataFrame, folder: Path, path: str, table: Table) -> None:
    """Write one immutable Parquet file, on the disk when this returns."""
    target = folder / path
    target.parent.mkdir(parents=True, exist_ok=True)
    notes = {"remanence_table": table.name, "remanence_meaning": table.meaning}
    notes |= {f"remanence_unit_{c.name}": c.unit for c in table.columns if c.unit}
    try:
        with target.open("wb") as file:
            frame.write_parquet(file, compression="zstd", compression_level=1, metadata=notes)
            file.flush()
            os.fsync(file.fileno())
    except BaseException:
        target.unlink(missing_ok=True)
        raise


def read_table(folder: Path, path: str) -> pl.DataFrame:
    """Read one of the store's Parquet files.

    Raises
    ------
    StoreError
        It is missing or damaged.
    """
    try:
        return pl.read_parquet(folder / path, hive_partitioning=False)
    except (OSError, pl.exceptions.PolarsError) as error:
        raise StoreError(f"{folder / path} cannot be read ({str(error).splitlines()[0]}); restore "
                         "the store from a copy, or delete its folder and ingest again") from None


def segment_path(day: date, kind: str) -> str:
    """A new file name below the store's folder."""
    return f"signals/{day.isoformat()}/{kind}-{uuid.uuid4().hex[:16]}.parquet"


def _write_segment(frame: pl.DataFrame, folder: Path, day: date, kind: str) -> Segment:
    path = segment_path(day, kind)
    write_table(frame, folder, path, SIGNALS)
    ticks = frame["time"].to_physical()
    return Segment(path, kind, frame.height, int(ticks[0]), int(ticks[-1]))


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
    folder: Path, day: date, kind: str, segments: list[Segment], new: pl.DataFrame
) -> tuple[list[Segment], list[str], pl.DataFrame]:
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
        SIGNALS, sorted, no record twice.

    Returns
    -------
    segments : list of Segment
        What the day holds now, disjoint, in order.
    retired : list of str
        Files that are no longer part of it.
    fresh : polars.DataFrame
        The records that it did not hold before.
    """
    first, last = (int(new["time"].to_physical()[i]) for i in (0, -1))
    touched = [s for s in segments if s.first <= last and s.last >= first]
    if not touched:
        written = [_write_segment(piece, folder, day, kind) for piece in _pieces(new)]
        return sorted([*segments, *written], key=lambda s: s.first), [], new
    held = pl.concat([read_table(folder, s.path) for s in touched])
    fresh = new.join(held, on=KEY, how="anti", maintain_order="left")
    if fresh.is_empty():
        return segments, [], fresh
    merged = pl.concat([held, fresh]).sort(KEY, maintain_order=True)
    written = [_write_segment(piece, folder, day, kind) for piece in _pieces(merged)]
    rest = [s for s in segments if s not in touched]
    return (sorted([*rest, *written], key=lambda s: s.first), [s.path for s in touched], fresh)


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
            frame = pl.concat([read_table(folder, s.path) for s in group])
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
