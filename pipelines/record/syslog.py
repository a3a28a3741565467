"""Syslog over UDP (RFC 5424 and RFC 3164 by RFC 5426), on loopback unless told otherwise."""

from __future__ import annotations

import re
import socket
from datetime import UTC, datetime

from remanence.pipelines.record.inbox import Arrival
from remanence.pipelines.record.stream_listener import LOOK_S, StreamListener

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


class SyslogListener(StreamListener):
    """Takes datagrams on one address."""

    cannot = "cannot listen on {address}"

    def listen(self) -> None:
        """Messages, until it is time to stop or the address is gone."""
        host, port = self.source.host_port
        family, kind, protocol, _, place = socket.getaddrinfo(
            host, port, type=socket.SOCK_DGRAM, flags=socket.AI_PASSIVE)[0]
        with socket.socket(family, kind, protocol) as receiver:
            receiver.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, BUFFER_BYTES)
            receiver.bind(place)
            receiver.settimeout(LOOK_S)
            self.listening()
            self._read(receiver)

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
