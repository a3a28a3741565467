"""One log file as it is being read: its counts, and what the store is told of it."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field, replace
from typing import Any

import polars as pl

from remanence.pipelines.ingest.open_log import Piece
from remanence.pipelines.ingest.progress import Progress
from remanence.pipelines.ingest.resume import Resume, state_text
from remanence.pipelines.ingest.seen import Seen
from remanence.pipelines.ingest.summary import FileCount
from remanence.pipelines.ingest.ticks import Ticks
from remanence.pipelines.readers import reader_of
from remanence.pipelines.readers.source import Source
from remanence.shared.log_format import LogFormat
from remanence.shared.venue import Venue


@dataclass
class Reading:
    """One log file as it is being read; ``afresh`` is the first line that is read anew.

    ``later``: the files of its block that come after it; ``waits``: whether one of them may
    still anchor its last run; ``kept_until``: the latest of its times that the store holds already,
    in microseconds.
    """

    source: Source
    log: LogFormat
    layout: str
    known: dict[str, object] | None
    count: FileCount
    lines: int = 0
    afresh: int | None = 1
    complete: bool = False
    ended: bool = False
    unfinished: bool = False
    digest: str = ""
    offset: int = 0
    prefix: str = ""
    header: str | None = None
    last_times: dict[str, int] = field(default_factory=dict)
    steps: list[list[Any]] = field(default_factory=list)
    size: int = 0
    modified_ns: int = 0
    seen: Seen = field(default_factory=Seen)
    ticks: Ticks = field(default_factory=Ticks)
    kept_until: int | None = None
    later: list[Source] = field(default_factory=list)
    waits: bool = False

    def go_on(self, resume: Resume) -> None:
        """Begin with the counts of what need not be read again."""
        self.afresh = resume.first_line
        self.lines, self.header, self.seen = resume.lines, resume.header, resume.seen
        self.ticks = resume.ticks
        self.count.passed, self.count.rejected = resume.passed, resume.rejected
        self.count.read = resume.records + resume.rejected

    def row(self) -> dict[str, object]:
        """Its row of FILES; the store fills in what was taken and repeated."""
        count = self.count
        return {
            "file": self.source.name, "bytes": self.size, "modified_ns": self.modified_ns,
            "digest": self.digest, "layout": self.layout, "offset": self.offset,
            "state": state_text(
                unfinished=self.unfinished, passed=count.passed, header=self.header,
                prefix=self.prefix, last_times=self.last_times, steps=self.steps, seen=self.seen,
                ticks=self.ticks, waits=self.waits),
            "lines": self.lines, "records": count.read - count.rejected, "taken": 0,
            "repeated": 0, "rejected": count.rejected, "complete": self.complete,
        }

    def last_line_is_whole(
        self, digest: str, piece: Piece, before: Piece | None
    ) -> bool:
        """Whether a last line without line end can be trusted to be whole."""
        log, records = self.log, piece.records
        if self.known and self.known["digest"] == digest:
            return True  # it stayed as it was from one reading to the next
        if records.is_empty():
            return piece.rejects.is_empty()
        if reader_of(log.format).ends_itself:
            return True
        if log != LogFormat(log.files, line=log.line):
            return False
        if records["quantity"].is_null().any():
            return False
        if records["quantity"].cast(pl.String).is_in(["command", "contact"]).all():
            return True
        return before is not None and _decimals(piece) >= _decimals(before) > 0


def _decimals(piece: Piece) -> int:
    """Most digits after the point of the values on rails, where the value stands last."""
    records = piece.records.tail(2000)
    levels = records.filter(~pl.col("quantity").cast(pl.String).is_in(["command", "contact"]))
    lines = pl.Series(piece.text(levels["line"].to_list()), dtype=pl.String)
    found = lines.str.extract(r"\.(\d+)\s*$").str.len_chars().max()
    return int(found) if isinstance(found, int) else 0


def layout_of(venue: Venue, log: LogFormat) -> str:
    """A fingerprint of everything in the venue file that decides how a log is read."""
    words = (repr(replace(log, files=(), line=0)), venue.time_zone,
             sorted((c, sorted(q)) for c, q in venue.channels.items()),
             *sorted(log.options.items()))
    return hashlib.blake2b(repr(words).encode(), digest_size=8).hexdigest()


class TextRead:
    """Digest of the text read, and of it without its unfinished last line."""

    def __init__(self) -> None:
        self.digest = hashlib.sha1(usedforsecurity=False)
        self.size = 0
        self.left = 0
        self.last = b""
        self.before = self.digest.copy()

    def take(self, block: bytes) -> None:
        """The next block of the text."""
        self.before = self.digest.copy()
        self.last = block
        self.digest.update(block)
        self.size += len(block)

    def leave(self, size: int) -> None:
        """So many bytes at the end are an unfinished line."""
        self.left = size

    def hexdigest(self) -> str:
        """Digest of all the text."""
        return self.digest.hexdigest()

    def whole(self) -> tuple[int, str]:
        """Bytes and digest up to the end of the last whole line; (0, "") where not known."""
        if self.left > len(self.last):
            return 0, ""
        self.before.update(self.last[: len(self.last) - self.left])
        return self.size - self.left, self.before.hexdigest()


class Used:
    """Tells the progress of one file how much of it has been used."""

    def __init__(self, progress: Progress, name: str, size: int) -> None:
        self.progress, self.name, self.size, self.told = progress, name, size, 0

    def used(self, total: int) -> None:
        """So many bytes of the file are used by now."""
        now = min(total, self.size)
        if now > self.told:
            self.progress.advance(now - self.told, self.name)
            self.told = now
