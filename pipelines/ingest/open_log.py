"""One log file, opened and read: its raw records in the venue's words, stretch by stretch."""

from __future__ import annotations

from collections.abc import Callable, Generator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl

from remanence.pipelines.clocks.boot_clock import BootClock
from remanence.pipelines.clocks.iso import parse_times
from remanence.pipelines.clocks.wall_clock import Clock, WallClock
from remanence.pipelines.ingest.resume import Resume
from remanence.pipelines.readers import reader_of
from remanence.pipelines.readers.layout import Layout
from remanence.pipelines.readers.raw import Parsed, TextOf, decoded, reject_frame
from remanence.pipelines.readers.source import (
    Chunk,
    LongLine,
    Recoded,
    Source,
    UnreadableSourceError,
    chunks,
    without_lines,
)
from remanence.shared.log_format import LogFormat
from remanence.shared.venue import Venue


@dataclass(frozen=True)
class Piece:
    """A stretch of a log: ``records`` in the venue's words (see readers.layout), and the rest.

    ``lines`` were read, ``passed`` of them are no records (header, blank, comment).
    ``beginning`` is the text of a last line that has no line end, else None; ``size``
    its length in bytes. ``header`` is the line that named the columns, if one has.
    """

    records: pl.DataFrame
    rejects: pl.DataFrame
    lines: int
    passed: int
    text: TextOf
    beginning: str | None = None
    size: int = 0
    header: str | None = None
    long: bool = False


def pieces(
    source: Source, log: LogFormat, layout: Layout, size: int,
    on_bytes: Callable[[bytes], None], on_used: Callable[[int], None],
    resume: Resume | None = None,
) -> Generator[Piece, None, None]:
    """Read a log from its beginning, or from where ``resume`` says.

    Parameters
    ----------
    source, log, layout
        What, by which block, and the block applied to it.
    size : int
        Bytes of the file on disk.
    on_bytes, on_used : callable
        Told of every block of text, and of how many bytes of the file are used.
    resume : Resume, default None
        Where to go on in a file that has grown.

    Raises
    ------
    UnreadableSourceError
        The file cannot be read, or not to its end; what came before is good.
    """
    with source.open() as (stream, used):
        kind = reader_of(log.format)
        if kind.rows is not None:
            for parsed, rows in kind.rows(stream, log, source.name, layout.fields):
                on_used(min(used(), size))
                yield _piece(parsed, layout, rows)
            return
        assert kind.lines is not None
        reader = kind.lines(log, source.name, layout.fields)
        first_line = 1
        if resume is not None:
            stream.seek(resume.offset)
            first_line = resume.first_line
            if resume.header is not None:
                reader.parse(Chunk(resume.header.encode() + b"\n", 1, 1))
        lines = chunks(source, Recoded(stream, log.encoding), size, on_bytes, first_line)
        if log.skip_lines or log.ignore:
            lines = without_lines(lines, log.skip_lines, log.ignore)
        for chunk in lines:
            on_used(min(used(), size))
            if isinstance(chunk, LongLine):
                yield _long(chunk)
                continue
            piece = _piece(reader.parse(chunk), layout, chunk.lines)
            header = reader.header_line
            yield replace(
                piece, header=decoded(header) if header else None,
                beginning=decoded(chunk.data) if chunk.unfinished else None,
                size=len(chunk.data) if chunk.unfinished else 0)


def _piece(parsed: Parsed, layout: Layout, lines: int) -> Piece:
    laid = layout.apply(parsed.records, parsed.cells)
    return Piece(laid.records, parsed.rejects, lines, parsed.passed + laid.passed, parsed.text)


def _long(line: LongLine) -> Piece:
    reason = f"line is too long to be a record: {line.length:,} bytes; its beginning is kept"
    names = ("time", "channel", "quantity", "value")
    empty = pl.DataFrame(schema=dict.fromkeys(names, pl.String)).select(
        pl.Series("line", [], pl.Int64), *names)
    rejects = reject_frame([(line.number, decoded(line.beginning), reason)])
    return Piece(empty, rejects, 1, 0, lambda numbers: ["" for _ in numbers], long=True)


def clock_for(
    venue: Venue, log: LogFormat, source: Source, layout: Layout, modified_ns: int,
    last_times: Mapping[str, int] | None = None, steps: Sequence[Sequence[Any]] = (),
    settled: int = 0,
) -> Clock:
    """The clock of a log's times.

    Raises
    ------
    UnreadableSourceError
        The file's name does not tell the start as the block says it does.
    """
    if not log.counts:
        return WallClock(venue, log, source.name, last_times, steps, settled)
    named = {
        name: _named_time(venue, log, source.name, layout.facts[name])
        for name in ("start", "first") if name in layout.facts
    }
    modified = datetime.fromtimestamp(modified_ns / 1e9, UTC)
    return BootClock(venue, log, source.name, start=named.get("start"),
                     first=named.get("first"), fallback=modified,
                     controller=layout.facts.get("controller"))


def _named_time(venue: Venue, log: LogFormat, name: str, text: str) -> datetime:
    parsed = parse_times(pl.Series([text]), log.start_format or "iso")
    time, zoned = parsed["time"][0], parsed["zoned"][0]
    if time is None:
        raise UnreadableSourceError(
            f"{name}: {text!r} in its name is no time of the form {log.start_format!r} "
            "(start_format of the [[log]] block)")
    zone = UTC if zoned else ZoneInfo(log.time_zone) if log.time_zone else venue.zone
    moment: datetime = time.replace(tzinfo=zone)
    return moment

