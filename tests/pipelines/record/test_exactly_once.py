"""Published = stored: a real broker and a real publisher, and kills at random instants.

REMANENCE_KILL_ROUNDS sets how many rounds are run (default 4).
"""

from __future__ import annotations

import os
import random
import signal
import threading
import time
from collections import Counter

import pytest

from tests.pipelines.record.processes import Broker, Publisher, Recorder, until
from tests.pipelines.record.publisher import message

ROUNDS = int(os.environ.get("REMANENCE_KILL_ROUNDS", "4"))
RATES = (250, 2000)
COUNTS = {250: 500, 2000: 3000}


def source(port: int, protocol: str = "5") -> str:
    return (f'[[source]]\nkind = "mqtt"\naddress = "127.0.0.1:{port}"\n'
            f'topics = ["north/#", "rail-a"]\nprotocol = "{protocol}"\n')


@pytest.mark.parametrize("number", range(ROUNDS))
def test_what_is_published_is_stored_once_whoever_is_killed(number, tmp_path):
    """Rounds take turns: rate, protocol, and who is killed.

    The recorder is killed at random instants in every round. In two of four the broker is stopped
    (it saves its sessions) or killed (it may lose what it acknowledged last, which the publisher
    then repeats) too; there every message carries its own time, since a publisher that lost an
    acknowledgement publishes anew. In the others payloads are bare, and many are equal.
    """
    rng = random.Random(number)
    rate = RATES[(number + number // 4) % 2]
    broker_end = (None, signal.SIGTERM, None, signal.SIGKILL)[number % 4]
    kind = "timed" if broker_end else ("plain", "same")[number // 2 % 2]
    broker = Broker(tmp_path / "broker")
    protocol = ("5", "3.1.1")[(number // 2 + number // 8) % 2]
    recorder = Recorder(tmp_path / "venue", source(broker.port, protocol))
    try:
        recorder.start().listens()
        # The session is on the broker's disk: one that never was cannot outlast a kill.
        broker.save()
        publisher = Publisher(broker, kind, 0, COUNTS[rate], rate,
                              repeat_s=5.0 if broker_end == signal.SIGKILL else 0.0)
        kills = 2
        duration = COUNTS[rate] / rate
        for kill in range(kills):
            time.sleep(rng.uniform(0.1, duration))
            if broker_end and kill == 0:
                stopped = threading.Timer(rng.uniform(0, 0.4), lambda: broker.end(broker_end))
                stopped.start()
                recorder.kill()
                stopped.join()
                broker.start()
            else:
                recorder.kill()
            recorder.start()
        assert publisher.wait() == COUNTS[rate]
        wanted = Counter(message(kind, n)[1] for n in range(COUNTS[rate]))
        total = COUNTS[rate]
        recorder.listens()
        until(lambda: recorder.count() >= total, 60)
        time.sleep(0.3)  # what comes twice would come now
        assert recorder.stop() == 0
        stored = Counter(recorder.payloads())
        assert stored - wanted == Counter(), "stored twice"
        assert wanted - stored == Counter(), "lost"
    finally:
        recorder.process.kill()
        broker.end(signal.SIGKILL)
