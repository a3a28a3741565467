"""Every record once: killed at any instant, two writers at the same time, a full disk."""

from __future__ import annotations

import gzip
import json
import os
import random
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from remanence.shared.errors import StoreError
from tests.pipelines.ingest.house import HEADER, VENUE, House
from tests.pipelines.ingest.log_examples import ROOT

KILLS = int(os.environ.get("REMANENCE_KILLS", "100"))


def logs(folder: Path, seed: int):
    """Files that overlap, repeat themselves and hold bad lines; returns what must come out."""
    rng = random.Random(seed)
    start = datetime(2026, 11, 1, 22, tzinfo=UTC)
    rows = []
    for i in range(2400):
        at = start + timedelta(milliseconds=i * 4200 + rng.randrange(0, 900))
        stamp = at.isoformat(timespec="milliseconds").replace("+00:00", "Z")
        if i % 5:
            rows.append((at, f"{stamp},rail-a,volts,{12 + rng.randrange(-50, 50) / 100:.2f}"))
        else:
            rows.append((at, f"{stamp},north/{rng.choice(['q1,command', 'i1,contact'])},{i % 2}"))
    expected, rejects = set(), []
    for name, first, last in (("a.csv", 0, 1000), ("b.csv.gz", 800, 1800), ("c.csv", 1700, 2400),
                              ("d.csv", 400, 480)):
        text = HEADER
        for number, (at, line) in enumerate(rows[first:last]):
            text += line + "\n"
            _, channel, quantity, value = line.split(",")
            ticks = (at.replace(microsecond=at.microsecond // 1000 * 1000)
                     - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)
            expected.add((channel, quantity, float(value), ticks))
            if number % 400 == 7:
                text += f"rubbish {number}\n" + line + "\n"
                rejects.append([f"logs/{name}", text.count("\n") - 1])
        data = text.encode()
        (folder / "logs" / name).write_bytes(gzip.compress(data) if "gz" in name else data)
    return expected, sorted(rejects)


@pytest.fixture
def venue(tmp_path):
    (tmp_path / "logs").mkdir()
    (tmp_path / "venue.toml").write_text(VENUE)
    (tmp_path / "out").mkdir()
    return tmp_path


def run(venue, what, count):
    worker = Path(__file__).with_name("kill_worker.py")
    subprocess.run(
        [sys.executable, str(worker), what, str(venue), str(venue / "out"), str(count), "7"],
        check=True, timeout=600, cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT), "POLARS_MAX_THREADS": "1"})
    return [json.loads(path.read_text()) for path in (venue / "out").iterdir()]


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
@pytest.mark.parametrize(("what", "count", "least"), [("kill", KILLS, 3), ("two", 9, 9)])
def test_every_record_is_there_once(venue, what, count, least):
    expected, rejects = logs(venue, seed=3)
    looks = run(venue, what, count)
    assert len(looks) >= least
    for seen in looks:
        rows = [tuple(row) for row in seen["rows"]]
        assert len(rows) == len(set(rows))
        assert set(rows) == expected
        assert seen["sorted"]
        assert sorted(seen["rejects"]) == rejects


def test_a_disk_that_fills_at_any_step_loses_nothing(tmp_path, monkeypatch):
    house = House(tmp_path)
    expected, _ = logs(tmp_path, seed=5)
    whole = os.fsync
    steps, left = 0, 0
    messages = []

    def fsync(handle):
        nonlocal left
        left -= 1
        if left < 0:
            raise OSError(28, "No space left on device")
        return whole(handle)

    monkeypatch.setattr(os, "fsync", fsync)
    while True:
        left = steps
        try:
            house.ingest()
            break
        except StoreError as error:
            messages.append(str(error))
            steps += 1
    assert all("No space left on device" in message for message in messages)
    assert steps > 3
    rows = house.signals().select("channel", "quantity", "value", "time").rows()
    assert len(rows) == len(expected)


def test_nothing_is_written_outside_the_store(tmp_path):
    (tmp_path / "venue").mkdir()
    house = House(tmp_path / "venue")
    house.write("a.csv", HEADER + "2026-11-02T18:03:11Z,../../../q1,command,1\n"
                "2026-11-02T18:03:11Z,north/q1,command,1\n")
    house.ingest()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["venue"]
    assert sorted(p.name for p in (tmp_path / "venue").iterdir()) == ["logs", "store", "venue.toml"]
