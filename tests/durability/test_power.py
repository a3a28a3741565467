"""The power fails at any moment: what the disk holds then is the store before, or after.

Only what was synced counts as being on the disk: a file's content since its own fsync, a name since
the fsync of its folder. The worst of what a system may do is looked at as well: all names are on
the disk, and of the contents only what was synced.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import stat
from datetime import date
from pathlib import Path

import pytest

from remanence.pipelines.commands import main
from remanence.pipelines.sheets.load import load_table
from remanence.pipelines.sheets.refresh import load_venue
from remanence.pipelines.store import disk
from remanence.pipelines.store.service_log import read_service
from tests.durability.small_venue import make

pytestmark = pytest.mark.skipif(os.name == "nt", reason="needs folders that can be synced")

MOST = (None if os.environ.get("REMANENCE_POWER") == "all"
        else int(os.environ.get("REMANENCE_POWER", "10")))


class Disk:
    """What of a folder is on the disk for certain, told from the syncs that were asked for."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.content: dict[int, bytes] = {}
        self.names: dict[int, dict[str, int]] = {}
        self.folders: set[int] = set()
        self.cuts: list[tuple[str, dict[str, bytes]]] = []
        self.held: dict[int, int] = {}
        for path in [root, *root.rglob("*")]:
            self._sync(path)

    def _sync(self, path: Path) -> None:
        found = path.stat()
        for known in [path, *path.iterdir()] if path.is_dir() else [path]:
            # An inode whose last name is gone must not be given out again.
            inode = known.stat().st_ino
            if inode not in self.held:
                self.held[inode] = os.open(known, os.O_RDONLY)
        if stat.S_ISDIR(found.st_mode):
            self.names[found.st_ino] = {
                inner.name: inner.stat().st_ino for inner in path.iterdir()}
            self.folders |= {inner.stat().st_ino for inner in path.iterdir() if inner.is_dir()}
        else:
            self.content[found.st_ino] = path.read_bytes()

    def synced(self, handle: int) -> None:
        """An fsync has come back."""
        path = Path(f"/proc/self/fd/{handle}").resolve()
        if self.root in (path, *path.parents):
            self._sync(path)

    def cut(self, what: str) -> None:
        """The power fails now: keep what would be found."""
        found: dict[str, bytes] = {}
        self._walk(self.root.stat().st_ino, "", found)
        self.cuts.append((f"{what}, nothing unsynced", found))
        every = {path.relative_to(self.root).as_posix(): self.content.get(path.stat().st_ino, b"")
                 for path in self.root.rglob("*") if path.is_file()}
        self.cuts.append((f"{what}, names and no contents", every))

    def _walk(self, inode: int, at: str, found: dict[str, bytes]) -> None:
        for name, inner in self.names.get(inode, {}).items():
            where = f"{at}{name}"
            if inner in self.folders:
                found[f"{where}/"] = b""
                self._walk(inner, f"{where}/", found)
            else:
                found[where] = self.content.get(inner, b"")


@contextlib.contextmanager
def watched(root: Path, monkeypatch):
    """Run with every sync and every change of a name seen, and the power cut before each."""
    kept = Disk(root)
    with monkeypatch.context() as patch:
        def seen(name, real):
            def call(*words, **more):
                kept.cut(f"before {name} {len(kept.cuts)}")
                answer = real(*words, **more)
                if name == "fsync":
                    kept.synced(words[0])
                return answer
            return call
        for name in ("fsync", "replace", "rename", "unlink", "mkdir", "rmdir"):
            patch.setattr(os, name, seen(name, getattr(os, name)))
        yield kept
        kept.cut("at the end")
    for handle in kept.held.values():
        os.close(handle)


def put(found: dict[str, bytes], folder: Path) -> Path:
    """A folder as the disk has it."""
    for name, data in found.items():
        if name.endswith("/"):
            (folder / name).mkdir(parents=True, exist_ok=True)
            continue
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)
    return folder


def tables(folder: Path):
    disk.forget_checks()
    venue, path = load_venue(folder)
    return {name: load_table(venue, path, name)
            for name in ("signals", "rejects", "actuations", "forecasts")}


def state(folder: Path):
    """What a person can tell of the store: its records, what was derived, and what was said."""
    found = tables(folder)
    return {name: frame.height for name, frame in found.items()}


@pytest.fixture
def house(tmp_path):
    folder = tmp_path / "house"
    make(folder, days=5)
    return folder


STEPS = {
    "ingest": (["ingest"], None), "report": (["report"], ["ingest"]),
    "parts": (["parts"], ["ingest"]), "derive again": (["ingest"], ["ingest"]),
}


@pytest.mark.parametrize("what", STEPS)
def test_the_power_may_fail_at_any_moment(what, house, tmp_path, monkeypatch, capsys):
    words, first = STEPS[what]
    if first:
        late = house / "logs" / "2026-11-06.csv"
        if what == "derive again":
            late.rename(late.with_suffix(".later"))
        assert main([*first, str(house)]) == 0
        if what == "derive again":
            late.with_suffix(".later").rename(late)
    before = state(house)
    with watched(house, monkeypatch) as kept:
        assert main([*words, str(house)]) == 0
    after = state(house)
    assert len(kept.cuts) > 8
    some = kept.cuts if MOST is None else kept.cuts[::max(len(kept.cuts) // MOST, 1)]
    for number, (moment, found) in enumerate([*some, kept.cuts[-2], kept.cuts[-1]]):
        folder = put(found, tmp_path / f"cut-{number}")
        now = state(folder)
        for name, rows in now.items():
            assert min(before[name], after[name]) <= rows <= max(before[name], after[name]), (
                moment, name)
        assert main(["verify", str(folder)]) == 0 or not (
            folder / "store" / "manifest.json").exists(), (moment, capsys.readouterr())
        if number % 3 == 0:
            assert main([*words, str(folder)]) == 0, moment
            assert state(folder) == after, moment
        shutil.rmtree(folder)
    assert state(put(kept.cuts[-2][1], tmp_path / "end")) == after


def test_a_service_line_is_on_the_disk_when_it_is_told(house, monkeypatch):
    (house / "service.csv").unlink()
    venue, path = load_venue(house)
    for number in range(3):
        with watched(house, monkeypatch) as kept:
            assert main(["service", str(house), "chart-drawer", "cleaned", "--date",
                         f"2026-11-0{number + 1}"]) == 0
        for moment, found in kept.cuts:
            lines = found.get("service.csv", b"").decode().splitlines()
            assert len(lines) in (number + 1 if number else 0, number + 2), (moment, lines)
        assert len(kept.cuts[-2][1]["service.csv"].decode().splitlines()) == number + 2
    assert read_service(venue, path).entries["date"].to_list() == [
        date(2026, 11, day) for day in (1, 2, 3)]
