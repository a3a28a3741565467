"""Logs into the store: read, clock, check, keep; every line accounted for."""

from __future__ import annotations

import contextlib
import json
from collections import deque
from collections.abc import Generator, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import polars as pl

from remanence.pipelines.clocks.boot_clock import BootClock
from remanence.pipelines.clocks.wall_clock import Clock
from remanence.pipelines.ingest.absent import absent_channels, seen_in
from remanence.pipelines.ingest.doubts import Span, name_doubt, neighbour_doubts
from remanence.pipelines.ingest.file_state import Reading, TextRead, Used, layout_of
from remanence.pipelines.ingest.files import block_of, find_logs
from remanence.pipelines.ingest.later_anchor import anchor_by_later
from remanence.pipelines.ingest.open_log import Piece, clock_for, pieces
from remanence.pipelines.ingest.pending import Pending
from remanence.pipelines.ingest.prefetch import Prefetch
from remanence.pipelines.ingest.progress import Progress, progress_for
from remanence.pipelines.ingest.resume import can_resume, resume_of, settled_of
from remanence.pipelines.ingest.retry_rejects import retry_kept
from remanence.pipelines.ingest.seen import Seen
from remanence.pipelines.ingest.summary import FileCount, IngestSummary
from remanence.pipelines.ingest.touched import Touched
from remanence.pipelines.ingest.validate import RecordValidator
from remanence.pipelines.readers.layout import Layout
from remanence.pipelines.readers.raw import reject_frame
from remanence.pipelines.readers.source import Source, UnreadableSourceError
from remanence.pipelines.store.findings_files import join_weeks
from remanence.pipelines.store.name_codes import joined
from remanence.pipelines.store.store import Batch, Committed, Store
from remanence.shared.errors import StoreError
from remanence.shared.log_format import LogFormat
from remanence.shared.tables import FILES, REJECTS, SIGNALS
from remanence.shared.venue import Venue

TOLD_STEPS = 5
"""Jumps of clocks that are told of one file; the table of clock events has them all."""

HOPELESS_LINES, HOPELESS_SHARE = 1_000_000, 0.001
"""Of a file of which fewer than this share of so many lines are records no more is read."""

UNFINISHED = ("the last line has no line end and may be half written; it is taken as soon as the "
              "file goes on, or is found unchanged")


def ingest(
    venue: Venue,
    venue_path: str | Path,
    files: Sequence[str | Path] | None = None,
    *,
    retry_rejects: bool = False,
    progress: Progress | None = None,
    now: datetime | None = None,
    store: Store | None = None,
) -> IngestSummary:
    """Take logs into the venue's store, each record once.

    Parameters
    ----------
    venue : Venue
        What the channels are.
    venue_path : path
        Its file; patterns and the store are relative to its folder.
    files : sequence of path, default None
        Log files; None: all that the venue file names.
    retry_rejects : bool, default False
        Read files with rejects again, though they have not changed.
    progress : Progress, default None
        Told of the bytes read; None: a bar on a terminal, plain lines elsewhere.
    now : datetime, default None
        Records later than a day after it are set aside; None: what the machine's clock says.
    store : Store, default None
        Where to put the records; None: the store that the venue file names.

    Returns
    -------
    IngestSummary
        Taken, repeated and rejected records per file, with the reasons.

    Raises
    ------
    StoreError
        The store cannot be read or written; what was taken before is safe.
    """
    store = store or Store.open(venue, venue_path)
    summary = _Ingest(
        venue, Path(venue_path), retry_rejects, progress or progress_for(), now, store).run(files)
    with contextlib.suppress(StoreError):  # nothing is lost by it, and the next ingest does it
        while store.join_a_month():
            pass
        join_weeks(store.folder)
    return summary


@dataclass
class _OpenedLog:
    """A file that is read ahead: its clock is known before its first stretch comes."""

    used: Used
    text: TextRead = field(default_factory=TextRead)
    clock: Clock | None = None
    pieces: Prefetch[Piece] = field(init=False)


class _Ingest:
    def __init__(
        self, venue: Venue, venue_path: Path, retry_rejects: bool, progress: Progress,
        now: datetime | None, store: Store,
    ) -> None:
        self.venue = venue
        self.folder = venue_path.parent
        self.store = store
        self.retry_rejects = retry_rejects
        self.progress = progress
        self.validator = RecordValidator(venue, now)
        self.summary = IngestSummary()
        self.pending = Pending()
        self.local: set[str] = set()
        self.touched = Touched(store.folder)
        self.skipped: list[tuple[FileCount, str]] = []
        self.writer = ThreadPoolExecutor(1, "store")
        self.underway: tuple[Future[Committed], list[Reading]] | None = None

    def run(self, files: Sequence[str | Path] | None) -> IngestSummary:
        logs, faults, notes = find_logs(self.venue, self.folder, files)
        self.summary.faults += faults
        self.summary.notes += notes
        known = {row["file"]: row for row in self.store.files().iter_rows(named=True)}
        readings = [reading for source, log in logs
                    if (reading := self._reading(source, log, known.get(source.name)))]
        self.touched.keep()
        self._look_ahead(readings)
        self.summary.files += [reading.count for reading in readings]
        todo = [reading for reading in readings if not reading.count.unchanged]
        self.progress.start(sum(reading.source.bytes_to_read() for reading in todo))
        try:
            with self.writer:
                self._read_all(todo)
                self._commit()
                self._settle()
                if self.retry_rejects and not files:
                    self._retry_gone({source.name for source, _ in logs}, known)
        finally:
            self.progress.close()
        if self.local:
            names = sorted(self.local)
            shown = ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")
            self.summary.notes.append(
                f"times without an offset were read as local time of {self.venue.time_zone} "
                f"({shown})")
        self._hint_at_retry(known)
        self._doubt(logs)
        if self.summary.files:
            self.summary.absent += absent_channels(self.venue, *seen_in(self.store, self.venue))
        return self.summary

    def _doubt(self, logs: Sequence[tuple[Source, LogFormat]]) -> None:
        """Tell of spans of files, read now, that their names or their neighbours contradict."""
        now = {f.file for f in self.summary.files if not f.unchanged}
        spans: dict[int, dict[str, Span]] = {}
        block = {source.name: log for source, log in logs}
        for name, state in self.store.files().select("file", "state").iter_rows():
            span = Seen.of_text(state).span
            if name in block and span is not None:
                spans.setdefault(block[name].line, {})[name] = span
        for files in spans.values():
            told = neighbour_doubts(files)
            for name in files:
                own = (name_doubt(name, files[name]), told.get(name))
                self.summary.doubts += [doubt for doubt in own if doubt and name in now]

    # Which files to read at all.

    def _reading(
        self, source: Source, log: LogFormat, known: dict[str, object] | None
    ) -> Reading | None:
        count = FileCount(source.name)
        try:
            status = source.path.stat()
        except OSError as error:
            self.summary.faults.append(f"{source.name}: {error.strerror}")
            return None
        reading = Reading(source, log, layout_of(self.venue, log), known, count,
                           size=status.st_size, modified_ns=status.st_mtime_ns)
        if known and known["complete"] and known["bytes"] == status.st_size:
            waits = json.loads(str(known["state"])).get("unfinished", False)
            again = self.retry_rejects and known["rejected"]
            if not waits and not again and (
                    known["modified_ns"] == status.st_mtime_ns
                    or self.touched.same_text(source, log, known, status.st_mtime_ns)):
                count.unchanged = True
                self.skipped.append((count, reading.layout))
                count.rejected = int(str(known["rejected"]))
                count.read = int(str(known["records"])) + count.rejected
        return reading

    def _look_ahead(self, readings: Sequence[Reading]) -> None:
        """Tell counters which files come after theirs; read those anew that wait for one of them.

        A file is read again once a later one of its block is new, or has changed.
        """
        later: dict[int, list[Source]] = {}
        changed: set[int] = set()
        for reading in reversed(readings):
            if not reading.log.counts:
                continue
            block = reading.log.line
            reading.later = later.setdefault(block, [])[:]
            later[block].insert(0, reading.source)
            count = reading.count
            if count.unchanged and block in changed and reading.known and json.loads(
                str(reading.known["state"])
            ).get("waits"):
                count.unchanged, count.read, count.rejected = False, 0, 0
                self.skipped = [item for item in self.skipped if item[0] is not count]
            if not count.unchanged:
                changed.add(block)

    def _hint_at_retry(self, known: dict[str, dict[str, object]]) -> None:
        waiting = [
            count for count, layout in self.skipped
            if count.rejected and known[count.file]["layout"] != layout
        ]
        if waiting and not self.retry_rejects:
            total = sum(r.rejected for r in waiting)
            self.summary.notes.append(
                f"the venue file has changed since {total:,} line{'s' if total != 1 else ''} of "
                "unchanged files were rejected; take in what it can read now with: remanence "
                "ingest VENUE --retry-rejects")

    def _retry_gone(self, present: set[str], known: dict[str, dict[str, object]]) -> None:
        """Read the rejects of files that are no longer there again, from the text kept."""
        rejects, events = self.store.rejects(), self.store.clock_events()
        for name in sorted(set(rejects["file"].unique()) - present):
            if name not in known:
                continue
            log = block_of(Path(name), self.venue, self.folder, [])
            done = retry_kept(self.venue, log, known[name],
                              rejects.filter(pl.col("file") == name),
                              events.filter(pl.col("file") == name), self.validator)
            if done is None:
                self.summary.notes.append(f"{name} is gone, and its rejects cannot be read again "
                                          "without it")
                continue
            committed = self.store.commit(done.batch)
            done.count.taken = committed.taken.get(name, 0)
            self.summary.files.append(done.count)
            self.summary.days |= set(committed.days)

    # Reading one file.

    def _read_all(self, readings: Sequence[Reading]) -> None:
        """Read one file after the other; the next one is begun while the last lines are used."""
        opened: deque[_OpenedLog] = deque()
        try:
            for number, reading in enumerate(readings):
                for following in readings[number + len(opened):number + 2]:
                    opened.append(self._opened(following, opened[-1] if opened else None))
                self._read(reading, opened[0])
                opened.popleft()
        finally:
            for log in reversed(opened):
                log.pieces.close()

    def _opened(self, reading: Reading, before: _OpenedLog | None) -> _OpenedLog:
        log = _OpenedLog(Used(self.progress, reading.source.name, reading.source.bytes_to_read()))
        log.pieces = Prefetch(self._pieces(reading, log), after=before.pieces if before else None)
        return log

    def _pieces(self, reading: Reading, opened: _OpenedLog) -> Generator[Piece, None, None]:
        """A file's stretches; before the first one ``opened`` is told by which clock to read."""
        source, log = reading.source, reading.log
        layout = Layout(log, source.name, self.validator.kinds,
                        datetime.fromtimestamp(reading.modified_ns / 1e9, UTC))
        resume = resume_of(source, log, reading.layout, reading.size, reading.known,
                           opened.text.take, opened.text.hexdigest)
        if resume is None:
            opened.text = TextRead()
        else:
            reading.go_on(resume)
        steps, settled = (resume.steps, 0) if resume else settled_of(
            source, log, reading.layout, reading.size, reading.known)
        opened.clock = clock = clock_for(
            self.venue, log, source, layout, reading.modified_ns,
            resume.last_times if resume else None, steps, settled)
        if clock.two_passes:
            for piece in pieces(source, log, layout, reading.size, _ignore, _ignore):
                clock.survey(piece.records)
            if isinstance(clock, BootClock):
                anchor_by_later(self.venue, log, clock, reading.later)
                reading.waits = bool(clock.waiting())
        yield from pieces(source, log, layout, reading.size, opened.text.take, opened.used.used,
                          resume)

    def _read(self, reading: Reading, opened: _OpenedLog) -> None:
        source = reading.source
        self.pending.readings[source.name] = reading
        before: Piece | None = None
        try:
            whole = True
            for piece, following in _with_next(opened.pieces):
                clock, text = opened.clock, opened.text
                assert clock is not None  # it is told before the first stretch
                reading.header = piece.header or reading.header
                whole = whole and not piece.long
                if piece.beginning is not None and not source.packed:
                    if not reading.last_line_is_whole(text.hexdigest(), piece, before):
                        self._unfinished(reading, piece)
                        text.leave(piece.size)
                        continue
                    whole = False
                self._take(reading, piece, following, clock)
                _give_up(reading)
                before = piece
            reading.complete = True
            opened.used.used(opened.used.size)
            if whole and opened.clock and not opened.clock.local_seen and can_resume(
                    source, reading.log):
                reading.offset, reading.prefix = opened.text.whole()
        except UnreadableSourceError as error:
            self.summary.faults.append(str(error))
        finally:
            opened.pieces.close()
        reading.ended = True
        reading.digest = opened.text.hexdigest()
        if opened.clock is not None:
            clock = opened.clock
            reading.last_times, reading.steps = clock.last_times_seen(), clock.steps_found()
            if clock.local_seen:
                self.local.add(source.name)
            events = clock.clock_events()
            if events.height:
                self.pending.events.append(events)
                self.summary.notes += _clock_notes(events)
        if self.pending.is_full():
            self._commit()

    def _take(
        self, reading: Reading, piece: Piece, following: Piece | None, clock: Clock
    ) -> None:
        records = clock.convert(piece.records, following.records if following else None)
        signals, faults = self.validator.apply(records, reading.source.name)
        reading.seen.take(signals)
        signals = reading.ticks.told(signals)
        reading.seen.strangers.update(self.validator.unknown)
        rejects = piece.rejects
        if faults.height:
            texts = piece.text(faults["line"].to_list())
            rejects = pl.concat([
                rejects,
                faults.select("line", pl.Series("text", texts, pl.String), "reason"),
            ])
        reading.lines += piece.lines - piece.passed
        reading.count.passed += piece.passed
        reading.count.read += records.height + piece.rejects.height
        self._reject(reading, rejects)
        self.pending.take(reading, signals)
        if self.pending.is_full():
            self._commit(reading)

    def _reject(self, reading: Reading, rejects: pl.DataFrame) -> None:
        if rejects.is_empty():
            return
        count = reading.count
        count.rejected += rejects.height
        for reason, number, line in rejects.group_by("reason").agg(
            pl.len(), pl.col("line").min()
        ).sort("reason").iter_rows():
            count.reasons[reason] += number
            count.first_line.setdefault(reason, line)
        self.pending.reject(reading, rejects)

    def _unfinished(self, reading: Reading, piece: Piece) -> None:
        reading.unfinished = True
        reading.lines += 1
        reading.count.read += 1
        line = reading.count.passed + reading.lines
        self._reject(reading, reject_frame([(line, piece.beginning or "", UNFINISHED)]))

    # Into the store.

    def _settle(self) -> None:
        """Wait for the commit that is under way, and count what it took."""
        if self.underway is None:
            return
        future, readings = self.underway
        self.underway = None
        done = future.result()
        for reading in readings:
            reading.count.taken += done.taken.get(reading.source.name, 0)
        self.summary.days |= set(done.days)

    def _commit(self, going_on: Reading | None = None) -> None:
        """Hand what is pending to the store; the next stretch is read while it writes.

        Of a file that is still ``going_on`` the latest seconds are held back. Nothing
        can be lost by it: until it has been read to its end, it counts as not read.
        """
        self._settle()
        pending, self.pending = self.pending, Pending()
        if not pending.readings:
            return
        if going_on is not None:
            for part in pending.held_back(going_on):
                self.pending.take(going_on, part)
        readings = list(pending.readings.values())
        batch = Batch(
            signals=joined(pending.signals) if pending.signals else SIGNALS.empty(),
            rejects=pl.concat(pending.rejects) if pending.rejects else REJECTS.empty(),
            clock_events=pl.concat(pending.events) if pending.events
            else Batch(SIGNALS.empty()).clock_events,
            files=FILES.conform(pl.DataFrame([r.row() for r in readings])),
            afresh={r.source.name: r.afresh for r in readings if r.afresh is not None},
            taken_before={r.source.name: r.count.taken for r in readings},
        )
        for reading in readings:
            reading.afresh = None
            if not reading.ended:
                self.pending.readings[reading.source.name] = reading
        self.underway = (self.writer.submit(self.store.commit, batch), readings)


def _clock_notes(events: pl.DataFrame) -> list[str]:
    """What was done about steps of the clocks of one file, for people."""
    steps = events.filter(pl.col("kind") == "step").sort("line")
    notes = [
        f"{file}, line {line:,}: the clock of {controller or 'the log'} jumped by "
        f"{seconds:+,.3f} s ({how or 'mended' if mended else how})"
        for controller, seconds, mended, file, line, how in steps.head(TOLD_STEPS).select(
            "controller", "seconds", "mended", "file", "line", "how").iter_rows()
    ]
    if steps.height > TOLD_STEPS:
        notes.append(f"and {steps.height - TOLD_STEPS} more jumps of clocks in "
                     f"{steps['file'][0]}; export the clock_events table to see them")
    return notes


def _give_up(reading: Reading) -> None:
    """Stop at a file that is no log of this form, whatever its size.

    Raises
    ------
    UnreadableSourceError
        Nearly none of its lines is a record.
    """
    count = reading.count
    if count.read >= HOPELESS_LINES and count.read - count.rejected < HOPELESS_SHARE * count.read:
        raise UnreadableSourceError(
            f"{count.file}: of its first {count.read:,} lines {count.read - count.rejected:,} are "
            "records; it is no log of this form, and no more of it was read. See with: remanence "
            "sniff FILE")


def _with_next(items: Iterator[Piece]) -> Iterator[tuple[Piece, Piece | None]]:
    """Each stretch with the one that follows; the last one also where reading on fails."""
    held: Piece | None = None
    failed: UnreadableSourceError | None = None
    while True:
        try:
            item = next(items, None)
        except UnreadableSourceError as error:
            item, failed = None, error
        if held is not None:
            yield held, item
        if item is None:
            break
        held = item
    if failed is not None:
        raise failed


def _ignore(_: object) -> None:
    """Tell nobody."""
