"""The health of a source: a small file that is replaced, and the line that ``--status`` prints."""

from __future__ import annotations

import json
import time
from collections import OrderedDict
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from remanence.pipelines.record.inbox import iso
from remanence.pipelines.record.journal import Row
from remanence.pipelines.say import note

STATUS_NAME = "status.json"

EVERY = timedelta(seconds=5)
"""The file is written anew so often at most."""

STALE = timedelta(seconds=45)
"""An older file is that of a recorder that is not running: longer than the longest back-off."""

MOST_CHANNELS = 500
"""The last message of so many channels is told; topics that strangers make up do not add up."""


class SourceStatus:
    """How one source stands. A fault is said on standard error once, not at every try."""

    def __init__(self, folder: Path, name: str) -> None:
        self.path = folder / STATUS_NAME
        self.name = name
        self.messages = self.repeats = 0
        self.ever_listened = False
        self._state, self._why = "waiting", "starting"
        self._since = datetime.now(UTC)
        self._disk: str | None = None
        self._last: OrderedDict[str, datetime] = OrderedDict()
        self._written = -EVERY.total_seconds()

    def say(self, text: str) -> None:
        """Tell the person, or the system's own log."""
        note(f"{self.name}: {text}")

    def listening(self, now: datetime) -> None:
        """It listens now."""
        self.ever_listened = True
        self._turn("listening", "", now)

    def waiting(self, why: str) -> None:
        """It does not listen, and why."""
        self._turn("waiting", why, datetime.now(UTC))

    def _turn(self, state: str, why: str, now: datetime) -> None:
        if (state, why) == (self._state, self._why):
            return
        if state != self._state:
            self._since = now
        self._state, self._why = state, why
        self.say(f"{state}{f' ({why})' if why else ''}")

    def cannot_write(self, reason: str) -> None:
        """The disk takes nothing; nothing is acknowledged until it does."""
        if self._disk != reason:
            self._disk = reason
            self.say(f"cannot write ({reason}): nothing is acknowledged until there is room; "
                     "it is tried again")
        self._save(datetime.now(UTC))

    def can_write(self) -> None:
        """The disk takes what it is given."""
        if self._disk is not None:
            self.say("can write again")
        self._disk = None

    def heard(self, channel: str, when: datetime) -> None:
        """A message of a channel came."""
        self._last[channel] = when
        self._last.move_to_end(channel)
        if len(self._last) > MOST_CHANNELS:
            self._last.popitem(last=False)

    def wrote(self, rows: Sequence[Row], taken: int, now: datetime) -> None:
        """A batch is on the disk (or nothing came for a while)."""
        self.messages += sum("id" in row for row in rows)
        if time.monotonic() - self._written >= EVERY.total_seconds():
            self._save(now)

    def stopped(self, now: datetime) -> None:
        """It ends in good order."""
        self._state, self._why, self._since = "stopped", "", now
        self._save(now)

    def _save(self, now: datetime) -> None:
        self._written = time.monotonic()
        told = {
            "source": self.name, "state": self._state, "why": self._why, "since": iso(self._since),
            "alive": iso(now), "messages": self.messages, "repeats": self.repeats,
            "disk": self._disk, "last": {name: iso(when) for name, when in self._last.items()},
        }
        fresh = self.path.with_suffix(".new")
        try:
            fresh.write_text(json.dumps(told, ensure_ascii=False), encoding="utf-8")
            fresh.replace(self.path)
        except OSError:
            return  # a full disk is told of by the journal; the old file grows stale and says so

    def goes_round(self) -> bool:
        """Whether the writer has been round lately; one that waits for room on the disk has."""
        return time.monotonic() - self._written < STALE.total_seconds()


def read_status(folder: Path) -> dict[str, Any] | None:
    """What a source's recorder last said of itself; None if it never did, or cannot be read."""
    try:
        told = json.loads((folder / STATUS_NAME).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return told if isinstance(told, dict) else None


def last_alive(folder: Path) -> datetime | None:
    """When a recorder of this source last listened for certain; None if none ever did."""
    told = read_status(folder)
    if told is None:
        return None
    try:
        # One that was waiting had been deaf since then.
        at = told["alive"] if told.get("state") == "listening" else told["since"]
        return datetime.fromisoformat(at)
    except (KeyError, TypeError, ValueError):
        return None


def status_line(name: str, folder: Path, now: datetime) -> tuple[str, bool]:
    """One source's line of health, and whether it is well.

    Parameters
    ----------
    name : str
        The source's id.
    folder : Path
        Its folder below ``recorded/``.
    now : datetime
        In UTC.

    Returns
    -------
    line : str
    well : bool
        It listens, can write, and its recorder runs.
    """
    told = read_status(folder)
    if told is None:
        return f"{name}: never recorded", False
    try:
        age = now - datetime.fromisoformat(told["alive"])
        last = {str(k): datetime.fromisoformat(v) for k, v in told.get("last", {}).items()}
        state, disk = str(told["state"]), told.get("disk")
        parts = [f"{int(told['messages']):,} messages", f"{int(told['repeats']):,} repeats"]
        since = str(told["since"])[:19] + "Z"
    except (KeyError, TypeError, ValueError):
        return f"{name}: its {STATUS_NAME} cannot be read", False
    running = state != "stopped" and age < STALE
    if state != "stopped" and not running:
        state = f"not running (last seen {ago(age)} ago)"
    elif told.get("why"):
        state += f" ({told['why']})"
    if disk:
        parts.insert(0, f"CANNOT WRITE: {disk}")
    newest = sorted(last.items(), key=lambda item: item[1], reverse=True)
    parts.append("last " + ", ".join(f"{channel} {ago(now - when)} ago"
                                     for channel, when in newest) if newest else "none yet")
    return f"{name}: {state} since {since}; " + "; ".join(parts), (
        running and told["state"] == "listening" and not disk)


def ago(span: timedelta) -> str:
    """A span in the unit a person would say."""
    seconds = max(0, int(span.total_seconds()))
    for unit, size in (("d", 86_400), ("h", 3_600), ("min", 60)):
        if seconds >= 2 * size:
            return f"{seconds // size} {unit}"
    return f"{seconds} s"
