"""The Parquet store: every record once, whatever happens while it is written.

Layout, relative to the store's folder::

    manifest.json                          what is part of the store (see store_manifest)
    signals/2026-11-02/edges-*.parquet     commands and contacts of one UTC day
    signals/2026-11-02/levels-*.parquet    volts and amps of one UTC day
    signals/2026-11/edges-*.parquet        a finished month, day by day; levels likewise
    rejects/*.parquet                      lines not taken, verbatim
    files/*.parquet, clock_events/*.parquet

All files but the manifest are written once and never changed. :meth:`Store.commit`
is the only thing that writes: under the writer's lock it leaves out what the days
touched hold already, writes new files, and then puts the new manifest in force. A
process that dies before that last step has changed nothing.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from itertools import pairwise
from pathlib import Path

import numpy as np
import polars as pl

from remanence.pipelines.store.days import (
    KINDS,
    ORDER,
    add_to_day,
    by_name,
    compact,
    in_order,
    rows_of,
    write_table,
)
from remanence.pipelines.store.disk import check
from remanence.pipelines.store.manifest import (
    Day,
    Kept,
    Manifest,
    RejectFile,
    name_files,
    read_manifest,
    write_manifest,
)
from remanence.pipelines.store.months import join_month, month_to_join, write_days
from remanence.pipelines.store.name_codes import coded
from remanence.pipelines.store.remote import again_where_lost, is_copy_of, writing
from remanence.pipelines.store.segments import read_table, scan_segments, unreadable
from remanence.pipelines.store.view import folder_in_use
from remanence.shared.column_numbers import codes_of, ticks_of
from remanence.shared.errors import StoreError, UnwritableStoreError
from remanence.shared.table import Table
from remanence.shared.tables import CLOCK_EVENTS, FILES, REJECTS, SIGNALS
from remanence.shared.venue import Venue

DAY_US = 86_400_000_000

_REJECT_ROWS = 500_000
_MANY_REJECT_FILES = 16


@dataclass
class Batch:
    """What one commit puts into the store.

    ``signals`` (SIGNALS, its names coded or not, any order, repeats allowed) may be of
    several log files.
    ``files`` has one row (FILES) per log file touched: ``lines``, ``records`` and
    ``rejected`` as counted so far in this reading; ``taken`` and ``repeated`` are
    filled in by the store, added to ``taken_before`` of that file. ``afresh`` tells from
    which line on a file was read anew: earlier rejects and clock events of these lines
    are replaced, not added to.
    """

    signals: pl.DataFrame
    rejects: pl.DataFrame = field(default_factory=REJECTS.empty)
    clock_events: pl.DataFrame = field(default_factory=CLOCK_EVENTS.empty)
    files: pl.DataFrame = field(default_factory=FILES.empty)
    afresh: Mapping[str, int] = field(default_factory=dict)
    taken_before: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True)
class Committed:
    """What a commit did: records taken per log file, and the days that changed."""

    taken: Mapping[str, int]
    days: tuple[date, ...]


class Store:
    """One venue's store. Cheap to open; every read looks at the manifest afresh."""

    def __init__(self, folder: Path, venue: str | None = None) -> None:
        self.folder = folder
        self.venue = venue

    @classmethod
    def open(cls, venue: Venue, venue_path: str | Path) -> Store:
        """The store that the venue file names; nothing is created before the first commit.

        Raises
        ------
        StoreError
            The folder or bucket holds something else, another venue's store, or one this
            version cannot read; the bucket cannot be reached.
        """
        folder = (Path(venue_path).parent / venue.store_folder).resolve()
        if venue.store != venue.store_folder:
            is_copy_of(folder, venue.store)
        store = cls(folder_in_use(folder), venue.id)
        store._manifest()
        return store

    def _manifest(self) -> Manifest:
        manifest = read_manifest(self.folder)
        if manifest is None:
            return Manifest.new(self.venue)
        if self.venue is not None and manifest.venue not in (None, self.venue):
            raise StoreError(
                f'{self.folder} holds the records of the venue "{manifest.venue}", not of '
                f'"{self.venue}"; give each venue a store of its own. If it is the same venue '
                "under a new id, say so with: remanence verify VENUE --renamed")
        return manifest

    # Reading.

    def days(self) -> dict[date, str]:
        """UTC days that hold records, in order, each with a fingerprint.

        The fingerprint changes whenever that day's records do.
        """
        manifest = self._manifest()
        return {
            date.fromisoformat(day): f"{manifest.store}-{entry.changed}"
            for day, entry in sorted(manifest.days.items())
        }

    def scan_signals(
        self, days: Sequence[date] | None = None, quantities: Sequence[str] | None = None
    ) -> pl.LazyFrame:
        """The records of some days, lazily.

        Parameters
        ----------
        days : sequence of date, default None
            UTC days, or all of them. Those without records add nothing.
        quantities : sequence of str, default None
            Only these quantities, or all of them.

        Returns
        -------
        polars.LazyFrame
            SIGNALS, sorted by time and place in the tick. Only commands and contacts come
            without a sort.
        """
        manifest = self._manifest()
        wanted = manifest.days if days is None else {d.isoformat() for d in days}
        kinds = {KINDS[q] for q in quantities} if quantities is not None else set(KINDS.values())
        parts: list[pl.LazyFrame] = []
        for kind in sorted(kinds):
            segments = [
                segment for day in sorted(manifest.days) if day in wanted
                for segment in manifest.days[day].segments if segment.kind == kind
            ]
            for path in dict.fromkeys(self.folder / segment.path for segment in segments):
                try:
                    check(path)
                except OSError as error:
                    raise unreadable(path, error) from None
            if segments:
                parts.append(scan_segments(self.folder, segments))
        if not parts:
            return SIGNALS.empty().lazy()
        frame = parts[0] if kinds == {"edges"} else pl.concat(parts).sort(
            ORDER, maintain_order=True)
        if quantities is not None and {q for q, kind in KINDS.items() if kind in kinds} != set(
            quantities
        ):
            frame = frame.filter(pl.col("quantity").is_in(list(quantities)))
        return frame.select(SIGNALS.schema.names())

    def rejects(self) -> pl.DataFrame:
        """Every line that was not taken (REJECTS), by file and line."""
        parts = [read_table(self.folder, entry.path) for entry in self._manifest().rejects]
        return REJECTS.conform(pl.concat(parts)) if parts else REJECTS.empty()

    def files(self) -> pl.DataFrame:
        """Every log file taken in (FILES), and how far."""
        return self._small(self._manifest(), "files", FILES)

    def clock_events(self) -> pl.DataFrame:
        """What was found of controllers' clocks (CLOCK_EVENTS)."""
        return self._small(self._manifest(), "clock_events", CLOCK_EVENTS)

    def _small(self, manifest: Manifest, name: str, table: Table) -> pl.DataFrame:
        kept = manifest.kept.get(name)
        return table.conform(read_table(self.folder, kept.path)) if kept else table.empty()

    # Writing.

    @again_where_lost
    def commit(self, batch: Batch) -> Committed:
        """Put a batch into the store: all of it becomes visible at once, or none.

        Raises
        ------
        StoreError
            The store cannot be written (full disk, no permission); it is as it was.
        """
        signals = coded(batch.signals)
        with writing(self.folder):
            try:
                manifest = self._manifest()
                if read_manifest(self.folder) is None:
                    # A store without its manifest is refused, so it must have one before all.
                    write_manifest(self.folder, manifest)
                manifest = manifest.copy()
                manifest.venue = manifest.venue or self.venue
                before = manifest.named()
                manifest.generation += 1
                taken, days = self._add_signals(manifest, signals)
                self._replace_rejects(manifest, batch)
                self._replace_clock_events(manifest, batch)
                self._update_files(manifest, batch, taken)
                name_files(self.folder, manifest, before)
            except OSError as error:
                raise UnwritableStoreError(
                    f"{self.folder} cannot be written: {error.strerror or error}; what was taken "
                    "in before is safe. Put that right and run the same command again."
                ) from None
        return Committed(taken, days)

    @again_where_lost
    def join_a_month(self) -> str | None:
        """Join the days of one finished month that lie in many files; None: there is none.

        It is a commit like any other, and no day counts as changed.

        Returns
        -------
        str or None
            The month, like ``2026-11``.

        Raises
        ------
        StoreError
            A file is damaged, or the store cannot be written; it is as it was.
        """
        if month_to_join(self._manifest()) is None:
            return None
        with writing(self.folder):
            manifest = self._manifest().copy()
            month = month_to_join(manifest)
            if month is None:
                return None
            before = manifest.named()
            try:
                join_month(self.folder, manifest, month)
                name_files(self.folder, manifest, before)
            except OSError as error:
                raise UnwritableStoreError(
                    f"{self.folder} cannot be written: {error.strerror or error}; it is as it was"
                ) from None
        return month

    def _add_signals(
        self, manifest: Manifest, signals: pl.DataFrame
    ) -> tuple[Counter[str], tuple[date, ...]]:
        taken = Counter[str]()
        changed: list[date] = []
        if signals.is_empty():
            return taken, ()
        for of_kind, frame, rows in _by_kind_and_day(signals):
            for day in rows:
                manifest.days.setdefault(day.isoformat(), Day(manifest.generation))
            written = write_days(self.folder, manifest, of_kind, frame, {
                day: own for day, own in rows.items()
                if all(s.kind != of_kind for s in manifest.days[day.isoformat()].segments)})
            for day, (start, stop) in rows.items():
                entry, new = manifest.days[day.isoformat()], frame[start:stop]
                held = [s for s in entry.segments if s.kind == of_kind]
                rest = [s for s in entry.segments if s.kind != of_kind]
                then, fresh = ([written[day]], by_name(new["file"])) if day in written else \
                    add_to_day(self.folder, day, of_kind, held, new)
                if then != held:
                    entry.changed = manifest.generation
                    changed.append(day)
                held, _ = compact(self.folder, day, of_kind, then)
                entry.segments = rest + held
                taken += fresh
        return taken, tuple(sorted(set(changed)))

    def _replace_rejects(self, manifest: Manifest, batch: Batch) -> None:
        new = REJECTS.conform(batch.rejects)
        ranges = {
            name: (first, last) for name, first, last in new.group_by("file").agg(
                pl.col("line").min().alias("first"), pl.col("line").max().alias("last")
            ).iter_rows()
        }
        small = [entry for entry in manifest.rejects if entry.rows < _REJECT_ROWS // 4]
        gather = len(small) > _MANY_REJECT_FILES
        kept: list[RejectFile] = []
        frames: list[pl.DataFrame] = []
        for entry in manifest.rejects:
            # Read again: what a fresh reading replaces, what may hold the same lines (of
            # another ingest at the same time), and small files once there are many.
            anew = any(name in batch.afresh and entry.last >= batch.afresh[name]
                       for name in entry.files)
            same = any(name in ranges and entry.first <= ranges[name][1]
                       and entry.last >= ranges[name][0] for name in entry.files)
            if anew or same or (gather and entry in small):
                frames.append(read_table(self.folder, entry.path))
            else:
                kept.append(entry)
        if not frames and new.is_empty():
            return
        old = REJECTS.conform(pl.concat(frames)) if frames else REJECTS.empty()
        rejects = pl.concat([old.filter(_still_good(batch)), new])
        if old.height:
            rejects = REJECTS.conform(rejects.unique(maintain_order=True))
        for start in range(0, rejects.height, _REJECT_ROWS):
            piece = rejects[start : start + _REJECT_ROWS]
            path = write_table(piece, self.folder, "rejects/", REJECTS)
            lines = piece["line"]
            kept.append(RejectFile(path, piece.height, sorted(piece["file"].unique()),
                                   int(lines.min() or 0), int(lines.max() or 0)))  # type: ignore[arg-type]
        manifest.rejects = kept

    def _replace_clock_events(self, manifest: Manifest, batch: Batch) -> None:
        if batch.clock_events.is_empty() and not (
                batch.afresh and "clock_events" in manifest.kept):
            return
        held = self._small(manifest, "clock_events", CLOCK_EVENTS)
        kept = held.filter(_still_good(batch))
        events = CLOCK_EVENTS.conform(
            pl.concat([kept, CLOCK_EVENTS.conform(batch.clock_events)]).unique()
        )
        if not events.equals(held):
            self._keep(manifest, "clock_events", CLOCK_EVENTS, events)

    def _update_files(self, manifest: Manifest, batch: Batch, taken: Mapping[str, int]) -> None:
        if batch.files.is_empty():
            return
        rows = []
        for row in FILES.conform(batch.files).iter_rows(named=True):
            name = row["file"]
            row["taken"] = batch.taken_before.get(name, 0) + taken.get(name, 0)
            row["repeated"] = row["records"] - row["taken"]
            rows.append(row)
        new = pl.DataFrame(rows, schema=FILES.schema)
        held = self._small(manifest, "files", FILES)
        kept = held.filter(~pl.col("file").is_in(new["file"].to_list()))
        self._keep(manifest, "files", FILES, FILES.conform(pl.concat([kept, new])))

    def _keep(self, manifest: Manifest, name: str, table: Table, frame: pl.DataFrame) -> None:
        path = write_table(frame, self.folder, f"{name}/", table)
        manifest.kept[name] = Kept(path, frame.height)


def _still_good(batch: Batch) -> pl.Expr:
    """Rows of lines that the batch did not read anew."""
    if not batch.afresh:
        return pl.lit(True)
    anew = pl.col("file").replace_strict(
        list(batch.afresh), list(batch.afresh.values()), default=2**62, return_dtype=pl.Int64)
    return pl.col("line") < anew


def _by_kind_and_day(
    signals: pl.DataFrame
) -> Iterator[tuple[str, pl.DataFrame, dict[date, tuple[int, int]]]]:
    """Coded records of each kind, sorted, each record once (the first of those given).

    With each kind's records: which rows of them, from and to, are each day's.
    """
    kind_of = np.array([KINDS[name] == "edges" for name in signals["quantity"].dtype.categories])  # type: ignore[attr-defined]
    edges = kind_of[codes_of(signals["quantity"])]
    for kind, chosen in (("edges", edges), ("levels", ~edges)):
        if not chosen.any():
            continue
        frame = in_order(signals if chosen.all() else rows_of(signals, np.flatnonzero(chosen)))
        day = ticks_of(frame["time"]) // DAY_US
        starts = [0, *(np.flatnonzero(day[1:] != day[:-1]) + 1).tolist()]
        yield kind, frame, {frame["time"][start].date(): (start, stop)
                            for start, stop in pairwise([*starts, frame.height])}
