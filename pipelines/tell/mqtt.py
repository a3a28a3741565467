"""By MQTT: the message as JSON, published to a topic at QoS 2, so that the broker has it once."""

from __future__ import annotations

import json
import ssl
import threading
from pathlib import Path
from typing import Any

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from remanence.pipelines.tell.message import Message
from remanence.pipelines.tell.sending import TIMEOUT_S, NotSentError, UnknownError, read_secret
from remanence.shared.tell_target import TellTarget


def publish(
    target: TellTarget, folder: Path, message: Message, calendar: bytes | None = None
) -> None:
    """Publish a message and wait until the broker has it.

    Raises
    ------
    NotSentError
        It surely was not handed over.
    UnknownError
        It was handed over, and the broker did not confirm it.
    RemanenceError
        The password cannot be read.
    """
    host, port = target.host_port
    client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv311)
    if target.username:
        client.username_pw_set(target.username, read_secret(
            folder, target.password_file, "password") if target.password_file else None)
    if target.tls:
        client.tls_set_context(ssl.create_default_context())
    answered = threading.Event()
    refused: list[str] = []

    def on_connect(_: Client, __: Any, ___: Any, reason: Any, ____: Any) -> None:
        if reason.is_failure:
            refused.append(str(reason))
        answered.set()

    client.on_connect = on_connect
    try:
        client.connect(host, port)
    except (OSError, ValueError) as error:
        raise NotSentError(f"no broker answers at {host}:{port} ({type(error).__name__})") from None
    client.loop_start()
    try:
        if not answered.wait(TIMEOUT_S):
            raise NotSentError(f"the broker at {host}:{port} does not answer")
        if refused:
            raise NotSentError(f"the broker refuses the connection: {refused[0]}", again=False)
        body = {"subject": message.subject, "text": message.text, **message.data}
        handed = client.publish(str(target.topic), json.dumps(body, ensure_ascii=False), qos=2)
        try:
            handed.wait_for_publish(TIMEOUT_S)
        except (RuntimeError, ValueError) as error:
            raise UnknownError(f"the broker was lost ({error})") from None
        if not handed.is_published():
            raise UnknownError("the broker does not confirm the message")
    finally:
        client.disconnect()
        client.loop_stop()
