"""Faults below Python, at any call of any command: which there are, and what must hold after each.

They are put in by a small library that is loaded before the C library (``faults.c``). A worker has
everything loaded and made ready; each case is a child of it, which works on a copy of a venue.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import shutil
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tests.durability.small_venue import make

HERE = Path(__file__).parent
ROOT = HERE.parent.parent
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
    "order": ["order", "VENUE", "latch-s", "2"],
    "verify": ["verify", "VENUE"],
    "repair": ["verify", "VENUE", "--repair"],
    "retry": ["ingest", "VENUE", "--retry-rejects"],
    "check": ["check", "VENUE"],
    "check logs": ["check", "VENUE", "--logs"],
    "sniff": ["sniff", "VENUE/logs/2026-11-02.csv"],
    "calendar": ["calendar", "VENUE", "--out", "VENUE/calendar.ics"],
    "tell": ["tell", "VENUE", "--dry-run"],
    "chain": ["chain", "VENUE", "--jobs", "1"],
}
"""By name. A chain has one venue, which is done already: what it adds are its own pages."""
PREPARED = {"repair": "damaged", "tell": "told", "chain": "done"}
"""What is done to the venue before: a day's volts and a derived table are damaged; the venue file
names whom to tell; no log is new."""
SHEETS = ("reports", "timing", "parts", "chain", "out.csv", "out.xlsx", "out.parquet",
          "service.csv", "orders.csv", "calendar.ics")

Told = dict[str, Any]
Case = tuple[int, str, bool]
"""At which call, which fault, and whether it stays."""


class Worker:
    """Runs commands on copies of a venue, each with one fault."""

    def __init__(self, work: Path) -> None:
        self.whole, self.house = work / "whole", work / "house"
        make(self.whole, days=9)
        (self.whole / "chain.toml").write_text('venues = ["venue.toml"]\n', encoding="utf-8")
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
        for name in ("weekly", "csv", "xlsx", "parquet", "chain"):
            told = self.run(name)
            assert told["status"] in (0, 3), told
            shutil.rmtree(self.whole)
            shutil.copytree(self.house, self.whole)
        for log in late:
            log.with_suffix(".later").rename(log)

    def run(
        self, words: str | list[str], nth: int = 0, kind: int = 0, *, stay: bool = False,
        writes_only: bool = False,
    ) -> Told:
        """One command, by name or by its words, on a copy of the venue; what came of it."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(json.dumps({
            "words": COMMANDS[words] if isinstance(words, str) else words, "nth": nth,
            "kind": kind, "stay": stay, "writes_only": writes_only,
            "prepared": PREPARED.get(words) if isinstance(words, str) else None}) + "\n")
        self.process.stdin.flush()
        told: Told = json.loads(self.process.stdout.readline())
        return told

    def with_fault(self, command: str, case: Case) -> Told:
        """One case of a command."""
        nth, kind, stay = case
        return self.run(command, nth, KINDS[kind], stay=stay, writes_only=kind in OF_WRITES)

    def end(self) -> None:
        """Let the process go."""
        assert self.process.stdin is not None
        self.process.stdin.close()
        self.process.wait()


class Sound:
    """What a command leaves without a fault, and before it."""

    def __init__(self, worker: Worker, command: str) -> None:
        self.command = command
        self.before = shown(worker.whole)
        told = worker.run(command)
        assert told["status"] in (0, 3), told
        self.calls: int = told["calls"]
        self.after = shown(worker.house)
        self.writes: int = worker.run(
            command, 1 << 40, errno.ENOSPC, writes_only=True)["calls"]

    def cases(self) -> Iterator[Case]:
        """Each fault once at each call that can meet it; one of a disk also from there on."""
        for kind in KINDS:
            for stay in (False, True) if kind in OF_WRITES else (False,):
                for nth in range(1, (self.writes if kind in OF_WRITES else self.calls) + 1):
                    yield nth, kind, stay

    def judge(self, worker: Worker, told: Told, what: object) -> None:
        """What must hold after any fault."""
        assert told["status"] in (0, 1, 3), (what, told)
        assert "Traceback" not in told["said"], (what, told)
        assert "panicked" not in told["said"], (what, told)
        if told["status"] == 1:
            assert any(word in told["said"] for word in (
                "error: ", "cannot be", "LOST for good", "--repair")), (what, told)
        now = shown(worker.house)
        empty = hashlib.sha256().hexdigest()
        for name, digest in now.items():
            if "Not read: " in told["said"]:
                continue  # of the rest of the log, as was told
            assert digest in (self.before.get(name, empty), self.after.get(name, empty)), (
                what, name, told)
        drafts = [path for name in SHEETS for path in worker.house.glob(f"{name}/**/*.part")]
        assert not drafts, (what, drafts)

    def recovered(self, worker: Worker) -> None:
        """The same venue goes on without the fault as if there had been none."""
        kept, spare = worker.whole, worker.whole.with_name("spare")
        shutil.rmtree(spare, ignore_errors=True)
        kept.rename(spare)
        worker.house.rename(kept)
        try:
            if self.command == "repair":
                told = worker.run(["verify", "VENUE", "--repair"])
                assert told["status"] == 0, told
                shutil.rmtree(kept)
                worker.house.rename(kept)
            told = worker.run("weekly")
            assert told["status"] in (0, 3), told
            if self.command == "weekly":
                for name, digest in self.after.items():
                    assert shown(worker.house)[name] == digest, name
            shutil.rmtree(kept)
            worker.house.rename(kept)
            told = worker.run("verify")
            assert told["status"] == 0, told
        finally:
            shutil.rmtree(kept)
            spare.rename(kept)


def shown(folder: Path) -> dict[str, str]:
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
                elif path.is_file() and path.stat().st_size:
                    digest.update(path.relative_to(folder).as_posix().encode() + path.read_bytes())
            found[top.relative_to(folder).as_posix()] = digest.hexdigest()
    return found
