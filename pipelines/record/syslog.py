"""Syslog over UDP (RFC 5424 and RFC 3164 by RFC 5426), on loopback unless told otherwise."""

from __future__ import annotations

import re
import socket
import threading
from datetime import UTC, datetime
from pathlib import Path

from remanence.pipelines.record.capture import Hearing
from remanence.pipelines.record.inbox import Arrival
from remanence.pipelines.record.journal import Row
from remanence.shared.live_source import LiveSource

LOOK_S = 0.5
LARGEST = 65_535
"""Bytes of a UDP datagram."""

BUFFER_BYTES = 4 << 20
"""Asked of the system, for bursts: about 10,000 messages."""

_HEADER = re.compile(
    rb"<\d{1,3}>(?:"
    rb"1 \S+ \S+ \S+ \S+ \S+ (?:-|(?:\[(?:[^\]\\]|\\.)*\])+) ?(?:\xef\xbb\xbf)?"  # RFC 5424, 6
    rb"|[A-Z][a-z]{2} [ \d]\d \d\d:\d\d:\d\d \S+ (?:[^\s:\[]+(?:\[\d+\])?: ?)?"  # RFC 3164, 4.1
    rb"|)", re.DOTALL)


def split_header(datagram: bytes) -> tuple[bytes, bytes]:
    """The header of a syslog message, and what it says; no header where it has none."""
    found = _HEADER.match(datagram)
    cut = found.end() if found else 0
    return datagram[:cut], datagram[cut:].rstrip(b"\r\n\0")


class SyslogListener:
    """Takes datagrams on one address."""

    def __init__(self, source: LiveSource, venue_folder: Path, hearing: Hearing) -> None:
        self.source = source
        self.hearing = hearing
        self._thread = threading.Thread(target=self._run, name=f"syslog-{source.id}")

    def start(self) -> None:
        """Begin to listen."""
        self._thread.start()

    def hold(self) -> None:
        """Take no more."""
        self._thread.join()

    def stop(self) -> None:
        """Nothing is left to let go of."""

    def written(self, rows: list[Row]) -> None:
        """Nothing to do: UDP repeats nothing."""

    def _run(self) -> None:
        wait_s = 0.0
        host, port = self.source.host_port
        while not self.hearing.stopping.is_set():
            try:
                family, kind, protocol, _, place = socket.getaddrinfo(
                    host, port, type=socket.SOCK_DGRAM, flags=socket.AI_PASSIVE)[0]
                with socket.socket(family, kind, protocol) as receiver:
                    receiver.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, BUFFER_BYTES)
                    receiver.bind(place)
                    receiver.settimeout(LOOK_S)
                    self.hearing.listening()
                    self._read(receiver)
            except OSError as error:
                self.hearing.deaf(f"cannot listen on {self.source.address}: "
                                  f"{error.strerror or error}")
                wait_s = self.hearing.wait(wait_s or 1.0)

    def _read(self, receiver: socket.socket) -> None:
        while not self.hearing.stopping.is_set():
            try:
                datagram, sender = receiver.recvfrom(LARGEST)
            except TimeoutError:
                continue
            header, payload = split_header(datagram)
            if payload:
                facts = {"from": str(sender[0])}
                if header:
                    facts["header"] = header.decode("utf-8", "backslashreplace").strip()
                self.hearing.inbox.offer(Arrival(datetime.now(UTC), payload=payload, facts=facts))
