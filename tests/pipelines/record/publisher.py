"""Run from the tests: a controller's part, with a real client that publishes at QoS 1.

Publishes COUNT messages at RATE a second from number FIRST, waits until the broker has acknowledged
every one, prints how many, and ends. Kinds of payload: ``timed`` (JSON with its own time, all
different), ``plain`` (bare figures, all different), ``same`` (``1`` and ``0`` by turns).
With ``--repeat`` it publishes again, after a connection was lost, what it had published in the last
seconds: what a broker that was killed may have acknowledged and not saved.
"""

from __future__ import annotations

import argparse
import json
import threading
import time
from datetime import UTC, datetime, timedelta

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

START = datetime(2026, 11, 2, 18, 0, tzinfo=UTC)


def message(kind: str, number: int) -> tuple[str, str]:
    """Topic and payload of one message."""
    if kind == "timed":
        when = START + timedelta(milliseconds=number)
        return "rail-a", json.dumps({"time": when.isoformat(), "value": number})
    return "north/q1", str(number) if kind == "plain" else str(number % 2)


def main() -> None:
    words = argparse.ArgumentParser()
    words.add_argument("port", type=int)
    words.add_argument("kind")
    words.add_argument("first", type=int)
    words.add_argument("count", type=int)
    words.add_argument("rate", type=float)
    words.add_argument("--repeat", type=float, default=0.0)
    given = words.parse_args()
    client = Client(CallbackAPIVersion.VERSION2, client_id="publisher", clean_session=False,
                    protocol=MQTTProtocolVersion.MQTTv311)
    client.reconnect_delay_set(1, 1)
    client.max_queued_messages_set(0)
    client.max_inflight_messages_set(200)
    acknowledged = threading.Semaphore(0)
    lost_at: list[float] = []
    client.on_publish = lambda *_: acknowledged.release()
    client.on_disconnect = lambda *_: lost_at.append(time.monotonic())
    client.connect_async("127.0.0.1", given.port, 30)
    client.loop_start()
    sent: list[tuple[float, int]] = []
    published = 0

    def publish(number: int) -> None:
        nonlocal published
        topic, payload = message(given.kind, number)
        client.publish(topic, payload, qos=1)
        published += 1
        sent.append((time.monotonic(), number))

    def repeat() -> None:
        if lost_at and given.repeat and client.is_connected():
            since = lost_at[0] - given.repeat
            lost_at.clear()
            for number in [n for when, n in sent if when > since]:
                publish(number)

    begun = time.monotonic()
    for at in range(given.count):
        ahead = begun + at / given.rate - time.monotonic()
        if ahead > 0:
            time.sleep(ahead)
        publish(given.first + at)
        repeat()
    deadline = time.monotonic() + 60
    done = 0
    while done < published and time.monotonic() < deadline:
        done += acknowledged.acquire(timeout=0.2)
        repeat()
    client.disconnect()
    client.loop_stop()
    if done < published:
        raise SystemExit(f"{published - done} messages were never acknowledged")
    print(given.count)


if __name__ == "__main__":
    main()
