"""CSV, long layout: one record a line, under a header.

The bulk of a log is well formed and is parsed by Polars in one go. A chunk is
taken to be so only if the arithmetic leaves no doubt: no quote in it, as many
rows as lines, separators exactly (columns - 1) x lines, and no last field empty;
then no line can have too few fields, hence none too many. Otherwise the lines
are looked at one by one, and only those in doubt go through the slow parser.
"""

from __future__ import annotations

import csv

import polars as pl

from pipelines.readers.raw import ChunkText, Parsed, decoded, reject_frame
from pipelines.readers.source import Chunk, UnreadableSourceError
from shared.log_format import LogFormat

FIELDS = ("time", "channel", "quantity", "value")


class DelimitedReader:
    """Reads one CSV file; the header may be anywhere in its first chunk."""

    def __init__(self, log: LogFormat, name: str) -> None:
        self.name = name
        self.delimiter = ","
        self.quote = '"'
        self.columns: list[str] | None = None

    def parse(self, chunk: Chunk) -> Parsed:
        """Turn whole lines into raw records; the first call also takes the header."""
        text = ChunkText(chunk)
        passed = 0
        if self.columns is None:
            chunk, passed = self._header(chunk)
        if self.columns is None or not chunk.lines:
            return Parsed(self._records([], []), reject_frame([]), passed, text)
        fast = self._fast(chunk)
        if fast is not None:
            return Parsed(fast, reject_frame([]), passed, text)
        records, rejects, blank = self._careful(chunk)
        return Parsed(records, rejects, passed + blank, text)

    # Header.

    def _header(self, chunk: Chunk) -> tuple[Chunk, int]:
        data = chunk.data.removeprefix(b"\xef\xbb\xbf")
        for passed, line in enumerate(data.splitlines(keepends=True), start=1):
            position = len(line)
            data, whole = data[position:], data
            if not line.strip():
                continue
            self.columns = self._names(decoded(whole[:position]), chunk.first_line + passed - 1)
            rest = Chunk(data, chunk.first_line + passed, chunk.lines - passed, chunk.unfinished)
            return rest, passed
        return Chunk(b"", chunk.first_line + chunk.lines, 0), chunk.lines

    def _names(self, line: str, number: int) -> list[str]:
        cells = next(csv.reader([line], delimiter=self.delimiter, quotechar=self.quote), [])
        names = [cell.strip().lower() for cell in cells]
        missing = [name for name in FIELDS if name not in names and name != "quantity"]
        if missing:
            raise UnreadableSourceError(
                f"{self.name}, line {number}: found the header {line[:80]!r}, without "
                f"{' and '.join(missing)}; the default layout has time,channel,quantity,value"
            )
        return names

    # Rows.

    def _pick(self, frame: pl.DataFrame, first_line: int) -> pl.DataFrame:
        columns = self.columns or []
        index = {name: position for position, name in reversed(list(enumerate(columns)))}
        return frame.select(
            pl.int_range(first_line, first_line + frame.height, dtype=pl.Int64).alias("line"),
            *(
                pl.col(f"f{index[name]}").alias(name) if name in index
                else pl.lit(None, pl.String).alias(name)
                for name in FIELDS
            ),
        )

    def _fast(self, chunk: Chunk) -> pl.DataFrame | None:
        data, width = chunk.data, len(self.columns or [])
        if (self.quote and self.quote.encode() in data) or (
            data.count(self.delimiter.encode()) != (width - 1) * chunk.lines
        ):
            return None
        frame = self._read(data, width)
        if frame is None or frame.height != chunk.lines or frame[f"f{width - 1}"].null_count():
            return None
        return self._pick(frame, chunk.first_line)

    def _read(self, data: bytes, width: int) -> pl.DataFrame | None:
        schema = {f"f{position}": pl.String for position in range(width)}
        try:
            return pl.read_csv(data, has_header=False, schema=schema, separator=self.delimiter,
                               quote_char=None, truncate_ragged_lines=True)
        except pl.exceptions.PolarsError:
            return None

    def _careful(self, chunk: Chunk) -> tuple[pl.DataFrame, pl.DataFrame, int]:
        width = len(self.columns or [])
        plain: list[bytes] = []
        plain_numbers: list[int] = []
        rows: list[list[str]] = []
        numbers: list[int] = []
        rejects: list[tuple[int, str, str]] = []
        blank = 0
        delimiter, quote = self.delimiter.encode(), self.quote.encode()
        lines = chunk.data.removesuffix(b"\n").split(b"\n")
        for number, line in enumerate(lines, start=chunk.first_line):
            if line.count(delimiter) == width - 1 and quote not in line and line.isascii():
                plain.append(line)
                plain_numbers.append(number)
                continue
            if not line.strip():
                blank += 1
                continue
            cells, reason = self._cells(line, width)
            if reason:
                rejects.append((number, decoded(line), reason))
            else:
                rows.append(cells)
                numbers.append(number)
        slow = self._records(numbers, rows)
        # A line feed closes the last line too: Polars passes over an empty last one.
        quick = self._read(b"\n".join(plain) + b"\n", width) if plain else None
        if quick is None or quick.height != len(plain):
            cells = [line.decode("ascii").rstrip("\r").split(self.delimiter) for line in plain]
            return (pl.concat([self._records(plain_numbers, cells), slow]).sort("line"),
                    reject_frame(rejects), blank)
        bulk = self._pick(quick, 0).with_columns(line=pl.Series(plain_numbers, dtype=pl.Int64))
        return pl.concat([bulk, slow]).sort("line"), reject_frame(rejects), blank

    def _cells(self, line: bytes, width: int) -> tuple[list[str], str]:
        try:
            text = line.decode("utf-8").rstrip("\r")
        except UnicodeDecodeError:
            return [], "line is not UTF-8 text; name its encoding in the [[log]] block"
        if self.quote and text.count(self.quote) % 2:
            return [], "a quote is opened and not closed"
        try:
            cells = next(csv.reader([text], delimiter=self.delimiter, strict=True,
                                    quotechar=self.quote or None,
                                    quoting=csv.QUOTE_MINIMAL if self.quote else csv.QUOTE_NONE))
        except (csv.Error, StopIteration) as error:
            return [], f"line cannot be split into fields ({error})"
        if len(cells) != width:
            fields = "field" if len(cells) == 1 else "fields"
            return [], f"{len(cells)} {fields} where the header names {width}"
        return cells, ""

    def _records(self, numbers: list[int], rows: list[list[str]]) -> pl.DataFrame:
        width = len(self.columns or FIELDS)
        schema = {f"f{position}": pl.String for position in range(width)}
        frame = pl.DataFrame(rows, schema=schema, orient="row")
        frame = frame.with_columns(pl.col(pl.String).replace("", None))
        if self.columns is None:
            frame = frame.rename(dict(zip(frame.columns, FIELDS, strict=True)))
            return frame.select(pl.Series("line", numbers, pl.Int64), *FIELDS)
        return self._pick(frame, 0).with_columns(line=pl.Series(numbers, dtype=pl.Int64))


