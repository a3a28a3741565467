"""Follow the log of this morning: a process of its own, which tells the server a line a change.

The venue's store is left alone. Its ``ingest`` seals a file for each run and syncs it to the disk;
every two seconds that would wear the memory card of a small computer, keep the weekly run waiting
for the writer's lock, and fill the store with fragments. So the files of today go through the same
``ingest`` and the same pairing into a store of this morning's own, in memory where the system has
such a place, which is gone when the process ends. What is shown here is what the next ``ingest``
will keep.
"""

from __future__ import annotations

import json
import select
import sys
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import asdict, replace
from datetime import UTC, datetime, timedelta
from datetime import time as time_of_day
from pathlib import Path
from typing import IO, Any

from remanence.analytics.health.morning import LockRound, Usual, morning_round
from remanence.pipelines.derive.derive import derive
from remanence.pipelines.derive.store import read_derived
from remanence.pipelines.derive.store import read_manifest as read_derived_manifest
from remanence.pipelines.ingest.absent import as_logged, seen_in
from remanence.pipelines.ingest.files import find_logs
from remanence.pipelines.ingest.ingest import ingest
from remanence.pipelines.ingest.progress import Silent
from remanence.pipelines.ingest.seen import Seen
from remanence.pipelines.sheets.past_reports import reports
from remanence.pipelines.sheets.refresh import load_venue
from remanence.pipelines.store.store import Store
from remanence.shared.errors import RemanenceError
from remanence.shared.venue import Venue

EVERY_S = 2.0
"""How often the files are looked at: a person who cycles a lock and looks up sees the answer."""

BEFORE = timedelta(days=1)
"""Files touched so long before the round are read too: they tell how each lock stood at night."""

IN_MEMORY = Path("/dev/shm")
"""Linux keeps it in memory; elsewhere the system's folder for what is temporary serves."""


def round_start(venue: Venue, now: datetime) -> datetime:
    """When the morning's round that is on at ``now`` began, UTC.

    Parameters
    ----------
    venue : Venue
        Whose ``morning_from_hour``, in its own zone.
    now : datetime
        Aware.

    Returns
    -------
    datetime
    """
    local = now.astimezone(venue.zone)
    minutes = round(60 * venue.limits.morning_from_hour)
    begins = time_of_day(minutes // 60, minutes % 60)
    day = local.date() if local.time() >= begins else local.date() - timedelta(days=1)
    return datetime.combine(day, begins, venue.zone).astimezone(UTC)


class Morning:
    """One morning's records, in a store of their own."""

    def __init__(self, given: str | Path, folder: Path, now: datetime) -> None:
        self.venue, self.path = load_venue(given)
        self.since = round_start(self.venue, now)
        self.store = Store(folder / f"{self.since:%Y-%m-%dT%H}")
        kept = Store.open(self.venue, self.path)
        self.old = self._old_files(kept)
        self._came = seen_in(kept, self.venue)[0] if kept.days() else None
        self._learned = read_derived_manifest(kept.folder).learned
        self.known = self._as_logged()
        self.marks: dict[Path, tuple[int, int]] = {}
        self.faults: tuple[str, ...] = ()
        self.last: datetime | None = None
        self.week, self.usual = self._reported()

    def _reported(self) -> tuple[str, Mapping[str, Usual]]:
        """The week of the newest report, and what was usual of each lock then."""
        newest = next(iter(reports(self.path.parent)), None)
        return (str(newest.week), newest.usual) if newest else ("", {})

    def _as_logged(self) -> Venue:
        """The venue as its whole log has it, this morning's included.

        One morning is too short to learn which way round a contact works, or that it never comes.
        """
        venue = self.venue
        if self._came is not None:
            venue = as_logged(venue, self._came | seen_in(self.store, venue)[0])
        return replace(venue, locks=tuple(
            replace(lock, contact_closed_when=self._learned[lock.id])
            if lock.id in self._learned and lock.contact_closed_when == "unknown" else lock
            for lock in venue.locks))

    def _old_files(self, kept: Store) -> dict[str, tuple[int, int]]:
        """Size and time of change of the files that the store has whole and that end before.

        A folder that was copied has new time stamps and old records.
        """
        rows = kept.files().select("file", "bytes", "modified_ns", "state")
        return {file: (size, changed) for file, size, changed, state in rows.iter_rows()
                if (span := Seen.of_text(state).span) and span[1] < self.since - BEFORE}

    def _fresh_files(self) -> tuple[dict[Path, tuple[int, int]], list[str]]:
        """Log files touched since the evening, with size and time of change."""
        logs, faults, _ = find_logs(self.venue, self.path.parent, None)
        oldest = (self.since - BEFORE).timestamp()
        marks = {}
        for source, _ in logs:
            try:
                status = source.path.stat()
            except OSError as error:
                faults.append(f"{source.name}: {error.strerror or error}")
                continue
            if status.st_mtime >= oldest and self.old.get(source.name) != (
                    status.st_size, status.st_mtime_ns):
                marks[source.path] = (status.st_size, status.st_mtime_ns)
        return marks, faults

    def take_in(self) -> bool:
        """Take in what has come since the last time; whether anything had."""
        marks, faults = self._fresh_files()
        if marks == self.marks:
            return False
        if marks:
            summary = ingest(self.venue, self.path, list(marks), store=self.store,
                             progress=Silent())
            faults += [*summary.faults, *summary.doubts]
            self.known = self._as_logged()
            derive(self.known, self.path, self.store)
        self.marks, self.faults = marks, tuple(faults)
        spans = [span for text in self.store.files()["state"]
                 if text and (span := Seen.of_text(text).span)]
        self.last = max((span[1] for span in spans), default=None)
        return True

    def told(self, now: datetime) -> dict[str, Any]:
        """How the round stands, for the server."""
        self.week, self.usual = self._reported()
        rows = read_derived(self.store.folder, "actuations", self.since, None)
        locks = morning_round(self.known, rows, self.usual, since=self.since, now=now)
        return {"since": self.since.isoformat(),
                "last": self.last.isoformat() if self.last else None,
                "files": len(self.marks), "faults": list(self.faults), "week": self.week,
                "locks": [_plain(lock) for lock in locks]}


def _plain(lock: LockRound) -> dict[str, Any]:
    return {**asdict(lock), "last": lock.last.isoformat() if lock.last else None}


def follow(given: str | Path, folder: Path, ended: IO[str]) -> Iterator[dict[str, Any]]:
    """How the round stands, again and again, until ``ended`` is at its end.

    Parameters
    ----------
    given : str or Path
        The venue file or its folder.
    folder : Path
        Where the morning's own store may lie.
    ended : text file
        Read to its end by whoever wants no more: standard input of the process.

    Yields
    ------
    dict
        See :meth:`Morning.told`; a fault as ``{"fault": text}``.
    """
    morning: Morning | None = None
    while True:
        now = datetime.now(UTC)
        try:
            if morning is None or round_start(morning.venue, now) != morning.since:
                morning = Morning(given, folder, now)
            morning.take_in()
            yield morning.told(now)
        except (RemanenceError, OSError) as error:
            yield {"fault": str(error)}
        if select.select([ended], [], [], EVERY_S)[0]:
            return


def main() -> None:
    """Follow the venue that the command line names; a line of JSON each time."""
    home = IN_MEMORY if IN_MEMORY.is_dir() else None
    with tempfile.TemporaryDirectory(prefix="remanence-morning-", dir=home) as folder:
        for told in follow(sys.argv[1], Path(folder), sys.stdin):
            sys.stdout.write(json.dumps(told) + "\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
