"""Signals out of the files that hold them: a file of its own, or a day's rows of a month's file."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import polars as pl

from remanence.pipelines.store.disk import check
from remanence.pipelines.store.manifest import Segment
from remanence.pipelines.store.name_codes import PLACES, with_places
from remanence.shared.errors import StoreError
from remanence.shared.tables import SIGNALS


def read_table(folder: Path, path: str, columns: list[str] | None = None) -> pl.DataFrame:
    """Read one of the store's Parquet files, or some columns of it.

    Raises
    ------
    StoreError
        It is missing or damaged.
    """
    try:
        check(folder / path)
        return pl.read_parquet(folder / path, columns=columns, hive_partitioning=False)
    except (OSError, pl.exceptions.PolarsError) as error:
        raise unreadable(folder / path, error) from None


def read_signals(folder: Path, path: str) -> pl.DataFrame:
    """Read all signals of a file; those of earlier versions get the columns that they lack.

    Raises
    ------
    StoreError
        It is missing or damaged.
    """
    return with_places(read_table(folder, path)).select(SIGNALS.schema.names())


def read_segment(folder: Path, segment: Segment) -> pl.DataFrame:
    """Read a segment.

    Raises
    ------
    StoreError
        Its file is missing or damaged.
    """
    if segment.at is None:
        return read_signals(folder, segment.path)
    try:
        check(folder / segment.path)
        return scan_segments(folder, [segment]).collect()
    except (OSError, pl.exceptions.PolarsError) as error:
        raise unreadable(folder / segment.path, error) from None


def scan_segments(folder: Path, segments: Sequence[Segment]) -> pl.LazyFrame:
    """SIGNALS of some segments, one after the other, lazily.

    Neighbouring rows of one file are read in one go, and of a file no rows but these.
    """
    parts: list[list[Segment]] = []
    for segment in segments:
        last = parts[-1][-1] if parts else None
        if last is not None and (last.at is None) is (segment.at is None) and (
                last.at is None
                or (last.path == segment.path and last.at + last.rows == segment.at)):
            parts[-1].append(segment)
        else:
            parts.append([segment])
    frames = []
    for part in parts:
        frame = pl.scan_parquet(
            [folder / segment.path for segment in (part if part[0].at is None else part[:1])],
            schema=dict(SIGNALS.schema), missing_columns="insert", hive_partitioning=False)
        if part[0].at is not None:
            frame = frame.slice(part[0].at, sum(segment.rows for segment in part))
        frames.append(frame.with_columns(pl.col(name).fill_null(0) for name in PLACES))
    return pl.concat(frames)


def unreadable(path: Path, error: Exception) -> StoreError:
    """What to say of a file of the store that is missing or damaged."""
    why = str(error.strerror if isinstance(error, OSError) and error.strerror else error)
    return StoreError(f"{path} cannot be read ({why.strip().splitlines()[0]}); see what is lost, "
                      "and what can be had back, with: remanence verify VENUE")
