"""One source being recorded: its listener, its inbox, its writer that syncs and acknowledges."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol

from remanence.pipelines.readers.json_values import payload_object, value_at
from remanence.pipelines.record.identity import Identities, content_of, identity_of
from remanence.pipelines.record.inbox import Arrival, Inbox, gap_note, iso
from remanence.pipelines.record.journal import Journal, JournalError, Row
from remanence.pipelines.record.status import SourceStatus, last_alive
from remanence.shared.live_source import LiveSource

FIRST_WAIT_S, LONGEST_WAIT_S = 1.0, 30.0
"""Whatever fails is tried again after 1 s, then after twice as long each time, up to 30 s."""

DRAIN_S = 10.0
"""On the way out, a disk that cannot be written is waited for so long; then what is not written
is left to the broker, unacknowledged."""

IDLE_S = 1.0
"""The writer looks at the clock at least so often while nothing comes."""


def back_off(wait_s: float) -> float:
    """The next wait after one of ``wait_s`` seconds."""
    return min(LONGEST_WAIT_S, max(FIRST_WAIT_S, 2 * wait_s))


class Listener(Protocol):
    """Brings what arrives into an inbox, from a thread of its own."""

    def start(self) -> None:
        """Begin to listen; returns at once."""
        ...

    def hold(self) -> None:
        """Take nothing more in, and keep the connection for what is still to be acknowledged."""
        ...

    def stop(self) -> None:
        """Let go of the connection; returns when nothing runs any more."""
        ...

    def written(self, rows: list[Row]) -> None:
        """Told of rows that are on the disk, in their order."""
        ...


class Hearing:
    """What a listener is given: where to put what arrives, and whom to tell how it stands."""

    def __init__(self, inbox: Inbox, status: SourceStatus, since: datetime | None) -> None:
        self.inbox = inbox
        self.status = status
        self.stopping = threading.Event()
        self._deaf_since = since
        self._why = "the recorder was not running"

    def listening(self, *, held: bool = False) -> float:
        """It listens now; notes the gap before. Returns how long that was, in seconds."""
        now = datetime.now(UTC)
        since, self._deaf_since = self._deaf_since, None
        self.status.listening(now)
        if since is None:
            return 0.0
        self.inbox.put(gap_note(since, max(now, since), self._why, held=held))
        return max(0.0, (now - since).total_seconds())

    def deaf(self, why: str) -> None:
        """It does not listen, or not any more; ``why`` is for people."""
        if self._deaf_since is None and self.status.ever_listened:
            self._deaf_since, self._why = datetime.now(UTC), why
        self.status.waiting(why)

    def wait(self, wait_s: float) -> float:
        """Wait before the next try, unless it is time to stop; returns the wait after that."""
        self.stopping.wait(wait_s)
        return back_off(wait_s)


class Capture:
    """Records one source from :meth:`start` to :meth:`stop`."""

    def __init__(
        self, source: LiveSource, venue_folder: Path,
        listen: Callable[[LiveSource, Path, Hearing], Listener],
    ) -> None:
        """Open the journal, and take up what the last recorder left.

        Raises
        ------
        OSError
            The journal cannot be written.
        """
        self.source = source
        folder = source.folder(venue_folder)
        since = last_alive(folder)
        self.journal = Journal(folder)
        self.status = SourceStatus(folder, source.id)
        self.inbox = Inbox()
        self._identities = Identities()
        self._time = source.log.columns_of("time")[0]
        self._own_times = not source.log.counts
        newest = self._take_up()
        if newest is not None and (since is None or newest > since):
            since = newest
        self.hearing = Hearing(self.inbox, self.status, since)
        self.listener = listen(source, venue_folder, self.hearing)
        self._writer = threading.Thread(target=self._write, name=f"write-{source.id}")
        self.given_up = False

    def _take_up(self) -> datetime | None:
        """Remember the messages of the journal's end; returns when the last row was received."""
        newest: datetime | None = None
        for row in self.journal.tail():
            newest = datetime.fromisoformat(row["received"])
            payload = row.get("payload")
            if "id" in row and isinstance(payload, str):
                content = content_of(str(row.get("topic", "")), payload.encode())
                self._identities.remember(content, row["id"] == content, row.get("packet"))
        return newest

    def start(self) -> None:
        """Begin."""
        self._writer.start()
        self.listener.start()

    @property
    def runs(self) -> bool:
        """Whether its writer is at work."""
        return self._writer.is_alive()

    def stop(self) -> None:
        """Take nothing more in, write and acknowledge what waits, and let go."""
        self.hearing.stopping.set()
        self.listener.hold()
        self.inbox.close()
        self._writer.join()
        self.listener.stop()
        self.journal.close()
        self.status.stopped(datetime.now(UTC))

    # The writer.

    def _write(self) -> None:
        count = 0
        while not self.inbox.done:
            batch = self.inbox.take(IDLE_S)
            rows: list[Row] = []
            for arrival in batch:
                count += 1
                row = self._row(arrival, count)
                if row is not None:
                    rows.append(row)
            if not self._append(rows):
                self.given_up = True
                return
            for arrival in batch:
                if arrival.kept is not None:
                    arrival.kept()
            self.listener.written(rows)
            self.status.wrote(rows, len(batch), datetime.now(UTC))

    def _append(self, rows: list[Row]) -> bool:
        """Bring rows onto the disk, however long that takes; False if it is given up."""
        wait_s = 0.0
        stop_waits = 0.0
        while rows:
            try:
                self.journal.append(rows)
                break
            except JournalError as error:
                rows = rows[error.kept:]
                self.status.cannot_write(str(error))
                wait_s = back_off(wait_s)
                if self.hearing.stopping.is_set():
                    wait_s = FIRST_WAIT_S
                    stop_waits += wait_s
                    if stop_waits > DRAIN_S:
                        return False
                    threading.Event().wait(wait_s)
                else:
                    self.hearing.stopping.wait(wait_s)
        self.status.can_write()
        return True

    def _row(self, arrival: Arrival, count: int) -> Row | None:
        """A message as the journal keeps it; None for one that it has already."""
        received = iso(arrival.received)
        if arrival.payload is None:
            return {"received": received, **arrival.facts}
        row: Row = {"received": received}
        if arrival.place:
            row["topic"] = arrival.place
        try:
            text: str | None = arrival.payload.decode()
        except UnicodeDecodeError:
            text = None
        said = payload_object(text) if text is not None else None
        own = (self._own_times and said is not None
               and value_at(said, self._time) is not None)
        content = content_of(arrival.place, arrival.payload)
        if arrival.identity is not None:
            row["id"] = arrival.identity
        else:
            if self._identities.is_repeat(content, own, arrival.packet, arrival.duplicate):
                self.status.repeats += 1
                return None
            self._identities.remember(content, own, arrival.packet)
            row["id"] = identity_of(content, own, received, count)
        if arrival.packet:
            row["packet"] = arrival.packet
        row |= arrival.facts
        if self._own_times and not own and self.source.log.pattern is None:
            row["time_from"] = "receipt"
        if text is None:
            row["payload_base64"] = _base64(arrival.payload)
        else:
            row["payload"] = text
        channel = value_at(said, self.source.log.columns_of("channel")[0]) if said else None
        self.status.heard(str(channel or arrival.place or self.source.id)[:80], arrival.received)
        return row


def _base64(payload: bytes) -> str:
    from base64 import b64encode

    return b64encode(payload).decode()
