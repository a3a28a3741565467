"""Bring the derived tables up to date with the records and the venue file.

Neighbouring days of one quarter are paired together, as many as fit into memory: a block. What it
leaves to the next is kept beside its rows. So

- a new day costs its own block, whatever lies before it;
- records that come late have their own block paired again, and the blocks after it only as far
  as what is carried over has changed;
- a change of the wiring has everything paired again.

Nothing is visible until all of it is: the new manifest is put in force last, in one
step (:mod:`remanence.pipelines.derive.store`). Whatever is lost on the way, the records are not.
"""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path

import polars as pl
from tqdm import tqdm

from remanence.analytics.pairing.carry_over import CarryOver
from remanence.analytics.pairing.polarity import decide_votes, votes
from remanence.analytics.pairing.span import Span, pair_span
from remanence.analytics.pairing.wiring import Wiring
from remanence.pipelines.derive.records import StoreReader, day_us
from remanence.pipelines.derive.store import (
    FOLDER,
    NAME,
    Block,
    Manifest,
    read_manifest,
    read_text,
    sync_part,
    write_manifest,
    write_part,
    write_text,
)
from remanence.pipelines.store.retired import retire
from remanence.pipelines.store.store import Store
from remanence.pipelines.store.writer_lock import writer_lock
from remanence.shared.errors import UnwritableStoreError
from remanence.shared.venue import Venue

PAIRING = 13
"""Raised whenever pairing itself gives other rows: everything is then derived anew."""

BLOCK_ROWS, BLOCK_EDGES = 12_000_000, 1_000_000
"""Records, and commands and contacts among them, that are paired together, but for a single day
that has more. A new day has its whole block paired again: at most half a second. Of the levels
fewer are held at a time (:data:`remanence.pipelines.derive.records.STRETCH_ROWS`)."""

WATCHED_ROWS = 30_000_000
"""From so many records on somebody who watches is shown how far it has come: some seconds."""


@dataclass(frozen=True)
class DeriveSummary:
    """What a run of :func:`derive` did."""

    days: int
    """UTC days paired anew."""
    of_days: int
    """UTC days in the store."""
    rows: int
    """Rows of actuations written for them."""
    seconds: float
    learned: dict[str, str] = field(default_factory=dict)
    """Contacts of unknown sense: closed when ``locked`` or ``open``, by lock."""
    paired: tuple[date, ...] = ()
    """Which days."""

    def text(self) -> str:
        """A line or two for a person."""
        lines = [f"derived {self.rows} actuations from {self.days} of {self.of_days} days "
                 f"in {self.seconds:.1f} s" if self.days
                 else f"derived tables are up to date ({self.of_days} days)"]
        for lock, sense in sorted(self.learned.items()):
            lines.append(f"learned from the log: the contact of {lock} is closed when {sense}; "
                         f'write contact_closed_when = "{sense}" to settle it')
        return "\n".join(lines)


def derive(venue: Venue, venue_path: str | Path, store: Store) -> DeriveSummary:
    """Pair what is new or changed.

    Parameters
    ----------
    venue : Venue
        As the venue file is now.
    venue_path : str or Path
        The venue file.
    store : Store
        Its records.

    Returns
    -------
    DeriveSummary

    Raises
    ------
    StoreError
        The store cannot be read; UnwritableStoreError: the derived tables cannot be written.
    """
    began = time.perf_counter()
    home = store.folder / FOLDER
    if not store.days():
        return DeriveSummary(0, 0, 0, time.perf_counter() - began)
    try:
        with writer_lock(home):
            run = _Run(venue, store.folder)
            run.run()
    except OSError as error:
        raise UnwritableStoreError(
            f"{home} cannot be written: {error.strerror or error}; the tables are as they were. "
            "Put that right and run the same command again.") from None
    return DeriveSummary(
        len(run.paired), len(run.reader.marks), run.rows, time.perf_counter() - began,
        run.manifest.learned, tuple(run.paired))


def fingerprint(*known: object) -> str:
    """A short text that changes whenever what is known does."""
    return hashlib.sha256(json.dumps(known, default=str).encode()).hexdigest()[:16]


def made_for(wiring: Wiring) -> str:
    """Fingerprint of all in a venue file that the derived rows depend on."""
    return fingerprint(PAIRING, wiring.locks.cast({pl.Enum: pl.String}).rows(),
                       sorted(wiring.rails.items()), wiring.controllers, wiring.settle_us,
                       wiring.retry_us)


def blocks_of(rows: Mapping[date, int], edges: Mapping[date, int]) -> Iterator[list[date]]:
    """Days cut into blocks; of each day, in order, how many records and edges it has."""
    block: list[date] = []
    total = moved = 0
    for day, count in rows.items():
        total, moved = total + count, moved + edges[day]
        if block and (total > BLOCK_ROWS or moved > BLOCK_EDGES
                      or _quarter(day) != _quarter(block[0])):
            yield block
            block, total, moved = [], count, edges[day]
        block.append(day)
    if block:
        yield block


def _quarter(day: date) -> tuple[int, int]:
    return day.year, (day.month - 1) // 3


class _Run:
    """One run of :func:`derive`."""

    def __init__(self, venue: Venue, folder: Path) -> None:
        self.folder, self.reader = folder, StoreReader(folder)
        self.held = read_manifest(folder)
        self.paired: list[date] = []
        self.rows = 0
        self.blocks = list(blocks_of(self.reader.rows, self.reader.edge_rows))
        self.manifest = Manifest(self.held.generation + 1, retired=list(self.held.retired))
        self._learn(venue)
        self.wiring = Wiring.of(venue, self.manifest.learned)
        self.manifest.made_for = made_for(self.wiring)
        # (Waiting for the disk takes as long as writing, and nobody need stand by.)
        self.syncing = ThreadPoolExecutor(1, "derived")
        self.synced: list[Future[None]] = []

    def _learn(self, venue: Venue) -> None:
        """Count the votes of the blocks that are new or changed, then all blocks' votes."""
        bare = Wiring.of(venue, {})
        if not bare.locks["contact"].is_not_null().sum() > bare.locks["open_value"].count():
            return
        total: dict[str, list[int]] = {}
        for days in self.blocks:
            key = fingerprint(made_for(bare), self._marks(days))
            counts = self.held.votes.get(key)
            if counts is None:
                counts = votes(self.reader.edges(bare, days), bare)
            self.manifest.votes[key] = counts
            for lock, (zero, one) in counts.items():
                have = total.setdefault(lock, [0, 0])
                total[lock] = [have[0] + zero, have[1] + one]
        self.manifest.learned = decide_votes(total)

    def _marks(self, days: list[date]) -> dict[str, str]:
        return {day.isoformat(): self.reader.marks[day] for day in days}

    def run(self) -> None:
        """Pair the blocks that are new or changed, and put them in force."""
        kept = {min(block.days): block for block in self.held.blocks} \
            if self.held.made_for == self.manifest.made_for else {}
        last_held = self.held.blocks[-1] if self.held.blocks else None
        carried, carried_print, left = None, "", ""
        with self.syncing, self._shown() as bar:
            for index, days in enumerate(self.blocks):
                is_last = index == len(self.blocks) - 1
                earlier = self.blocks[index - 1][-1] if index else None
                before = [] if earlier is None else list(self._marks([earlier]).popitem())
                block = kept.get(days[0].isoformat())
                if block is not None and block.days == self._marks(days) \
                        and block.before == before and block.carried == carried_print \
                        and (not is_last or block is last_held):
                    carried = None
                    if is_last:
                        self.manifest.unfinished = self.held.unfinished
                else:
                    if carried is None:
                        carried = CarryOver.from_text(self.wiring, read_text(self.folder, left)) \
                            if left else CarryOver.nothing(self.wiring)
                    span = self._pair(days, earlier, carried, is_last=is_last)
                    carried = span.left
                    block = self._write(days, before, carried_print, span)
                    if is_last:
                        self.manifest.unfinished = self._files(span.unfinished)
                self.manifest.blocks.append(block)
                carried_print, left = block.left_print, block.left
                bar.update(sum(self.reader.rows[day] for day in days))
        if not self.paired and self.manifest.named() == self.held.named():
            return
        self.manifest.retired = retire(
            self.folder / FOLDER / NAME, self.manifest.retired,
            self.held.named() - self.manifest.named())
        for synced in self.synced:
            synced.result()
        write_manifest(self.folder, self.manifest)

    def _shown(self) -> tqdm:  # type: ignore[type-arg]
        """A bar for somebody who watches, where it takes long."""
        total = sum(self.reader.rows.values())
        # (None: shown on a terminal alone. Blocks are few, so each of them is drawn.)
        return tqdm(total=total, unit=" records", unit_scale=True, leave=False, desc="pairing",
                    mininterval=0.0, disable=True if total < WATCHED_ROWS else None)

    def _pair(
        self, days: list[date], earlier: date | None, carried: CarryOver, *, is_last: bool
    ) -> Span:
        begin, until = day_us(days[0]), day_us(days[-1] + timedelta(days=1))
        return pair_span(
            self.wiring, self.reader.edges(self.wiring, days),
            self.reader.stretches(self.wiring, days, begin, until, earlier), carried, until,
            is_last=is_last)

    def _write(self, days: list[date], before: list[str], carried: str, span: Span) -> Block:
        text = span.left.text()
        rows = span.final["actuations"].height
        self.paired += days
        self.rows += rows
        left = write_text(self.folder, "left", text)
        self._sync(left)
        return Block(self._marks(days), before, carried, left, fingerprint(text),
                     self._files(span.final), rows)

    def _files(self, tables: dict[str, pl.DataFrame]) -> dict[str, str]:
        found = {}
        for name, frame in tables.items():
            if frame.height:
                found[name] = write_part(self.folder, name, frame)
                self._sync(found[name])
        return found

    def _sync(self, path: str) -> None:
        self.synced.append(self.syncing.submit(sync_part, self.folder, path))
