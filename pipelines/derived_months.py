"""Rows of newly paired days put into the month files, beside those that stay."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl

from analytics.pairing_setup import Setup
from pipelines.derived_changes import Affected
from pipelines.derived_store import OPEN, Manifest, read_part, write_part
from shared.tables import TABLES

STATES = "states"
STATE_SCHEMA = pl.Schema({"derived_on": pl.Date(), "state": pl.String()})
WHOSE = {
    "actuations": "lock", "energisings": "lock", "contact_changes": "lock",
    "rail_hours": "supply",
}
"""Tables in which a change of the venue file may leave other locks' or rails' rows alone.

Openings name other locks, and polling is of controllers: those are replaced whole,
which costs nothing, as only edges are looked at for them.
"""


def month_of(day: date) -> str:
    """The part that a day's rows are in."""
    return day.strftime("%Y-%m")


def kept_state(folder: Path, manifest: Manifest, day: date) -> str:
    """What ``day`` left to the next, as kept; empty where it is not known."""
    path = manifest.parts.get(month_of(day), {}).get(STATES)
    if path is None:
        return ""
    found = read_part(folder, path, pl.col("derived_on") == day)
    return str(found["state"][0]) if found.height else ""


class MonthWriter:
    """Gathers the rows of days in order, and writes each month once it is over."""

    def __init__(
        self, folder: Path, held: Manifest, concerned: Affected, setup: Setup
    ) -> None:
        self.folder, self.held, self.concerned, self.setup = folder, held, concerned, setup
        self.some = not (concerned.everything or concerned.nothing)
        self.done = {key: dict(part) for key, part in held.parts.items() if key != OPEN}
        if concerned.everything:
            self.done = {}
        self.month = ""
        self.frames: dict[str, list[pl.DataFrame]] = {}
        self.days: list[date] = []
        self.partly: list[date] = []
        self.last: tuple[date, str] | None = None

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
        self.frames.setdefault(STATES, []).append(
            pl.DataFrame([(day, text)], schema=STATE_SCHEMA, orient="row"))

    def add(self, tables: dict[str, pl.DataFrame]) -> None:
        """Rows of days of one month that were added, each with ``derived_on``."""
        for name, frame in tables.items():
            self.frames.setdefault(name, []).append(frame)

    def state_of(self, day: date) -> str:
        """The state added for ``day``; empty if none was."""
        return self.last[1] if self.last and self.last[0] == day else ""

    def parts(self) -> dict[str, dict[str, str]]:
        """Every month's files: those written, and those that stay."""
        self._flush()
        return self.done

    def write_open(self, tables: dict[str, pl.DataFrame]) -> dict[str, str]:
        """Write what the end of the records leaves unfinished."""
        return {name: write_part(self.folder, name, frame)
                for name, frame in tables.items() if frame.height}

    def _flush(self) -> None:
        if not self.days:
            return
        part = self.done.setdefault(self.month, {})
        for name, frames in self.frames.items():
            fresh = pl.concat(frames)
            if name in part:
                stays = read_part(self.folder, part[name])
                fresh = self._beside(name, stays, fresh)
            by = ["derived_on"] if name == STATES else list(TABLES[name].sorted_by)
            if fresh.height:
                part[name] = write_part(self.folder, name, fresh.sort(by, maintain_order=True))
            else:
                part.pop(name, None)
        self.frames, self.days, self.partly = {}, [], []

    def _beside(self, name: str, stays: pl.DataFrame, fresh: pl.DataFrame) -> pl.DataFrame:
        """Old rows that stay, with the new ones."""
        again = pl.col("derived_on").is_in(self.days)
        partly = pl.col("derived_on").is_in(self.partly)
        if name in WHOSE:
            names = self.concerned.supplies if name == "rail_hours" else self.concerned.locks
            other = partly & ~pl.col(WHOSE[name]).is_in(list(names))
        elif name == "activity" and not self.concerned.activity:
            other = partly
        else:
            other = pl.lit(False)
        return pl.concat([stays.filter(~again | other), fresh.filter(~other)])

