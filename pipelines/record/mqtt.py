"""A broker's messages, by paho-mqtt: MQTT 5 or 3.1.1, acknowledged once they are on the disk.

The session is persistent under a fixed client id, so the broker holds at QoS 1 what comes while
nobody listens. An acknowledgement goes out only on the connection on which its message came: on
another one the same packet id may stand for another message.
"""

from __future__ import annotations

import os
import ssl
import threading
import time
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from remanence.pipelines.record.capture import FIRST_WAIT_S, LONGEST_WAIT_S, Hearing
from remanence.pipelines.record.inbox import Arrival
from remanence.pipelines.record.journal import Row
from remanence.shared.errors import RemanenceError
from remanence.shared.live_source import LiveSource

SESSION_DAYS = 30
"""The broker is asked to hold the session so long (MQTT 5): a venue's longest holiday."""

KEEP_ALIVE_S = 30
"""A dead connection is noticed after one and a half times this (MQTT 5, 3.1.2.10)."""

IN_FLIGHT = 1_000
"""So many unacknowledged messages are taken at once (MQTT 5): two batches at 2,000 a second and a
slow disk; far fewer than packet ids."""

LARGEST_BYTES = 1 << 19
"""A larger payload is no record of a lock; the broker is asked not to send it (MQTT 5)."""

PAUSE_S = 0.25
"""The first pause so long after a connection shows that what the broker had held is through."""


class MqttListener:
    """Subscribes to the topics of one source."""

    def __init__(self, source: LiveSource, venue_folder: Path, hearing: Hearing, *,
                 venue_id: str) -> None:
        """Set the client up; it connects when started.

        Raises
        ------
        RemanenceError
            The password or a certificate cannot be read.
        """
        self.source = source
        self.hearing = hearing
        self.is_5 = source.protocol == "5"
        self._held_back = False
        self._turn = threading.Lock()
        self._connection = 0
        self._late_until = 0.0
        self._last_came = 0.0
        self._subscribing = 0
        self._session_was_there = False
        self.client = Client(
            CallbackAPIVersion.VERSION2, client_id=f"remanence-{venue_id}-{source.id}",
            clean_session=None if self.is_5 else False, manual_ack=True,
            protocol=MQTTProtocolVersion.MQTTv5 if self.is_5 else MQTTProtocolVersion.MQTTv311)
        self.client.reconnect_delay_set(int(FIRST_WAIT_S), int(LONGEST_WAIT_S))
        if source.username is not None:
            self.client.username_pw_set(source.username, password(source, venue_folder))
        if source.tls:
            self._encrypt(venue_folder)
        self.client.on_connect = self._on_connect
        self.client.on_connect_fail = self._on_connect_fail
        self.client.on_disconnect = self._on_disconnect
        self.client.on_subscribe = self._on_subscribe
        self.client.on_message = self._on_message

    def _encrypt(self, venue_folder: Path) -> None:
        files = [str(venue_folder / name) if name else None for name in (
            self.source.ca_file, self.source.certificate_file, self.source.key_file)]
        for name in filter(None, files):
            if not Path(name).is_file():
                raise RemanenceError(f'source "{self.source.id}": {name} does not exist')
        try:
            self.client.tls_set(ca_certs=files[0], certfile=files[1], keyfile=files[2])
        except (OSError, ssl.SSLError) as error:
            raise RemanenceError(
                f'source "{self.source.id}": its certificates cannot be used ({error})') from None

    def start(self) -> None:
        """Connect, and again after every loss, with back-off."""
        host, port = self.source.host_port
        options: dict[str, Any] = {}
        if self.is_5:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = SESSION_DAYS * 86_400
            properties.ReceiveMaximum = IN_FLIGHT
            properties.MaximumPacketSize = LARGEST_BYTES
            options = {"clean_start": False, "properties": properties}
        self.client.connect_async(host, port, KEEP_ALIVE_S, **options)
        self.client.loop_start()

    def hold(self) -> None:
        """Pass over what still comes: unacknowledged, it comes again at the next start."""
        self._held_back = True

    def stop(self) -> None:
        """Send the last acknowledgements and leave; the session stays at the broker."""
        self.client.disconnect()
        self.client.loop_stop()

    def written(self, rows: list[Row]) -> None:
        """Nothing to do: each message is acknowledged by itself."""

    # Called by paho's thread.

    def _on_connect(
        self, client: Client, _: object, flags: ConnectFlags, reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            advice = ('; set protocol = "3.1.1"'
                      if self.is_5 and "protocol" in str(reason).lower() else "")
            self.hearing.deaf(f"the broker refuses the connection: {reason}{advice}")
            return
        self._session_was_there = flags.session_present
        # 1: send what is retained only to a subscription that is new (MQTT 5, 3.8.3.1).
        topics: Any = [
            (topic, SubscribeOptions(qos=1, retainHandling=1) if self.is_5 else 1)
            for topic in self.source.topics]
        # What the session held may come before the broker answers the subscription.
        self._last_came = time.monotonic()
        self._late_until = self._last_came + LONGEST_WAIT_S if flags.session_present else 0.0
        client.subscribe(topics)

    def _on_subscribe(
        self, client: Client, _: object, mid: int, reasons: list[ReasonCode],
        properties: Properties | None,
    ) -> None:
        refused = [f"{topic} ({reason})" for topic, reason in zip(
            self.source.topics, reasons, strict=False) if reason.is_failure]
        if refused:
            self.hearing.deaf(f"the broker refuses the subscription to {', '.join(refused)}")
            return
        away_s = self.hearing.listening(held=self._session_was_there)
        if self._late_until:
            # What was held back comes faster than it first came.
            self._late_until = time.monotonic() + max(away_s, 4 * PAUSE_S)

    def _on_connect_fail(self, client: Client, _: object) -> None:
        host, port = self.source.host_port
        self.hearing.deaf(f"no broker answers at {host}:{port}")

    def _on_disconnect(
        self, client: Client, _: object, flags: DisconnectFlags, reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        with self._turn:
            self._connection += 1
        if not self.hearing.stopping.is_set():
            self.hearing.deaf(f"the connection to the broker was lost: {reason}")

    def _on_message(self, client: Client, _: object, message: MQTTMessage) -> None:
        if self._held_back:
            return
        try:
            topic = message.topic
        except UnicodeDecodeError:  # no broker should pass it on (MQTT 5, 1.5.4)
            topic = "?"
        facts: dict[str, Any] = {"qos": message.qos}
        for name, flag in (("retained", message.retain), ("duplicate", message.dup),
                           ("late", self._is_late(message))):
            if flag:
                facts[name] = True
        self.hearing.inbox.put(Arrival(
            datetime.now(UTC), topic, bytes(message.payload), facts,
            packet=message.mid if message.qos else None, duplicate=message.dup,
            kept=partial(self._acknowledge, self._connection, message.mid, message.qos)))

    def _is_late(self, message: MQTTMessage) -> bool:
        """Whether the broker may have held it back, so that its arrival says nothing of its time.

        A repeat was; and so may be all that follows a resumed session, until the stream first
        pauses or has gone on for as long as the gap was.
        """
        now = time.monotonic()
        if now - self._last_came > PAUSE_S:
            self._late_until = 0.0
        self._last_came = now
        return message.dup or now < self._late_until

    # Called by the writer's thread.

    def _acknowledge(self, connection: int, mid: int, qos: int) -> None:
        with self._turn:
            if connection == self._connection:
                self.client.ack(mid, qos)


def password(source: LiveSource, venue_folder: Path) -> str | None:
    """The broker's password, from its file or the environment; None where none is named.

    Raises
    ------
    RemanenceError
        It is named and cannot be had. The message never holds it.
    """
    where = f'source "{source.id}"'
    if source.password_variable is not None:
        found = os.environ.get(source.password_variable)
        if not found:
            raise RemanenceError(f"{where}: the environment variable {source.password_variable} "
                                 "is not set; put the broker's password in it")
        return found
    if source.password_file is None:
        return None
    path = venue_folder / source.password_file
    try:
        found = path.read_text(encoding="utf-8").strip("\r\n")
    except FileNotFoundError:
        raise RemanenceError(f"{where}: {path} does not exist; write the broker's password into "
                             "it, and nothing else") from None
    except (OSError, UnicodeDecodeError):
        raise RemanenceError(f"{where}: {path} cannot be read as text") from None
    if not found:
        raise RemanenceError(f"{where}: {path} is empty; write the broker's password into it")
    return found
