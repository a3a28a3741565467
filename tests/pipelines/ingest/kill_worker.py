"""Run from test_exactly_once.py: ingests again and again, killed at random instants.

A process of its own, which forks a child for each ingest. It never uses Polars
itself, whose threads would not live through a fork.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import sys
import time
from pathlib import Path

from remanence.pipelines.ingest import ingest as ingest_module
from remanence.pipelines.ingest import pending
from remanence.pipelines.ingest.progress import Silent
from remanence.pipelines.sheets.refresh import load_venue
from remanence.pipelines.store import days as store_days
from remanence.pipelines.store.store import Store


def begin(folder: Path, files: list[str] | None = None) -> int:
    """Fork a child that ingests in many small commits."""
    child = os.fork()
    if child:
        return child
    status = 1
    try:
        pending.COMMIT_ROWS = 500
        store_days.SEGMENT_ROWS = 400
        store_days.SMALL_ROWS = 200
        store_days.MANY_SEGMENTS = 3
        venue, path = load_venue(folder)
        ingest_module.ingest(venue, path, files, progress=Silent())
        status = 0
    finally:
        os._exit(status)


def ended_well(child: int) -> bool:
    """Wait for a child; False if it was killed."""
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        return False
    if os.WEXITSTATUS(status):
        raise SystemExit("an ingest failed")
    return True


def look(folder: Path, out: Path) -> None:
    """Write what the store holds, from a child."""
    child = os.fork()
    if not child:
        status = 1
        try:
            venue, path = load_venue(folder)
            store = Store.open(venue, path)
            signals = store.scan_signals().collect()
            rows = signals.select("channel", "quantity", "value").with_columns(
                signals["time"].to_physical().alias("at")).sort("at", "channel", "value")
            out.write_text(json.dumps({
                "rows": rows.rows(), "sorted": signals["time"].is_sorted(),
                "rejects": store.rejects().select("file", "line").rows()}))
            status = 0
        finally:
            os._exit(status)
    ended_well(child)


def kill_often(folder: Path, out: Path, kills: int, seed: int) -> None:
    """Kill ingests until ``kills`` are dead; look at the store whenever one lived to its end."""
    rng = random.Random(seed)
    begun = time.monotonic()
    ended_well(begin(folder))
    whole = time.monotonic() - begun
    dead = looked = 0
    while dead < kills:
        child = begin(folder)
        time.sleep(rng.uniform(0.02, whole * 0.9))
        os.kill(child, signal.SIGKILL)
        if not ended_well(child):
            dead += 1
            if rng.random() < 0.9:
                continue
            ended_well(begin(folder))
        look(folder, out / f"{looked}.json")
        looked += 1
        shutil.rmtree(folder / "store")
    ended_well(begin(folder))
    look(folder, out / f"{looked}.json")


def two_at_once(folder: Path, out: Path, rounds: int, seed: int) -> None:
    """Let two ingests of the same files run side by side; in some rounds one is killed."""
    rng = random.Random(seed)
    for turn in range(rounds):
        shutil.rmtree(folder / "store", ignore_errors=True)
        first = begin(folder)
        time.sleep(rng.uniform(0, 0.05))
        second = begin(folder)
        if turn % 3 == 2:
            time.sleep(rng.uniform(0.02, 0.2))
            os.kill(first, signal.SIGKILL)
        ended_well(first)
        ended_well(second)
        look(folder, out / f"{turn}.json")


if __name__ == "__main__":
    what, folder, out, count, seed = sys.argv[1:]
    act = kill_often if what == "kill" else two_at_once
    act(Path(folder), Path(out), int(count), int(seed))
