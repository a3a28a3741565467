"""What has arrived and is not on the disk yet: bounded, so that a slow disk slows the sender."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

MOST_MESSAGES = 5_000
MOST_BYTES = 32 << 20
"""Beyond either, whoever brings a message waits (a broker, a file) or is turned away (a port)."""

BATCH_MESSAGES = 2_000
"""So many messages are synced at once at most."""

_TOO_SLOW = "what arrived could not be written fast enough"
_OVERHEAD = 500
"""Bytes that a message takes beside its payload, about."""


def iso(moment: datetime) -> str:
    """A time as the journal writes it: UTC to the microsecond, ending in Z."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


@dataclass(slots=True)
class Arrival:
    """One message, line or note.

    ``place`` is where it came from (a topic, a file's name), ``facts`` what else the journal
    keeps of it. ``kept`` is called once it is on the disk. A note has facts and no payload.
    ``identity``: an identity that its place in the world gives it (a file's offset).
    """

    received: datetime
    place: str = ""
    payload: bytes | None = None
    facts: dict[str, Any] = field(default_factory=dict)
    packet: int | None = None
    duplicate: bool = False
    identity: str | None = None
    kept: Callable[[], None] | None = None


class Inbox:
    """A queue between one listener and one writer."""

    def __init__(self) -> None:
        self._waiting: deque[Arrival] = deque()
        self._bytes = 0
        self._closed = False
        self._change = threading.Condition()
        self._lost_since: datetime | None = None

    def _full(self) -> bool:
        return len(self._waiting) >= MOST_MESSAGES or self._bytes >= MOST_BYTES

    def _add(self, arrival: Arrival) -> None:
        self._waiting.append(arrival)
        self._bytes += len(arrival.payload or b"") + _OVERHEAD
        self._change.notify_all()

    def put(self, arrival: Arrival) -> bool:
        """Hand over a message, waiting for room; False where the inbox was closed meanwhile."""
        with self._change:
            while self._full() and not self._closed:
                self._change.wait()
            if self._closed:
                return False
            self._add(arrival)
            return True

    def offer(self, arrival: Arrival) -> bool:
        """Hand over a message that nobody can hold back; without room it is lost.

        From when to when that was so is noted as a gap as soon as there is room.
        """
        with self._change:
            if self._closed:
                return False
            if self._full():
                self._lost_since = self._lost_since or arrival.received
                return False
            if self._lost_since is not None:
                self._add(gap_note(self._lost_since, arrival.received, _TOO_SLOW, held=False))
                self._lost_since = None
            self._add(arrival)
            return True

    def take(self, timeout_s: float) -> list[Arrival]:
        """All that waits, up to :data:`BATCH_MESSAGES`; empty if nothing comes in time."""
        with self._change:
            if not self._waiting and not self._closed:
                self._change.wait(timeout_s)
            batch = [self._waiting.popleft()
                     for _ in range(min(BATCH_MESSAGES, len(self._waiting)))]
            self._bytes -= sum(len(a.payload or b"") + _OVERHEAD for a in batch)
            self._change.notify_all()
            return batch

    def close(self) -> None:
        """Take nothing more in; what waits can still be taken out."""
        with self._change:
            if self._lost_since is not None:
                self._add(gap_note(self._lost_since, datetime.now(UTC), _TOO_SLOW, held=False))
                self._lost_since = None
            self._closed = True
            self._change.notify_all()

    @property
    def done(self) -> bool:
        """Whether it is closed and empty."""
        with self._change:
            return self._closed and not self._waiting


def gap_note(start: datetime, end: datetime, why: str, *, held: bool) -> Arrival:
    """The line that says from when to when nobody was listening.

    Parameters
    ----------
    start, end : datetime
        From when to when, in UTC.
    why : str
        The reason, for people.
    held : bool
        Whether the other side says that it kept what came meanwhile (a broker's session, a file).
    """
    return Arrival(end, facts={"gap": {"from": iso(start), "to": iso(end), "why": why,
                                       "held": held}})
