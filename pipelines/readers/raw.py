"""The one shape that every reader hands on: raw records, still in the file's own words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Protocol

import polars as pl

from remanence.pipelines.readers.source import Chunk

REJECT_LINES = pl.Schema({"line": pl.Int64, "text": pl.String, "reason": pl.String})
"""Lines set aside by a reader or later: number, text as it stood, reason."""

KEPT_TEXT = 20_000
"""Characters of a rejected line that are kept; no record is longer."""


@dataclass
class Parsed:
    """What a reader made of a chunk.

    ``records`` has ``line`` (Int64) and a column for each field that was asked for
    (String, null where it is empty or missing; Parquet may give numbers, and where all
    of it fits them the types in :class:`Fields`), in the order of the file.
    ``rejects`` follows :data:`REJECT_LINES`. ``passed`` counts header, blank and comment
    lines. ``text`` gives lines back verbatim, by number.
    """

    records: pl.DataFrame
    rejects: pl.DataFrame
    passed: int
    text: TextOf = field(repr=False)


class TextOf(Protocol):
    """Gives back lines verbatim."""

    def __call__(self, numbers: Iterable[int], /) -> list[str]:
        """The lines of these numbers."""
        ...


class Reader(Protocol):
    """One open log file being read, chunk after chunk."""

    def parse(self, chunk: Chunk) -> Parsed:
        """Turn whole lines into raw records."""
        ...


def decoded(line: bytes) -> str:
    """A line as text for people; bytes that are no UTF-8 are shown as backslash, x, hex."""
    return line.decode("utf-8", "backslashreplace").rstrip("\r\n")[:KEPT_TEXT]


@dataclass
class ChunkText:
    """Looks up lines of one chunk, splitting it only when first asked."""

    chunk: Chunk
    _lines: list[bytes] | None = None

    @property
    def lines(self) -> list[bytes]:
        """The chunk's lines without their line feeds."""
        if self._lines is None:
            self._lines = self.chunk.data.removesuffix(b"\n").split(b"\n")
        return self._lines

    def __call__(self, numbers: Iterable[int]) -> list[str]:
        """The lines of these numbers, as text for people."""
        first, lines = self.chunk.first_line, self.lines
        return [decoded(lines[number - first]) for number in numbers]


@dataclass(frozen=True)
class Fields:
    """The columns, keys or groups that are wanted of a file, and those it cannot do without."""

    wanted: tuple[str, ...]
    required: tuple[str, ...]
    kinds: Mapping[str, pl.DataType] = field(default_factory=dict)
    """Types in which columns may be handed on at once where every line fits them."""


def reject_frame(rows: Iterable[tuple[int, str, str]]) -> pl.DataFrame:
    """Rejects from (line, text, reason) rows."""
    return pl.DataFrame(list(rows), schema=REJECT_LINES, orient="row")
