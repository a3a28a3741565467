"""A fault at any call of any command: a plain message, and nothing half replaced.

Faults are put in below Python, by a small library that is loaded before the C library. The usual
run draws some of the cases with a fixed seed; REMANENCE_FAULTS=all takes every one (an hour or
two; ``-k`` and the name of a command takes it in pieces).
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import random
import re
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from remanence.pipelines.commands import main
from remanence.shared.errors import UnwritableStoreError
from tests.durability.small_venue import make

HERE = Path(__file__).parent
ROOT = HERE.parent.parent
EVERY = os.environ.get("REMANENCE_FAULTS") == "all"
DRAWN = int(os.environ.get("REMANENCE_FAULTS", "2") if not EVERY else 0)
KINDS = {"full disk": errno.ENOSPC, "damaged disk": errno.EIO, "too many files": errno.EMFILE,
         "read only": errno.EROFS, "short write": -1}
OF_WRITES = ("full disk", "read only", "short write")
"""These only writes meet, and all that follow meet them too where the fault stays."""
COMMANDS = {
    "ingest": ["ingest", "VENUE"], "report": ["report", "VENUE"], "timing": ["timing", "VENUE"],
    "parts": ["parts", "VENUE"], "weekly": ["weekly", "VENUE", "--fail-on", "week"],
    "csv": ["export", "VENUE", "signals", "VENUE/out.csv"],
    "xlsx": ["export", "VENUE", "rejects", "VENUE/out.xlsx"],
    "parquet": ["export", "VENUE", "actuations", "VENUE/out.parquet"],
    "service": ["service", "VENUE", "chart-drawer", "cleaned"],
    "verify": ["verify", "VENUE"],
}
SHEETS = ("reports", "timing", "parts", "out.csv", "out.xlsx", "out.parquet", "service.csv")

pytestmark = pytest.mark.skipif(
    sys.platform != "linux" or shutil.which("cc") is None, reason="needs Linux and a C compiler")


class Worker:
    """Runs commands on copies of a venue, each with one fault."""

    def __init__(self, work: Path) -> None:
        self.whole, self.house = work / "whole", work / "house"
        make(self.whole, days=9)
        late = sorted((self.whole / "logs").glob("*.csv"))[7:]
        for log in late:
            log.rename(log.with_suffix(".later"))
        library = work / "faults.so"
        subprocess.run(["cc", "-shared", "-fPIC", "-O1", "-o", library, HERE / "faults.c", "-ldl"],
                       check=True)
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tests.durability.fault_worker", self.whole, work],
            cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
            env={**os.environ, "LD_PRELOAD": str(library), "SOURCE_DATE_EPOCH": "1764000000",
                 "POLARS_MAX_THREADS": "1", "PYTHONPATH": str(ROOT)})
        for words in ("weekly", "csv", "xlsx", "parquet"):
            assert self.run(COMMANDS[words])["status"] in (0, 3)
            shutil.rmtree(self.whole)
            shutil.copytree(self.house, self.whole)
        for log in late:
            log.with_suffix(".later").rename(log)

    def run(self, words, nth=0, kind=0, *, stay=False, writes_only=False):
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(json.dumps({
            "words": words, "nth": nth, "kind": kind, "stay": stay,
            "writes_only": writes_only}) + "\n")
        self.process.stdin.flush()
        return json.loads(self.process.stdout.readline())


@pytest.fixture(scope="module")
def worker(tmp_path_factory):
    worker = Worker(tmp_path_factory.mktemp("faults"))
    yield worker
    worker.process.stdin.close()
    worker.process.wait()


def shown(folder):
    """Digest of each sheet and file that people look at."""
    found = {}
    for name in SHEETS:
        for top in [*(folder / name).glob("*/"), folder / name] if name == "reports" else [
                folder / name]:
            if top.is_dir() and name == "reports" and top == folder / name:
                continue
            if top.name.startswith("."):
                continue  # begun beside it; where nothing can be removed any more, it stays
            digest = hashlib.sha256()
            for path in sorted(top.rglob("*")) if top.is_dir() else [top] * top.exists():
                if path.suffix == ".xlsx":  # holds the moment at which it was made
                    with zipfile.ZipFile(path) as book:
                        digest.update(book.read("xl/worksheets/sheet1.xml"))
                elif path.is_file():
                    digest.update(path.relative_to(folder).as_posix().encode() + path.read_bytes())
            found[top.relative_to(folder).as_posix()] = digest.hexdigest()
    return found


def judge(worker, before, after, told, what):
    """What must hold after any fault."""
    assert told["status"] in (0, 1, 3), (what, told)
    assert "Traceback" not in told["said"], (what, told)
    assert "panicked" not in told["said"], (what, told)
    if told["status"] == 1:
        assert "error: " in told["said"] or "cannot be" in told["said"], (what, told)
    now = shown(worker.house)
    empty = hashlib.sha256().hexdigest()
    for name, digest in now.items():
        if "Not read: " in told["said"]:
            continue  # of the rest of the log, as was told
        assert digest in (before.get(name, empty), after.get(name, empty)), (what, name, told)
    drafts = [path for name in SHEETS for path in worker.house.glob(f"{name}/**/*.part")]
    assert not drafts, (what, drafts)


@pytest.mark.parametrize("command", COMMANDS)
def test_a_fault_at_any_call_is_told_and_leaves_nothing_half_done(worker, command):
    words = COMMANDS[command]
    before = shown(worker.whole)
    counted = worker.run(words)
    assert counted["status"] in (0, 3), counted
    after = shown(worker.house)
    signals = worker.run(COMMANDS["csv"])
    assert counted["calls"] > 3
    rng = random.Random(command)
    cases = list(every_case(worker, words, counted["calls"]))
    for nth, kind, stay in cases if EVERY else rng.sample(cases, DRAWN):
        told = worker.run(words, nth, KINDS[kind], stay=stay, writes_only=kind in OF_WRITES)
        judge(worker, before, after, told, (command, nth, kind, stay))
        if rng.random() < (0.02 if EVERY else 0.2):
            recovered(worker, after if command == "weekly" else {})
    assert signals["status"] == 0


def every_case(worker, words, calls):
    """Each fault once at each call that can meet it; one of a disk also from there on."""
    writes = worker.run(words, 1 << 40, errno.ENOSPC, writes_only=True)["calls"]
    for kind in KINDS:
        for stay in (False, True) if kind in OF_WRITES else (False,):
            for nth in range(1, (writes if kind in OF_WRITES else calls) + 1):
                yield nth, kind, stay


def recovered(worker, after):
    """The same venue goes on without the fault as if there had been none."""
    kept, worker.whole_kept = worker.whole, None
    spare = kept.with_name("spare")
    shutil.rmtree(spare, ignore_errors=True)
    kept.rename(spare)
    worker.house.rename(kept)
    try:
        told = worker.run(COMMANDS["weekly"])
        assert told["status"] in (0, 3), told
        for name, digest in after.items():
            assert shown(worker.house)[name] == digest, name
        assert worker.run(["verify", "VENUE"])["status"] == 0
    finally:
        shutil.rmtree(kept)
        spare.rename(kept)


def test_a_full_disk_keeps_no_finding_back(worker):
    whole = worker.run(COMMANDS["weekly"])
    assert whole["status"] == 3
    for nth in (1, 20):
        told = worker.run(COMMANDS["weekly"], nth, errno.ENOSPC, stay=True, writes_only=True)
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
        told = worker.run(COMMANDS["weekly"], 1, errno.ENOSPC, stay=True, writes_only=True)
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
