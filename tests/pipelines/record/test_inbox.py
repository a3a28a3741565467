"""The inbox: bounded, and honest about what found no room."""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta

from remanence.pipelines.record.capture import back_off
from remanence.pipelines.record.inbox import (
    BATCH_MESSAGES,
    MOST_BYTES,
    MOST_MESSAGES,
    Arrival,
    Inbox,
)

START = datetime(2026, 11, 2, 18, 0, tzinfo=UTC)


def arrival(number: int, payload: bytes = b"1") -> Arrival:
    return Arrival(START + timedelta(milliseconds=number), "north/q1", payload)


def test_who_can_wait_waits_for_room():
    inbox = Inbox()
    for number in range(MOST_MESSAGES):
        assert inbox.put(arrival(number))
    done = threading.Event()
    thread = threading.Thread(target=lambda: inbox.put(arrival(9)) and done.set())
    thread.start()
    assert not done.wait(0.1)
    assert len(inbox.take(1)) == BATCH_MESSAGES
    assert done.wait(5)
    thread.join()


def test_large_payloads_fill_it_too():
    inbox = Inbox()
    inbox.put(arrival(0, b"x" * MOST_BYTES))
    assert not inbox.offer(arrival(1))


def test_what_found_no_room_is_a_gap():
    inbox = Inbox()
    for number in range(MOST_MESSAGES):
        assert inbox.offer(arrival(number))
    for number in range(6000, 6003):
        assert not inbox.offer(arrival(number))
    while len(inbox.take(0.01)) == BATCH_MESSAGES:
        pass
    assert inbox.offer(arrival(7000))
    gap, after = inbox.take(1)
    assert gap.facts["gap"]["from"] == "2026-11-02T18:00:06.000000Z"
    assert gap.facts["gap"]["to"] == "2026-11-02T18:00:07.000000Z"
    assert gap.facts["gap"]["held"] is False
    assert after.payload == b"1"


def test_closing_lets_go_of_who_waits_and_keeps_what_waits():
    inbox = Inbox()
    for number in range(MOST_MESSAGES):
        inbox.put(arrival(number))
    came: list[bool] = []
    thread = threading.Thread(target=lambda: came.append(inbox.put(arrival(9))))
    thread.start()
    inbox.close()
    thread.join(5)
    assert came == [False]
    taken = 0
    while not inbox.done:
        taken += len(inbox.take(0.01))
    assert taken == MOST_MESSAGES


def test_back_off_runs_from_1_to_30_seconds():
    waits = [0.0]
    for _ in range(7):
        waits.append(back_off(waits[-1]))
    assert waits[1:] == [1, 2, 4, 8, 16, 30, 30]
