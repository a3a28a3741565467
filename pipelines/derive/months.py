"""Rows of newly paired days put into the month files, beside those that stay."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from remanence.analytics.pairing.edges import Columns
from remanence.analytics.pairing.hours import activity_table, rail_hours_table
from remanence.analytics.pairing.polling import Resolution, polling_table
from remanence.analytics.pairing.setup import Setup
from remanence.analytics.pairing.tables import joined, tables
from remanence.pipelines.derive.store import OPEN, Manifest, read_part, sync_part, write_part
from remanence.shared.tables import TABLES
from remanence.shared.venue import Lock, Venue, controller_of

VERSION = 5
"""Raised whenever pairing itself gives other rows: everything is then derived anew."""


def made_for(venue: Venue, learned: dict[str, str]) -> dict[str, Any]:
    """Everything in a venue file that the derived rows depend on.

    Parameters
    ----------
    venue : Venue
        As the venue file is now.
    learned : dict of str to str
        What contacts of unknown sense turned out to be.
    """
    limits = venue.limits
    locks = {}
    for lock in venue.locks:
        wait = limits.coast_ms if lock.pulsed else 0.0
        if lock.pulsed and lock.contact and lock.contact_senses == "door":
            wait = limits.door_wait_ms
        sense = lock.contact_closed_when
        locks[lock.id] = {
            "rail": [lock.supply, lock.command, lock.command_energised, lock.released_by,
                     bool(lock.self_cut)],
            "own": [lock.contact, sense, lock.contact_senses if lock.contact else None,
                    learned.get(lock.id) if lock.contact and sense == "unknown" else None,
                    wait, limits.settle_ms if lock.contact else None, limits.retry_within_s],
        }
    return {
        "version": VERSION,
        "locks": locks,
        "order": [lock.id for lock in venue.locks],
        "supplies": {supply.id: supply.channel for supply in venue.supplies},
        "channels": {name: sorted(what) for name, what in sorted(venue.channels.items())},
    }


@dataclass(frozen=True)
class Affected:
    """What has to be paired again on every day; ``everything`` stands above the rest."""

    everything: bool = False
    locks: frozenset[str] = frozenset()
    supplies: frozenset[str] = frozenset()
    controllers: frozenset[str] = frozenset()
    """Whose record of what was logged changes."""

    @property
    def nothing(self) -> bool:
        """Whether the rows stand as they are."""
        return not (self.everything or self.locks or self.supplies or self.controllers)


def affected(before: dict[str, Any], now: dict[str, Any]) -> Affected:
    """Compare two results of :func:`made_for`.

    A lock's contact, its sense, and the waits concern that lock alone. Its command, its
    supply and how it is released load a rail: they concern every lock on the rails it
    is or was on, and those rails' own rows. So does a lock put in or taken out, and a
    rail's channel. A new or lost channel concerns the record of what its controller logged,
    and with it how far the locks that report to that controller were watched.
    """
    if before.get("version") != now["version"]:
        return Affected(everything=True)
    old, new = before["locks"], now["locks"]
    locks: set[str] = set()
    rails: set[str] = set()
    for name in set(old) | set(new):
        one, other = old.get(name), new.get(name)
        if one is None or other is None or one["rail"] != other["rail"]:
            rails |= {known["rail"][0] for known in (one, other) if known}
            locks.add(name)
        elif one["own"] != other["own"]:
            locks.add(name)
    channels, were = now["supplies"], before["supplies"]
    rails |= {name for name in set(were) | set(channels) if were.get(name) != channels.get(name)}
    locks |= {name for known in (old, new) for name, lock in known.items()
              if lock["rail"][0] in rails}
    known, was = now["channels"], before["channels"]
    controllers = {controller_of(name) for name in set(known) | set(was)
                   if known.get(name) != was.get(name)}
    locks |= {name for kind in (old, new) for name, lock in kind.items()
              if controller_of(lock["own"][0] or lock["rail"][1]) in controllers}
    return Affected(locks=frozenset(locks), supplies=frozenset(rails),
                    controllers=frozenset(controllers))


def fingerprint(known: dict[str, Any]) -> str:
    """A short text that changes whenever ``known`` does."""
    return hashlib.sha256(json.dumps(known, sort_keys=True).encode()).hexdigest()[:16]


def senses_to_learn(venue: Venue) -> tuple[Lock, ...]:
    """Locks whose contact is of unknown sense."""
    return tuple(lock for lock in venue.locks
                 if lock.contact and lock.contact_closed_when not in ("locked", "open"))


STATES = "states"
STATE_SCHEMA = pl.Schema({"derived_on": pl.Date(), "state": pl.String()})
WHOSE = {
    "actuations": "lock", "energisings": "lock", "contact_changes": "lock",
    "rail_hours": "supply", "activity": "controller", "polling": "controller",
}
"""Tables in which a change of the venue file may leave other locks', rails' or controllers'
rows alone. Openings name other locks: they are replaced whole, which costs nothing, as only
edges are looked at for them."""


def month_of(day: date) -> str:
    """The part that a day's rows are in."""
    return day.strftime("%Y-%m")


def kept_state(folder: Path, manifest: Manifest, day: date) -> str:
    """What ``day`` left to the next, as kept; empty where it is not known."""
    return kept_states(folder, manifest, month_of(day)).get(day, "")


def kept_states(folder: Path, manifest: Manifest, month: str) -> dict[date, str]:
    """What each day of a month left to the next, as kept."""
    path = manifest.parts.get(month, {}).get(STATES)
    return dict(read_part(folder, path).iter_rows()) if path is not None else {}


class MonthWriter:
    """Gathers the rows of days in order, and writes each month once it is over."""

    def __init__(
        self, folder: Path, held: Manifest, concerned: Affected, setup: Setup, venue: Venue
    ) -> None:
        self.folder, self.concerned, self.setup, self.venue = folder, concerned, setup, venue
        self.some = not (concerned.everything or concerned.nothing)
        self._empty()
        self.done = {key: dict(part) for key, part in held.parts.items() if key != OPEN}
        if concerned.everything:
            self.done = {}
        self.month = ""
        # (Waiting for the disk takes as long as writing, and nobody need stand by.)
        self.syncing = ThreadPoolExecutor(1, "derived")
        self.synced: list[Future[None]] = []
        self.last: tuple[date, str] | None = None

    def _empty(self) -> None:
        self.states: list[tuple[date, str]] = []
        self.rows: list[dict[str, Columns]] = []
        self.rail_hours: list[Columns] = []
        self.activity: list[Columns] = []
        self.polling: list[Resolution] = []
        self.days: list[date] = []
        self.partly: list[date] = []

    def add_day(self, day: date, text: str, *, whole: bool = True) -> None:
        """A day that was paired, with what it leaves to the next; its rows come after it.

        Where not ``whole``, rows that the change of the venue file does not concern
        stay as they are.
        """
        if month_of(day) != self.month:
            self._flush()
            self.month = month_of(day)
        self.days.append(day)
        if self.some and not whole:
            self.partly.append(day)
        self.last = (day, text)
        self.states.append((day, text))

    def add_rows(self, rows: dict[str, Columns], number: int) -> None:
        """The rows of :func:`remanence.analytics.pairing.days.finish` of the day numbered so."""
        self.rows.append({name: columns | {"derived_on": np.full(
            columns["lock"].size, number, np.int32)} for name, columns in rows.items()})

    def add_hours(
        self, rail_hours: Columns, activity: Columns,
        polling: Sequence[Resolution],
    ) -> None:
        """What else there is to say of days of one month that were added."""
        self.rail_hours += [rail_hours] if rail_hours else []
        self.activity += [activity] if activity else []
        self.polling += polling

    def state_of(self, day: date) -> str:
        """The state added for ``day``; empty if none was."""
        return self.last[1] if self.last and self.last[0] == day else ""

    def parts(self) -> dict[str, dict[str, str]]:
        """Every month's files: those written, and those that stay."""
        self._flush()
        return self.done

    def write_open(self, tables: dict[str, pl.DataFrame]) -> dict[str, str]:
        """Write what the end of the records leaves unfinished."""
        return {name: self._write(name, frame)
                for name, frame in tables.items() if frame.height}

    def finish(self) -> None:
        """Wait until all that was written is on the disk.

        Raises
        ------
        OSError
            It cannot be put there.
        """
        with self.syncing:
            for synced in self.synced:
                synced.result()

    def _write(self, name: str, frame: pl.DataFrame) -> str:
        path = write_part(self.folder, name, frame)
        self.synced.append(self.syncing.submit(sync_part, self.folder, path))
        return path

    def _flush(self) -> None:
        if not self.days:
            return
        part = self.done.setdefault(self.month, {})
        for name, fresh in self._tables().items():
            by = ["derived_on"] if name == STATES else list(TABLES[name].sorted_by)
            if name in part:
                stays = read_part(self.folder, part[name])
                fresh = self._beside(name, stays, fresh).sort(by, maintain_order=True)
            if fresh.height:
                part[name] = self._write(name, fresh)
            else:
                part.pop(name, None)
        self._empty()

    def _tables(self) -> dict[str, pl.DataFrame]:
        """What was added, as tables with ``derived_on``, each in its order."""
        hour = pl.col("hour").dt.date()
        supplies = [supply.id for supply in self.venue.supplies]
        return tables(self.setup, self.venue, {
            name: joined([rows[name] for rows in self.rows]) for name in self.rows[0]
        }) | {
            "rail_hours": rail_hours_table(supplies, self.rail_hours).with_columns(
                derived_on=hour),
            "activity": activity_table(self.setup.controllers, self.activity).with_columns(
                derived_on=hour),
            "polling": polling_table(self.setup.controllers, self.polling).with_columns(
                derived_on="day"),
            STATES: pl.DataFrame(self.states, schema=STATE_SCHEMA, orient="row"),
        }

    def _beside(self, name: str, stays: pl.DataFrame, fresh: pl.DataFrame) -> pl.DataFrame:
        """Old rows that stay, with the new ones."""
        again = pl.col("derived_on").is_in(self.days)
        partly = pl.col("derived_on").is_in(self.partly)
        if name in WHOSE:
            names = {"lock": self.concerned.locks, "supply": self.concerned.supplies,
                     "controller": self.concerned.controllers}[WHOSE[name]]
            other = partly & ~pl.col(WHOSE[name]).is_in(list(names))
        else:
            other = pl.lit(False)
        return pl.concat([stays.filter(~again | other), fresh.filter(~other)])
