"""The second process: what it is given comes back, and nothing is lost with it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

import remanence.pipelines.derive.days
from remanence.pipelines.derive.beside import Beside, LostError
from remanence.pipelines.derive.days import look_at_rails
from remanence.pipelines.derive.derive import derive
from remanence.pipelines.store.store import Batch
from remanence.shared.errors import StoreError
from tests.analytics.pairing.random_logs import random_venue
from tests.pipelines.derive.test_derive import House, several_days

ROOT = Path(__file__).parents[3]


def doubling(offset):
    """What the second process does in these tests."""
    print("chatter of a library")
    return lambda number: number * 2 + offset


def by_name(_):
    """Tasks that do all kinds of things."""
    def work(task):
        if task == "die":
            os._exit(3)
        if task == "fail":
            raise ValueError("no such thing")
        if task == "who":
            return os.getpid()
        if task == "long":
            time.sleep(60)
        return np.zeros(int(task))
    return work


def test_tasks_come_back_in_their_order():
    beside = Beside(doubling, 1)
    for number in range(5):
        beside.send(number)
    assert beside.waiting == 5
    assert [beside.take() for _ in range(5)] == [1, 3, 5, 7, 9]
    assert beside.waiting == 0
    beside.close()


def test_large_messages_go_both_ways():
    beside = Beside(by_name, None)
    for _ in range(3):
        beside.send(3_000_000)
    assert [beside.take().size for _ in range(3)] == [3_000_000] * 3
    beside.close()


def test_a_task_that_fails_there_and_one_that_kills_it():
    beside = Beside(by_name, None)
    beside.send("fail")
    with pytest.raises(LostError):
        beside.take()
    beside.send("7")
    assert beside.take().size == 7
    beside.send("die")
    for _ in range(2):  # also whoever asks again
        with pytest.raises(LostError):
            beside.take()
    beside._process.wait()
    with pytest.raises(LostError):
        beside.send("7")
    beside.close()


def test_where_it_cannot_be_started(monkeypatch):
    monkeypatch.setattr(sys, "executable", "")
    with pytest.raises(LostError):
        Beside(doubling, 1)
    monkeypatch.setattr(sys, "executable", "/nowhere/python")
    with pytest.raises(LostError):
        Beside(doubling, 1)


def alive(process):
    """Whether a process of that number is there (and not merely waiting to be buried)."""
    try:
        return Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks into /proc")
@pytest.mark.parametrize("busy", [False, True])
def test_it_ends_with_the_first_process_however_that_ends(busy):
    code = ("from remanence.pipelines.derive.beside import Beside\n"
            "from tests.pipelines.derive.test_worker_process import by_name\n"
            "beside = Beside(by_name, None)\n"
            "beside.send('who'); print(beside.take(), flush=True)\n"
            + ("beside.send(2_000_000)\n" if busy else "")
            + "import time; time.sleep(60)\n")
    first = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, cwd=ROOT,
                             text=True)
    assert first.stdout is not None
    second = int(first.stdout.readline())
    assert alive(second)
    first.send_signal(signal.SIGKILL)
    first.wait()
    first.stdout.close()
    until = time.monotonic() + 20
    while alive(second) and time.monotonic() < until:
        time.sleep(0.05)
    assert not alive(second)


def test_it_does_not_outlive_what_it_was_for():
    beside = Beside(by_name, None)
    beside.send("who")
    second = beside.take()
    beside.send("long")
    began = time.monotonic()
    beside.close()
    assert time.monotonic() - began < 20
    assert not alive(second)


# Pairing with its help.


@pytest.fixture
def short_blocks(monkeypatch):
    monkeypatch.setattr("remanence.pipelines.derive.derive.BLOCK_DAYS", 1)


def test_pairing_in_two_processes_gives_the_same(tmp_path, short_blocks, monkeypatch):
    rng = np.random.default_rng(52)
    house = House(tmp_path, random_venue(rng))
    house.store.commit(Batch(several_days(rng, house.venue, nights=9)))
    here = []
    monkeypatch.setattr(remanence.pipelines.derive.days, "look_at_rails",
                        lambda *a: here.append(1) or look_at_rails(*a))
    summary = derive(house.venue, house.path, house.store, beside=True)
    assert summary.days == summary.of_days >= 9
    assert len(here) < summary.days, "the second process did its share"
    house.check()


@pytest.mark.parametrize("after", [0, 1, 4])
def test_pairing_goes_on_alone_when_the_second_process_is_lost(
        tmp_path, short_blocks, monkeypatch, after):
    rng = np.random.default_rng(53)
    house = House(tmp_path, random_venue(rng))
    signals = several_days(rng, house.venue, nights=9)
    real = Beside.take
    taken = []

    def dying(self):
        if len(taken) == after:
            self._process.kill()
            self._process.wait()
        taken.append(1)
        return real(self)

    monkeypatch.setattr(Beside, "take", dying)
    house.store.commit(Batch(signals))
    summary = derive(house.venue, house.path, house.store, beside=True)
    assert summary.days == summary.of_days
    house.check()


def test_an_error_over_there_is_met_here_with_its_own_words(tmp_path, short_blocks):
    """A damaged file of levels: the same words as without help."""
    rng = np.random.default_rng(54)
    house = House(tmp_path, random_venue(rng))
    house.store.commit(Batch(several_days(rng, house.venue, nights=9)))
    damaged = sorted(house.store.folder.glob("signals/*/levels-*.parquet"))[3]
    damaged.write_bytes(b"PAR1" + bytes(100))
    for beside in (False, True):
        with pytest.raises(StoreError, match="remanence verify VENUE"):
            derive(house.venue, house.path, house.store, beside=beside)
