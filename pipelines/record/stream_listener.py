"""A listener with a thread of its own, which opens its source again whenever it is gone."""

from __future__ import annotations

import threading
from pathlib import Path

from remanence.pipelines.record.capture import Hearing
from remanence.pipelines.record.journal import Row
from remanence.shared.live_source import LiveSource

LOOK_S = 0.5
"""Between looks at whether it is time to stop, while nothing comes."""


class StreamListener:
    """Runs :meth:`listen` from :meth:`start` to :meth:`hold`; after a fault again, with waits."""

    cannot = "{address} cannot be read"
    """What people are told before the reason; the other half of a sentence."""

    def __init__(self, source: LiveSource, venue_folder: Path, hearing: Hearing) -> None:
        self.source = source
        self.folder = venue_folder
        self.hearing = hearing
        self._wait_s = 0.0
        self._thread = threading.Thread(target=self._run, name=f"{source.kind}-{source.id}")

    def start(self) -> None:
        """Begin to listen."""
        self._thread.start()

    def hold(self) -> None:
        """Take no more."""
        self._thread.join()

    def stop(self) -> None:
        """Nothing is left to let go of."""

    def written(self, rows: list[Row]) -> None:
        """Nothing to do: a port and UDP repeat nothing."""

    def listen(self) -> None:
        """Open the source, say so by :meth:`listening`, and hand over what comes until the stop.

        Raises
        ------
        OSError, ValueError
            It cannot be opened, or not be read any more.
        """
        raise NotImplementedError

    def listening(self, *, held: bool = False) -> None:
        """The source is open: the next fault is waited for from the start."""
        self.hearing.listening(held=held)
        self._wait_s = 0.0

    def _run(self) -> None:
        while not self.hearing.stopping.is_set():
            try:
                self.listen()
            except (OSError, ValueError) as error:
                reason = getattr(error, "strerror", None) or str(error).split(":")[-1].strip()
                self.hearing.deaf(f"{self.cannot.format(address=self.source.address)}: {reason}")
            if not self.hearing.stopping.is_set():
                self._wait_s = self.hearing.wait(self._wait_s or 1.0)
