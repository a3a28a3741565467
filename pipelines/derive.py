"""Bring the derived tables up to date with the records and the venue file."""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from analytics.actuations import pair
from pipelines.derived_store import FOLDER, Manifest, read_manifest, write_manifest, write_part
from pipelines.store import Store
from pipelines.store_manifest import writer_lock
from shared.tables import TABLES
from shared.venue import Venue


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

    def text(self) -> str:
        """A line or two for a person."""
        lines = [f"derived {self.rows} actuations from {self.days} of {self.of_days} days "
                 f"in {self.seconds:.1f} s" if self.days
                 else f"derived tables are up to date ({self.of_days} days)"]
        for lock, sense in sorted(self.learned.items()):
            lines.append(f"learned from the log: the contact of {lock} is closed when {sense}; "
                         f'write contact_closed_when = "{sense}" to settle it')
        return "\n".join(lines)


def derive(
    venue: Venue, venue_path: str | Path, store: Store,
    *, progress: Callable[[int, int], None] | None = None,
) -> DeriveSummary:
    """Pair what is new in the store."""
    began = time.perf_counter()
    days = store.days()
    made_for = {"venue": hashlib.sha256(repr(
        (venue.locks, venue.supplies, venue.limits)).encode()).hexdigest()}
    wanted = {day.isoformat(): {"signals": mark} for day, mark in days.items()}
    held = read_manifest(store.folder)
    if not days or (json.dumps([held.made_for, held.days]) == json.dumps([made_for, wanted])):
        return DeriveSummary(0, len(days), 0, time.perf_counter() - began, held.learned)
    (store.folder / FOLDER).mkdir(parents=True, exist_ok=True)
    with writer_lock(store.folder / FOLDER):
        paired = pair(store.scan_signals().collect(), venue)
        manifest = Manifest(held.generation + 1, made_for, paired.learned, wanted)
        manifest.retired = held.retired + [(path, time.time()) for path in held.named()]
        manifest.parts["open"] = {
            name: write_part(store.folder, TABLES[name], frame)
            for name, frame in paired.tables().items()
        }
        write_manifest(store.folder, manifest)
    return DeriveSummary(len(days), len(days), paired.actuations.height,
                         time.perf_counter() - began, paired.learned)
