"""A table of an SQLite database, read in place and never written to."""

from __future__ import annotations

import io
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from remanence.pipelines.readers.raw import Fields, LogReader, Looks, Parsed, Sample
from remanence.pipelines.readers.rows import cell_text, positions, records_of
from remanence.pipelines.readers.source import UnreadableSourceError
from remanence.shared.keys import Key
from remanence.shared.log_format import LogFormat

ROWS_LOOKED_AT = 2000
_MAGIC = b"SQLite format 3\x00"


@contextmanager
def _database(stream: IO[bytes], name: str) -> Iterator[sqlite3.Connection]:
    """The database in a stream: where it lies on the disk, else (packed) in memory."""
    base = None
    try:
        if isinstance(stream, io.BufferedReader) and isinstance(stream.name, str | Path):
            base = sqlite3.connect(Path(stream.name).absolute().as_uri() + "?mode=ro", uri=True)
        else:
            base = sqlite3.connect(":memory:")
            base.deserialize(stream.read())
        yield base
    except (sqlite3.Error, UnicodeDecodeError) as error:  # (names are no UTF-8)
        raise UnreadableSourceError(f"{name}: cannot be read as an SQLite database ({error})"
                                    ) from None
    finally:
        if base is not None:
            base.close()


def _tables(base: sqlite3.Connection) -> list[str]:
    rows = base.execute("SELECT name FROM sqlite_master WHERE type IN ('table', 'view') "
                        "AND name NOT LIKE 'sqlite_%' ORDER BY name")
    return [name for name, in rows]


def _identifier(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def sqlite_rows(
    stream: IO[bytes], log: LogFormat, name: str, fields: Fields
) -> Iterator[tuple[Parsed, int]]:
    """The rows of a table as raw records, with how many rows each stretch has.

    Raises
    ------
    UnreadableSourceError
        It is no such database, is locked, or has no such table or column.
    """
    with _database(stream, name) as base:
        tables = _tables(base)
        table = log.options.get("table")
        if (table is None and len(tables) != 1) or (table is not None and table not in tables):
            raise UnreadableSourceError(
                f"{name}: say in the [[log]] block which table is the log (table = \"...\"); "
                f"its tables are {', '.join(tables)[:200] or 'none'}")
        rows = base.execute(f"SELECT * FROM {_identifier(str(table or tables[0]))}")
        head = [column[0] for column in rows.description]
        yield from records_of(rows, positions(head, fields, name), 1)


def _looks(sample: Sample) -> Looks | None:
    """A database says what it is in its first bytes (SQLite, database file format)."""
    if not sample.data.startswith(_MAGIC):
        return None
    with sample.source.open() as (stream, _), _database(stream, sample.source.name) as base:
        counts = {table: base.execute(f"SELECT count(*) FROM {_identifier(table)}").fetchone()[0]
                  for table in _tables(base)}
        filled = sorted((table for table, count in counts.items() if count),
                        key=lambda table: (-counts[table], table))
        if not filled:
            raise UnreadableSourceError(f"{sample.source.name}: has no table with rows")
        rows = base.execute(f"SELECT * FROM {_identifier(filled[0])} LIMIT {ROWS_LOOKED_AT}")
        head = [column[0] for column in rows.description]
        body = [[cell_text(cell) or "" for cell in row] for row in rows]
    looks = Looks(f"an SQLite database, table {filled[0]}",
                  {"table": filled[0]} if len(counts) > 1 else {},
                  {name: [row[at] for row in body] for at, name in enumerate(head)})
    if len(filled) > 1:
        looks.questions.append(
            f"Which table is the log: {', '.join(filled)}? {filled[0]}, the longest, was taken. "
            "Where a record's name stands in another table, make a view of both, and name it.")
    return looks


READER = LogReader(
    "rows of a table or view of an SQLite database", endings=(".sqlite", ".sqlite3", ".db"),
    rows=sqlite_rows, looks=_looks, looks_at=12,
    keys=(Key("table", "text", "the table or view; default: the only one"),))
