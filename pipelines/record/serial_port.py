"""A controller's lines from a serial port, by pyserial: each stamped on its arrival."""

from __future__ import annotations

import threading
from datetime import UTC, datetime
from pathlib import Path

import serial

from remanence.pipelines.record.capture import Hearing
from remanence.pipelines.record.inbox import Arrival
from remanence.pipelines.record.journal import Row
from remanence.shared.live_source import LiveSource

LOOK_S = 0.5
"""Between looks at whether it is time to stop, while the port is silent."""

LONGEST_LINE = 1 << 16
"""Bytes without a line end that are noise: a wrong baud rate, most often."""


class SerialListener:
    """Reads one port, and opens it again whenever it is gone."""

    def __init__(self, source: LiveSource, venue_folder: Path, hearing: Hearing) -> None:
        self.source = source
        self.hearing = hearing
        self._thread = threading.Thread(target=self._run, name=f"serial-{source.id}")

    def start(self) -> None:
        """Begin to read."""
        self._thread.start()

    def hold(self) -> None:
        """Read no more."""
        self._thread.join()

    def stop(self) -> None:
        """Nothing is left to let go of."""

    def written(self, rows: list[Row]) -> None:
        """Nothing to do: a port repeats nothing."""

    def _run(self) -> None:
        wait_s = 0.0
        while not self.hearing.stopping.is_set():
            try:
                with serial.Serial(self.source.address, self.source.baud, timeout=LOOK_S) as port:
                    self.hearing.listening()
                    wait_s = 0.0
                    self._read(port)
            except (OSError, serial.SerialException, ValueError) as error:
                reason = getattr(error, "strerror", None) or str(error).split(":")[-1].strip()
                self.hearing.deaf(f"{self.source.address} cannot be read: {reason}")
            if not self.hearing.stopping.is_set():
                wait_s = self.hearing.wait(wait_s or 1.0)

    def _read(self, port: serial.Serial) -> None:
        """Lines, until it is time to stop or the port is gone. The first may lack its start."""
        rest, whole = b"", False
        while not self.hearing.stopping.is_set():
            data = port.read(1)
            if not data:
                continue
            data += port.read(port.in_waiting)
            arrived = datetime.now(UTC)
            *lines, rest = (rest + data).split(b"\n")
            for line in lines:
                if whole and line.strip():
                    self.hearing.inbox.offer(Arrival(arrived, payload=line.rstrip(b"\r")))
                whole = True
            if len(rest) > LONGEST_LINE:
                rest, whole = b"", False
                self.hearing.status.say(
                    f"{LONGEST_LINE:,} bytes without a line end; is baud = {self.source.baud} "
                    "what the controller uses?")
