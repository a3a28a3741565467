"""A fault at any call of any command: a plain message, and nothing half replaced.

Faults are put in below Python, by a small library that is loaded before the C library. The usual
run draws some of the cases with a fixed seed; REMANENCE_FAULTS=all takes every one (an hour or
so; ``python -m tests.durability.sweep`` does the same on all cores).
"""

from __future__ import annotations

import errno
import os
import random
import re
import shutil
import sys

import pytest

from remanence.pipelines.commands import main
from remanence.shared.errors import UnwritableStoreError
from tests.durability.fault_cases import COMMANDS, Sound, Worker
from tests.durability.small_venue import make

EVERY = os.environ.get("REMANENCE_FAULTS") == "all"
DRAWN = int(os.environ.get("REMANENCE_FAULTS", "2") if not EVERY else 0)

pytestmark = pytest.mark.skipif(
    sys.platform != "linux" or shutil.which("cc") is None, reason="needs Linux and a C compiler")


@pytest.fixture(scope="module")
def worker(tmp_path_factory):
    worker = Worker(tmp_path_factory.mktemp("faults"))
    yield worker
    worker.end()


@pytest.mark.parametrize("command", COMMANDS)
def test_a_fault_at_any_call_is_told_and_leaves_nothing_half_done(worker, command):
    sound = Sound(worker, command)
    assert sound.calls > 2
    rng = random.Random(command)
    cases = list(sound.cases())
    for case in cases if EVERY else rng.sample(cases, DRAWN):
        told = worker.with_fault(command, case)
        sound.judge(worker, told, (command, *case))
        if rng.random() < (0.02 if EVERY else 0.2):
            sound.recovered(worker)


def test_a_full_disk_keeps_no_finding_back(worker):
    whole = worker.run("weekly")
    assert whole["status"] == 3
    for nth in (1, 20):
        told = worker.run("weekly", nth, errno.ENOSPC, stay=True, writes_only=True)
        assert told["status"] == whole["status"], told
        assert "No space left on device" in told["said"]
        assert re.search(
            r"^Week 2026-W4[56]: .*\n  (Do not use|This week) ", told["said"], re.MULTILINE), told


def test_a_store_that_one_may_only_read_can_be_read(worker, tmp_path):
    for words in (["export", "VENUE", "signals"], ["report", "VENUE", "--out"],
                  ["timing", "VENUE", "--out"], ["parts", "VENUE", "--out"],
                  ["export", "VENUE", "actuations"]):
        out = tmp_path / (words[0] + (".csv" if words[0] == "export" else ""))
        told = worker.run([*words, str(out)], 1, errno.EROFS, stay=True, writes_only=True)
        assert told["status"] == 0, told
        assert out.exists()
        out.unlink() if out.is_file() else None
        noted = "Read-only file system" in told["said"] or "cannot be written" in told["said"]
        assert noted == (words[-1] != "signals"), told  # nothing is derived for them


def test_a_full_disk_is_told_where_the_store_is_still_empty(worker):
    kept, spare = worker.whole, worker.whole.with_name("spare")
    kept.rename(spare)
    try:
        shutil.copytree(spare, kept, ignore=shutil.ignore_patterns("store"))
        told = worker.run("weekly", 1, errno.ENOSPC, stay=True, writes_only=True)
        assert told["status"] == 1
        assert "No space left on device" in told["said"]
        assert "take logs in first" not in told["said"]
    finally:
        shutil.rmtree(kept)
        spare.rename(kept)


def test_an_export_of_what_could_not_be_worked_out_anew_says_so(tmp_path, monkeypatch, capsys):
    """Where there is no room among the temporary files either."""
    from remanence.pipelines.derive import derive
    from remanence.pipelines.store import view

    def full(*_):
        raise UnwritableStoreError("the disk is full.")

    def no_room(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    make(tmp_path / "house", days=2)
    assert main(["ingest", str(tmp_path / "house")]) == 0
    monkeypatch.setattr(derive, "derive", full)
    monkeypatch.setattr(view, "make_view", no_room)
    words = ["export", str(tmp_path / "house"), "actuations", str(tmp_path / "out.csv")]
    assert main(words) == 1
    said = capsys.readouterr()
    assert "rows of actuations" in " ".join(said.out.split())
    assert "error: the disk is full." in said.err
