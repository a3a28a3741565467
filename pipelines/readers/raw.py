"""The one shape that every reader hands on: raw records, still in the file's own words."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import IO, Protocol

import polars as pl

from remanence.pipelines.readers.encoding import decode_sample
from remanence.pipelines.readers.source import Chunk, Source
from remanence.shared.keys import Key
from remanence.shared.log_format import LogFormat

REJECT_LINES = pl.Schema({"line": pl.Int64, "text": pl.String, "reason": pl.String})
"""Lines set aside by a reader or later: number, text as it stood, reason."""

NOT_TEXT = "line is not UTF-8 text; name its encoding in the [[log]] block"
"""The reason for a line that is no text in the log's encoding."""

KEPT_TEXT = 20_000
"""Characters of a rejected line that are kept; no record is longer."""


@dataclass
class Parsed:
    """What a reader made of a chunk.

    ``records`` has ``line`` (Int64) and a column for each field that was asked for
    (String, null where it is empty or missing; Parquet may give numbers and times, and where
    all of it fits them the types in :class:`Fields`), in the order of the file.
    ``rejects`` follows :data:`REJECT_LINES`. ``passed`` counts header, blank and comment
    lines. ``text`` gives lines back verbatim, by number. ``cells`` (``line``, ``label``,
    ``value``, in the order of the lines) has what is filled of :attr:`Fields.cells`, where the
    reader hands on these columns so; they are missing among ``records`` then.
    """

    records: pl.DataFrame
    rejects: pl.DataFrame
    passed: int
    text: TextOf = field(repr=False)
    cells: pl.DataFrame | None = None


class TextOf(Protocol):
    """Gives back lines verbatim."""

    def __call__(self, numbers: Iterable[int], /) -> list[str]:
        """The lines of these numbers."""
        ...


class LineReader(Protocol):
    """One open log file being read, chunk after chunk.

    ``header_line`` is the line that named the columns, once one has; a log that has grown is
    gone on with by handing this line to a new reader first.
    """

    header_line: bytes | None

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
    times: tuple[str, ...] = ()
    """Columns that may be handed on as times (Datetime) where the file has them so."""
    cells: tuple[str, ...] = ()
    """Columns that are a channel each; what is filled of them may come as :attr:`Parsed.cells`."""


def reject_frame(rows: Iterable[tuple[int, str, str]]) -> pl.DataFrame:
    """Rejects from (line, text, reason) rows."""
    return pl.DataFrame(list(rows), schema=REJECT_LINES, orient="row")


@dataclass
class Sample:
    """The beginning of a file of which nobody has said what it is.

    ``data`` are its first bytes, all of them if ``whole``.
    """

    source: Source
    data: bytes
    whole: bool

    @cached_property
    def _decoded(self) -> tuple[str, str]:
        return decode_sample(self.data, self.whole)

    @property
    def encoding(self) -> str:
        """Which character encoding the bytes most likely are in."""
        return self._decoded[1]

    @cached_property
    def lines(self) -> list[str]:
        """Its whole lines as text, each cut to :data:`LONGEST_SAMPLED`."""
        text = self._decoded[0]
        lines = text.splitlines() if self.whole else text.splitlines()[:-1]
        return [line[:LONGEST_SAMPLED] for line in lines or text.splitlines()]

    @property
    def filled(self) -> list[str]:
        """The lines that are not blank."""
        return [line for line in self.lines if line.strip()]


LONGEST_SAMPLED = 100_000
"""Characters of a line that are looked at to tell a file's form: more tell no more."""


@dataclass
class Looks:
    """What a file looks like to a reader that can read it.

    Attributes
    ----------
    what : str
        In words, for people.
    keys : dict
        Keys of the ``[[log]]`` block that cut a line up like this, without ``format``.
    columns : dict
        The sample, column by column, as text; "" where nothing stands.
    roles : tuple of str
        Those of ``time``, ``channel``, ``quantity``, ``value`` that the keys have named already.
    questions : list of str
        What the sample does not tell.
    """

    what: str
    keys: dict[str, object] = field(default_factory=dict)
    columns: dict[str, list[str]] = field(default_factory=dict)
    roles: tuple[str, ...] = ()
    questions: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class LogReader:
    """One format of log: what a ``[[log]]`` block may say of it, and how it is read.

    Attributes
    ----------
    meaning : str
        What such a log is, for the documentation.
    endings : tuple of str
        Endings of file names, in small letters, by which a file without a block is told.
    keys : tuple of Key
        Keys of the block that only this reader knows, none of them required; their values
        stand in ``LogFormat.options``.
    lines : callable or None
        For a text: opens a file, given the block, the file's name and the fields wanted.
    rows : callable or None
        For anything else: from the open stream, the block, the name and the fields to raw
        records, each stretch with how many rows of the file it holds.
    looks : callable or None
        Says what a sample looks like, or None where it is no such file.
    looks_at : int
        Readers with a lower number look at an unknown file first.
    ends_itself : bool
        Whether a record shows where it ends, so that a last line without line end is whole.
    """

    meaning: str
    endings: tuple[str, ...] = ()
    keys: tuple[Key, ...] = ()
    lines: Callable[[LogFormat, str, Fields], LineReader] | None = None
    rows: Callable[
        [IO[bytes], LogFormat, str, Fields], Iterator[tuple[Parsed, int]]] | None = None
    looks: Callable[[Sample], Looks | None] | None = None
    looks_at: int = 50
    ends_itself: bool = False
