"""Which message is one that came before: a broker repeats what it has no acknowledgement of.

A record that carries its own time is told by topic and payload alone: by the store's own rule the
same time, channel, quantity and value are the same record, whoever sends it again and when. This
holds through everything: a broker that lost its session, a publisher that repeats.

A payload without a time ("1" on ``north/q1``) may rightly come a hundred times. It is the same
message only where the broker says that it repeats (the DUP flag) and the packet id is the one under
which that topic and payload last came (MQTT 5, 4.4 and 3.3.1.1: a repeat keeps its packet id; an id
is free for another message once it was acknowledged). Packet ids are used again, so only messages
that may still have been unacknowledged are looked at. A counter that starts again with the
controller is no time of its own: it comes round to the same figures after every start.
"""

from __future__ import annotations

import hashlib
from collections import OrderedDict

IN_FLIGHT_MOST = 10_000
"""A repeat is among the last so many messages: brokers allow 20 to 1,000 unacknowledged ones, and
packet ids that count up come round after 65,535."""

OWN_TIMES_KEPT = 100_000
"""So many messages with their own time are remembered (about 12 MB). One that is repeated later
still is one record in the store."""


class Identities:
    """What came lately, by its identity."""

    def __init__(self) -> None:
        self._own: OrderedDict[str, None] = OrderedDict()
        self._packets: dict[int, tuple[str, int]] = {}
        self._count = 0

    def remember(self, content: str, own: bool, packet: int | None) -> None:
        """Take up a message that is kept or about to be.

        Parameters
        ----------
        content : str
            :func:`content_of` its topic and payload.
        own : bool
            Whether it carries its own time.
        packet : int or None
            Its packet id; None or 0 without.
        """
        self._count += 1
        if own:
            self._own[content] = None
            self._own.move_to_end(content)
            if len(self._own) > OWN_TIMES_KEPT:
                self._own.popitem(last=False)
        if packet:
            self._packets[packet] = (content, self._count)

    def is_repeat(self, content: str, own: bool, packet: int | None, duplicate: bool) -> bool:
        """Whether a message is one that came before.

        Parameters
        ----------
        content : str
            :func:`content_of` its topic and payload.
        own : bool
            Whether it carries its own time.
        packet : int or None
            Its packet id.
        duplicate : bool
            Whether the broker says that it repeats.
        """
        if own:
            return content in self._own
        if not duplicate or not packet or packet not in self._packets:
            return False
        before, when = self._packets[packet]
        return before == content and self._count - when < IN_FLIGHT_MOST


def content_of(place: str, payload: bytes) -> str:
    """A short name of a topic (or file, port) and payload: 96 bits of SHA-256, as hex."""
    return hashlib.sha256(place.encode() + b"\0" + payload).hexdigest()[:24]


def identity_of(content: str, own: bool, received: str, count: int) -> str:
    """The identity a message is written with: its content, or its content and its arrival."""
    if own:
        return content
    return hashlib.sha256(f"{content} {received} {count}".encode()).hexdigest()[:24]
