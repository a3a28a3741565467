"""Parquet logs: rows for lines, read a stretch at a time."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from contextlib import suppress
from typing import IO

import polars as pl
import polars.selectors as cs
import pyarrow as pa
import pyarrow.parquet as pq

from remanence.pipelines.readers.raw import (
    KEPT_TEXT,
    Fields,
    LogReader,
    Looks,
    Parsed,
    Sample,
    reject_frame,
)
from remanence.pipelines.readers.source import UnreadableSourceError
from remanence.shared.log_format import LogFormat

ROWS = 250_000
"""Rows worked on at once; bounds the memory."""

ROWS_LOOKED_AT = 2000


class _RowText:
    """Rows as people can read them, for rejects."""

    def __init__(self, frame: pl.DataFrame, first: int) -> None:
        self.frame, self.first = frame, first

    def __call__(self, numbers: Iterable[int]) -> list[str]:
        rows = self.frame[[number - self.first for number in numbers]].with_columns(
            cs.temporal().cast(pl.String))  # Python has no times outside the years 1 to 9999
        return [json.dumps(row, default=str, ensure_ascii=False)[:KEPT_TEXT]
                for row in rows.iter_rows(named=True)]


def parquet_rows(
    stream: IO[bytes], log: LogFormat, name: str, fields: Fields
) -> Iterator[tuple[Parsed, int]]:
    """The rows of a Parquet file as raw records, with how many rows each stretch has.

    Raises
    ------
    UnreadableSourceError
        It is no Parquet file, is damaged, or lacks a column.
    """
    try:
        file = pq.ParquetFile(pa.PythonFile(stream, mode="r"))
        have = set(file.schema_arrow.names)
        missing = [column for column in fields.required if column not in have]
        if missing:
            raise UnreadableSourceError(f"{name}: has no column {' and no '.join(missing)}; its "
                                        f"columns are {', '.join(sorted(have))[:200]}")
        columns = [column for column in fields.wanted if column in have]
        first = 1
        for batch in file.iter_batches(ROWS, columns=columns):
            frame = _frame(batch)
            yield Parsed(_records(frame, fields, first), reject_frame([]), 0,
                         _RowText(frame, first)), frame.height
            first += frame.height
    except (pa.ArrowException, OSError, UnicodeDecodeError, pl.exceptions.PolarsError) as error:
        words = str(error).splitlines()[0] if str(error) else "damaged"
        raise UnreadableSourceError(f"{name}: cannot be read as Parquet ({words})") from None


def _frame(batch: pa.RecordBatch) -> pl.DataFrame:
    """A stretch of rows; pyarrow hands on text that is no UTF-8, which nothing after it bears.

    Raises
    ------
    pa.ArrowInvalid
        There is such text in it, or its schema is one that Polars does not bear.
    """
    batch.validate(full=True)
    try:
        return pl.DataFrame(pl.from_arrow(batch))
    except pl.exceptions.PanicException:
        raise pa.ArrowInvalid("its schema is damaged") from None


def _records(frame: pl.DataFrame, fields: Fields, first: int) -> pl.DataFrame:
    def column(name: str) -> pl.Expr:
        if name not in frame.columns:
            return pl.lit(None, pl.String).alias(name)
        kind = frame.schema[name]
        if isinstance(kind, pl.Datetime):
            if name in fields.times:
                return pl.col(name)
            if kind.time_zone:
                utc = pl.col(name).dt.convert_time_zone("UTC")
                return utc.dt.strftime("%Y-%m-%dT%H:%M:%S%.6fZ")
            return pl.col(name).dt.strftime("%Y-%m-%dT%H:%M:%S%.6f")
        if kind.is_float() or kind == pl.Boolean:
            return pl.col(name).cast(pl.Float64)
        return pl.col(name).cast(pl.String, strict=False)

    lines = pl.int_range(first, first + frame.height, dtype=pl.Int64, eager=True)
    if set(fields.kinds) <= set(frame.columns) and not any(
            frame[name].null_count() for name in fields.kinds):
        with suppress(pl.exceptions.PolarsError):  # something that the types do not have
            frame = frame.with_columns(pl.col(name).cast(kind)
                                       for name, kind in fields.kinds.items())
            return frame.select(lines.alias("line"), *(
                name if name in fields.kinds else column(name) for name in fields.wanted))
    return frame.select(column(name) for name in fields.wanted).with_columns(line=lines).select(
        "line", *fields.wanted)


def _looks(sample: Sample) -> Looks | None:
    """A Parquet file begins with four bytes of its own (Apache Parquet, file format)."""
    if not sample.data.startswith(b"PAR1"):
        return None
    source = sample.source
    try:
        with source.open() as (stream, _):
            file = pq.ParquetFile(pa.PythonFile(stream, mode="r"))
            batch = next(file.iter_batches(ROWS_LOOKED_AT), None)
            frame = _frame(batch) if batch is not None else None
    except (pa.ArrowException, OSError, UnicodeDecodeError) as error:
        raise UnreadableSourceError(f"{source.name}: {error}") from None
    if frame is None:
        raise UnreadableSourceError(f"{source.name}: has no rows")
    columns = {}
    for name, kind in frame.schema.items():
        column = frame[name]
        if isinstance(kind, pl.Datetime):
            column = column.dt.strftime("%Y-%m-%dT%H:%M:%S%.6f" + ("Z" if kind.time_zone else ""))
        columns[name] = [v or "" for v in column.cast(pl.String, strict=False).to_list()]
    return Looks(f"Parquet, columns {', '.join(columns)}", columns=columns)


READER = LogReader(
    "rows of a Parquet file", endings=(".parquet",), rows=parquet_rows, looks=_looks, looks_at=10)
