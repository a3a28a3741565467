"""CSV and its kin: any delimiter, quote and decimal mark, with or without a header.

The bulk of a log is well formed and is parsed by Polars in one go. A chunk is
taken to be so only if the arithmetic of :mod:`.separators` leaves no doubt: each
quote stands around a whole field and says nothing, and every line has as many fields
as there are columns. Where the columns' types are known (see Fields) and everything
fits them, it comes in these types at once; one value that does not fit, and the chunk
is read again as text. A column for each channel is mostly empty, and only what is
filled is taken. Otherwise the lines are looked at one by one, and only those in doubt
go through the slow parser.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Literal

import numpy as np
import polars as pl

from remanence.pipelines.readers.raw import (
    NOT_TEXT,
    ChunkText,
    Fields,
    LogReader,
    Looks,
    Parsed,
    Sample,
    decoded,
    reject_frame,
)
from remanence.pipelines.readers.separators import fields_even, filled_cells, without_quotes
from remanence.pipelines.readers.source import Chunk, UnreadableSourceError
from remanence.shared.column_numbers import repeated
from remanence.shared.keys import shown
from remanence.shared.log_format import LogFormat

MISFITS = 3
"""After so many chunks that did not fit the columns' types no further one is tried."""

MOST_COLUMNS = 1000
"""A file with more columns is no log."""

MOST_TITLES = 20
"""Lines that may stand above the names of the columns."""

_DATA = re.compile(r"\d{4}|\d:\d|^\s*[-+]?\d+([.,]\d+)?\s*$")
"""A field with this is a reading, not a column's name."""


class DelimitedReader:
    """Reads one CSV file; the header may be anywhere in its first lines."""

    def __init__(self, log: LogFormat, name: str, fields: Fields) -> None:
        self.name = name
        self.fields = fields
        self.delimiter = log.delimiter
        self.quote = log.quote
        self.comment = log.comment.encode() if log.comment else None
        self.header_line: bytes | None = None
        self.width = 0
        self.misfits = 0
        self.index: dict[str, int] = {}
        if not log.header:
            self._set_columns([n.strip() for n in log.names], "names in the [[log]] block")

    def parse(self, chunk: Chunk) -> Parsed:
        """Turn whole lines into raw records; the first call also takes the header."""
        text = ChunkText(chunk)
        passed = 0
        if not self.width:
            chunk, passed = self._header(chunk)
        if not self.width or not chunk.lines:
            return Parsed(self._records([], []), reject_frame([]), passed, text)
        plain = self._plain_lines(chunk)
        if plain is not None and self.fields.cells and not self._header_again(chunk.data):
            filled = self._filled(plain, chunk, text, passed)
            if filled is not None:
                return filled
        fast = self._fast(plain, chunk) if plain is not None else None
        if fast is not None:
            return Parsed(fast, reject_frame([]), passed, text)
        records, rejects, other = self._careful(chunk)
        return Parsed(records, rejects, passed + other, text)

    # Header.

    def _header(self, chunk: Chunk) -> tuple[Chunk, int]:
        data, passed = chunk.data, 0
        while data:
            end = data.find(b"\n") + 1 or len(data)
            line, data = data[:end].rstrip(b"\r\n"), data[end:]
            passed += 1
            if not line.strip() or (self.comment and line.startswith(self.comment)):
                continue
            try:
                cells = next(csv.reader([decoded(line)], delimiter=self.delimiter,
                                        quotechar=self.quote or None, quoting=self._quoting), [])
            except csv.Error:
                cells = [decoded(line)]
            place = f"line {chunk.first_line + passed - 1}: the header {shown(decoded(line))}"
            self._set_columns([cell.strip() for cell in cells], place)
            self.header_line = line
            break
        passed = passed if self.width else chunk.lines
        return Chunk(data, chunk.first_line + passed, chunk.lines - passed,
                     chunk.unfinished), passed

    @property
    def _quoting(self) -> Literal[0, 3]:
        return 0 if self.quote else 3  # csv.QUOTE_MINIMAL, csv.QUOTE_NONE

    def _set_columns(self, names: list[str], place: str) -> None:
        exact = {name: position for position, name in reversed(list(enumerate(names)))}
        loose = {name.lower(): position for name, position in reversed(exact.items())}
        for name in self.fields.wanted:
            position = exact.get(name, loose.get(name.lower()))
            if position is not None:
                self.index[name] = position
        missing = [name for name in self.fields.required if name not in self.index]
        if missing or not self.index:
            raise UnreadableSourceError(
                f"{self.name}, {place} has no column {' and no '.join(missing or names)}; put the "
                "header right, or say in the [[log]] block which column is which (columns = "
                '{ time = "..." }) or which stand there (header = false, names = [...])')
        self.width = len(names)

    # Rows.

    def _pick(self, frame: pl.DataFrame, first_line: int) -> pl.DataFrame:
        return pl.DataFrame([
            pl.Series("line", np.arange(first_line, first_line + frame.height, dtype=np.int64)),
            *(
                frame[f"f{self.index[name]}"].alias(name) if name in self.index
                else repeated(name, None, pl.String(), frame.height)
                for name in self.fields.wanted
            ),
        ])

    def _header_again(self, data: bytes) -> bool:
        """Whether the header stands among the records, as a controller writes it at each start."""
        return self.header_line is not None and self.header_line in data

    def _plain_lines(self, chunk: Chunk) -> bytes | None:
        """The chunk's text without quotes, if a comma can cut all of it, and none is a comment."""
        data: bytes | None = chunk.data
        if self.comment and self.comment in chunk.data:
            return None
        # (To look for a pair of letters takes many times as long as for one.)
        if b"\r" in chunk.data and chunk.data.count(b"\r") != chunk.data.count(b"\r\n"):
            return None
        if self.quote and self.quote.encode() in chunk.data:
            data = without_quotes(chunk.data, self.delimiter, self.quote)
        if data is None or self.width < 2 or not data.endswith(b"\n"):
            return None
        return data

    def _fast(self, data: bytes, chunk: Chunk) -> pl.DataFrame | None:
        may_fit = bool(self.fields.kinds) and self.misfits < MISFITS
        typed = self._typed(data, chunk) if may_fit else None
        if typed is not None:
            return typed
        # (In the columns' own types no header fits, and need not be looked for.)
        if self._header_again(chunk.data) or not fields_even(data, self.delimiter, self.width):
            return None
        self.misfits += may_fit
        frame = self._read(data)
        if frame is None or frame.height != chunk.lines or (
                self.delimiter.isspace() and _blank_line(frame)):
            return None
        return self._pick(frame, chunk.first_line)

    def _filled(self, data: bytes, chunk: Chunk, text: ChunkText, passed: int) -> Parsed | None:
        """A column for each channel: what is filled of them, and the other columns line by line."""
        cells = filled_cells(data, self.delimiter, self.width)
        if cells is None:
            return None
        labels: list[str | None] = [None] * self.width
        for name in self.fields.cells:
            if name in self.index:
                labels[self.index[name]] = name
        chosen = np.flatnonzero(np.array([name is not None for name in labels])[cells.column])
        first = chunk.first_line
        lines = pl.DataFrame({"line": pl.int_range(
            first, first + chunk.lines, dtype=pl.Int64, eager=True)} | {
            name: cells.of(self.index[name], chunk.lines) if name in self.index
            else pl.Series([None], dtype=pl.String).new_from_index(0, chunk.lines)
            for name in self.fields.wanted if name not in self.fields.cells})
        filled = pl.DataFrame({
            "line": cells.line[chosen] + first,
            "label": pl.Series(labels, dtype=pl.String).gather(cells.column[chosen]),
            "value": cells.text.gather(chosen)})
        return Parsed(lines, reject_frame([]), passed, text, filled)

    def _typed(self, data: bytes, chunk: Chunk) -> pl.DataFrame | None:
        """The chunk in the columns' own types; None unless every single value fits."""
        kinds = {self.index[name]: kind for name, kind in self.fields.kinds.items()
                 if name in self.index}
        if len(kinds) < len(self.fields.kinds):
            return None
        # (Polars refuses a line with more fields, and one with fewer has nothing in the last one.)
        frame = self._read(data, kinds, ragged=False)
        if frame is None or frame.height != chunk.lines or frame[:, -1].null_count():
            return None
        picked = self._pick(frame, chunk.first_line)
        if sum(picked.null_count().row(0)):
            return None
        return picked

    def _read(
        self, data: bytes, kinds: Mapping[int, pl.DataType] | None = None, *, ragged: bool = True
    ) -> pl.DataFrame | None:
        schema = {f"f{position}": (kinds or {}).get(position, pl.String())
                  for position in range(self.width)}
        try:
            return pl.read_csv(data, has_header=False, schema=schema, separator=self.delimiter,
                               quote_char=None, truncate_ragged_lines=ragged)
        except pl.exceptions.PolarsError:
            return None

    def _careful(self, chunk: Chunk) -> tuple[pl.DataFrame, pl.DataFrame, int]:
        plain: list[bytes] = []
        plain_numbers: list[int] = []
        rows: list[list[str]] = []
        numbers: list[int] = []
        rejects: list[tuple[int, str, str]] = []
        passed = 0
        delimiter, quote = self.delimiter.encode(), self.quote.encode()
        for number, line in enumerate(
            chunk.data.removesuffix(b"\n").split(b"\n"), start=chunk.first_line
        ):
            if self.comment and line.startswith(self.comment):
                passed += 1
                continue
            if (line.count(delimiter) == self.width - 1 and line.isascii()
                    and not (quote and quote in line) and line.strip()):
                if self.header_line and line.rstrip(b"\r") == self.header_line:
                    passed += 1  # a controller writes it again after each start
                    continue
                plain.append(line)
                plain_numbers.append(number)
                continue
            if not line.strip() or line.rstrip(b"\r") == self.header_line:
                passed += 1
                continue
            cells, reason = self._cells(line)
            if reason:
                rejects.append((number, decoded(line), reason))
            else:
                rows.append(cells)
                numbers.append(number)
        bulk = self._plain(plain, plain_numbers)
        records = pl.concat([bulk, self._records(numbers, rows)]).sort("line")
        return records, reject_frame(rejects), passed

    def _plain(self, lines: list[bytes], numbers: list[int]) -> pl.DataFrame:
        quick = self._read(b"\n".join(lines) + b"\n") if lines else None
        if quick is not None and quick.height == len(lines):
            return self._pick(quick, 0).with_columns(line=pl.Series(numbers, dtype=pl.Int64))
        cells = [line.decode("ascii").rstrip("\r").split(self.delimiter) for line in lines]
        return self._records(numbers, cells)

    def _cells(self, line: bytes) -> tuple[list[str], str]:
        try:
            text = line.decode("utf-8").rstrip("\r")
        except UnicodeDecodeError:
            return [], NOT_TEXT
        if self.quote and text.count(self.quote) % 2:
            return [], "a quote is opened and not closed"
        try:
            cells = next(csv.reader([text], delimiter=self.delimiter, strict=True,
                                    quotechar=self.quote or None, quoting=self._quoting))
        except (csv.Error, StopIteration) as error:
            why = "a line end within it" if "new-line" in str(error) else str(error)
            return [], f"line cannot be split into fields ({why})"
        if len(cells) != self.width:
            fields = "field" if len(cells) == 1 else "fields"
            return [], f"{len(cells)} {fields} where the header names {self.width}"
        return cells, ""

    def _records(self, numbers: list[int], rows: list[list[str]]) -> pl.DataFrame:
        schema = {f"f{position}": pl.String for position in range(self.width)}
        if not schema:
            empty = pl.DataFrame(schema=dict.fromkeys(self.fields.wanted, pl.String))
            return empty.select(pl.Series("line", [], pl.Int64), *self.fields.wanted)
        frame = pl.DataFrame(rows, schema=schema, orient="row")
        frame = frame.with_columns(pl.col(pl.String).replace("", None))
        return self._pick(frame, 0).with_columns(line=pl.Series(numbers, dtype=pl.Int64))


def _blank_line(frame: pl.DataFrame) -> bool:
    """Whether a line has nothing but blanks in all of its fields."""
    blank = pl.all().str.strip_chars().fill_null("") == ""
    return bool(frame.select(pl.all_horizontal(blank).any()).item())


def _delimiter(lines: list[str]) -> str | None:
    """The character that cuts most lines into the same number of fields."""
    best, score = None, 0.0
    for delimiter in (";", "\t", ",", "|"):
        counts = Counter(line.count(delimiter) for line in lines[:1000])
        width, often = max(counts.items(), key=lambda item: (item[1], item[0]))
        if width and often / len(lines[:1000]) >= 0.6:
            value = often / len(lines[:1000]) + 0.01 * width + (0.5 if delimiter in ";\t" else 0)
            if value > score:
                best, score = delimiter, value
    return best


def _looks(sample: Sample) -> Looks | None:
    """A table of fields, if one character cuts most lines into the same number of them."""
    delimiter = _delimiter(sample.filled)
    return _table(sample.lines, delimiter) if delimiter else None


def header_at(rows: Sequence[Sequence[str]]) -> tuple[int, bool]:
    """Which of a table's first rows names the columns, and whether it does (else it is data).

    A row of names has no reading in it and stands before a row that has; a title above it
    leaves more cells empty than the names do.
    """
    for at, (row, below) in enumerate(pairwise(rows[:MOST_TITLES + 1])):
        named = [cell for cell in row if cell.strip()]
        if len(named) < 2 and len(row) > 1:
            continue
        if any(map(_DATA.search, below)):
            return at, not any(map(_DATA.search, row))
    return 0, False


def _line_of(lines: list[str], start: int, delimiter: str, width: int, row: int) -> int:
    """How many lines stand before a row of the table."""
    filled = [at for at, line in enumerate(lines) if at >= start and line.count(delimiter) >= width]
    return filled[row]


def _table(lines: list[str], delimiter: str) -> Looks:
    widths = Counter(line.count(delimiter) for line in lines if line.strip())
    width = widths.most_common(1)[0][0]
    if width > MOST_COLUMNS:
        raise UnreadableSourceError(f"its lines have {width + 1:,} fields; that is no log")
    keys: dict[str, object] = {} if delimiter == "," else {
        "delimiter": "tab" if delimiter == "\t" else delimiter}
    records = [line for line in lines if line.count(delimiter) == width]
    comments = [c for c in ("#", "//", "%", "'") if any(line.startswith(c) for line in lines)
                and not all(line.startswith(c) for line in records)]
    if comments:
        keys["comment"] = comments[0]
        lines = ["" if line.startswith(comments[0]) else line for line in lines]
    start = next(i for i, line in enumerate(lines) if line.count(delimiter) == width)
    if any(line.strip() for line in lines[:start]):
        keys["skip_lines"] = start
    rows = [row for row in csv.reader(
        [line for line in lines[start:] if line.count(delimiter) >= width], delimiter=delimiter)
        if len(row) == width + 1]
    title, headed = header_at(rows)
    if title:  # as wide as the table, with nothing in most of its cells
        keys["skip_lines"] = _line_of(lines, start, delimiter, width, title)
    rows = rows[title:]
    head = [cell.strip() for cell in rows[0]] if rows else []
    body = rows[1:]
    if not headed:
        head = [f"column{n}" for n in range(1, width + 2)]
        body = rows
        keys |= {"header": False, "names": head}
    place = "with a header" if headed else "without a header"
    named = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "upright bars"}[delimiter]
    return Looks(f"CSV with {named}, {place}, {len(body):,} records looked at", keys,
                 {name: [row[i] for row in body] for i, name in enumerate(head)})


READER = LogReader(
    "fields between commas, or any other character", endings=(".csv",), lines=DelimitedReader,
    looks=_looks, looks_at=30)
