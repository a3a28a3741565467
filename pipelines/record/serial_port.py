"""A controller's lines from a serial port, by pyserial: each stamped on its arrival."""

from __future__ import annotations

from datetime import UTC, datetime

import serial

from remanence.pipelines.record.inbox import Arrival
from remanence.pipelines.record.stream_listener import LOOK_S, StreamListener

LONGEST_LINE = 1 << 16
"""Bytes without a line end that are noise: a wrong baud rate, most often."""


class SerialListener(StreamListener):
    """Reads one port."""

    def listen(self) -> None:
        """Lines, until it is time to stop or the port is gone."""
        with serial.Serial(self.source.address, self.source.baud, timeout=LOOK_S) as port:
            self.listening()
            self._read(port)

    def _read(self, port: serial.Serial) -> None:
        """The first line may lack its start."""
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
