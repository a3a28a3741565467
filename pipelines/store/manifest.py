"""The store's manifest: which files make it up, replaced whole in one atomic step.

Why plain Parquet with one manifest, and not a transactional table format: what
one step of ingest takes in touches several tables at once (signals of a few days,
rejects, how far each log file has been read, clock events). The table formats
make a change of ONE table atomic; here all of it becomes visible with one
``os.replace``, or none of it does. Writers take an operating-system lock, which
the kernel lets go of when a process is killed, so there is nothing to clean up
by hand. Readers take no lock: they read one manifest and the files it names, and
a file that is no longer named is kept for a day before it is deleted.
"""

from __future__ import annotations

import contextlib
import json
import os
import time
import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from remanence.pipelines.store.file_lock import try_lock, unlock
from remanence.shared.errors import StoreError

NAME = "manifest.json"
FORMAT = "remanence-store"
VERSION = 3
LOCK_WAIT_S = 600.0
"""How long a writer waits for another one before it gives up."""


@dataclass
class Segment:
    """One Parquet file of signals; no other one of its day and kind overlaps it in time.

    ``kind`` is ``edges`` (command, contact) or ``levels`` (volts, amps), ``first``
    and ``last`` are UTC microseconds.
    """

    path: str
    kind: str
    rows: int
    first: int
    last: int


@dataclass
class Day:
    """One UTC day: when it last changed (as a generation of the manifest), and its segments."""

    changed: int
    segments: list[Segment] = field(default_factory=list)


@dataclass
class RejectFile:
    """One Parquet file of rejects: the log files it is of, their lowest and highest line."""

    path: str
    rows: int
    files: list[str]
    first: int
    last: int


@dataclass
class Manifest:
    """Everything that a reader needs in order to find the tables."""

    store: str
    generation: int = 0
    days: dict[str, Day] = field(default_factory=dict)
    rejects: list[RejectFile] = field(default_factory=list)
    files: str | None = None
    clock_events: str | None = None
    retired: list[tuple[str, float]] = field(default_factory=list)

    @classmethod
    def new(cls) -> Manifest:
        """The manifest of an empty store."""
        return cls(store=uuid.uuid4().hex[:12])

    def named(self) -> set[str]:
        """Paths of all files that are part of the store, relative to its folder."""
        paths = {s.path for day in self.days.values() for s in day.segments}
        paths |= {r.path for r in self.rejects}
        paths |= {p for p in (self.files, self.clock_events) if p}
        return paths

    def copy(self) -> Manifest:
        """One to be changed: the days' lists are its own, their segments are shared."""
        days = {day: Day(entry.changed, list(entry.segments)) for day, entry in self.days.items()}
        return replace(self, days=days, rejects=list(self.rejects), retired=list(self.retired))

    def to_json(self) -> str:
        """The text of ``manifest.json``."""
        return json.dumps({"format": FORMAT, "version": VERSION, **vars(self)},
                          separators=(",", ":"), default=vars)

    @classmethod
    def from_json(cls, text: str, path: Path) -> Manifest:
        """Read a manifest of this or an older version.

        Raises
        ------
        StoreError
            It is damaged, is no store of ours, or was written by a newer version.
        """
        try:
            raw = json.loads(text)
        except ValueError:
            raise StoreError(f"{path} is damaged (not JSON); restore it from a copy, or delete "
                             "the store's folder and ingest the logs again") from None
        if not isinstance(raw, dict) or raw.get("format") != FORMAT:
            raise StoreError(f"{path} is not a store of Remanence; set store in the venue file "
                             "to a folder of its own")
        raw = _upgraded(raw, path)
        try:
            return cls(
                store=raw["store"], generation=raw["generation"],
                days={
                    day: Day(entry["changed"], [Segment(**s) for s in entry["segments"]])
                    for day, entry in raw["days"].items()
                },
                rejects=[RejectFile(**entry) for entry in raw["rejects"]],
                files=raw["files"], clock_events=raw["clock_events"],
                retired=[(str(p), float(t)) for p, t in raw["retired"]],
            )
        except (KeyError, TypeError, ValueError, AttributeError):
            raise StoreError(f"{path} is damaged (parts are missing); restore it from a copy, or "
                             "delete the store's folder and ingest the logs again") from None


def _with_lines_of_rejects(raw: dict[str, Any]) -> dict[str, Any]:
    """Version 2 tells the lines that a file of rejects spans; before, it may have been any."""
    rejects = [{"first": 0, "last": 2**62, **entry} for entry in raw["rejects"]]
    return raw | {"rejects": rejects}


def _channel_by_channel(raw: dict[str, Any]) -> dict[str, Any]:
    """Version 3 writes levels channel by channel, and reads them in the order of time too."""
    return raw


UPGRADES: dict[int, Callable[[dict[str, Any]], dict[str, Any]]] = {
    1: _with_lines_of_rejects, 2: _channel_by_channel}
"""From a version to the step that makes the next one out of it."""


def _upgraded(raw: dict[str, Any], path: Path) -> dict[str, Any]:
    version = raw.get("version")
    if not isinstance(version, int) or isinstance(version, bool):
        raise StoreError(f"{path} does not say its version; restore it from a copy")
    if version > VERSION:
        raise StoreError(
            f"{path} was written by a newer Remanence (store version {version}, this one knows "
            f"versions up to {VERSION}); update Remanence. Nothing was read or written."
        )
    while version < VERSION:
        if version not in UPGRADES:
            raise StoreError(
                f"{path} was written by an older Remanence (store version {version}) that this "
                "one cannot upgrade; move the store's folder away and ingest the logs again. "
                "Nothing was read or written."
            )
        try:
            raw = UPGRADES[version](raw)
        except (KeyError, TypeError, ValueError, AttributeError):
            break  # damaged: told by whoever reads the parts
        version += 1
    return raw


_LAST: dict[Path, tuple[str, Manifest]] = {}
"""The store read last: the text of its manifest, and what it says. Ten years' takes some forty
times as long to make sense of as to read."""


def read_manifest(folder: Path) -> Manifest | None:
    """The manifest of the store in ``folder``; None where there is no store yet.

    It is read afresh every time, and made sense of where its text has changed. Whoever wants
    to change it takes a copy.
    """
    path = folder / NAME
    try:
        text = path.read_text("utf-8")
    except FileNotFoundError:
        if any((folder / "signals").glob("*/*.parquet")):
            raise StoreError(
                f"{folder} holds signals but its {NAME} is missing; restore it from a copy, or "
                "delete the folder and ingest the logs again"
            ) from None
        return None
    except NotADirectoryError:
        raise StoreError(f"{folder} cannot be the store: a part of the path is a file") from None
    except (OSError, UnicodeDecodeError) as error:
        raise StoreError(f"{path} cannot be read: {error}") from None
    last = _LAST.get(path)
    if last is not None and last[0] == text:
        return last[1]
    manifest = Manifest.from_json(text, path)
    _LAST.clear()
    _LAST[path] = text, manifest
    return manifest


def write_manifest(folder: Path, manifest: Manifest) -> None:
    """Put ``manifest`` in force: atomic, and on the disk when this returns."""
    temporary = folder / f".{NAME}.{os.getpid()}"
    with temporary.open("w", encoding="utf-8") as file:
        file.write(manifest.to_json())
        file.flush()
        os.fsync(file.fileno())
    temporary.replace(folder / NAME)
    sync_folder(folder)


def sync_folder(folder: Path) -> None:
    """Make renames in ``folder`` outlast a power cut, where the system allows it."""
    with contextlib.suppress(OSError, AttributeError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


@contextlib.contextmanager
def writer_lock(folder: Path, wait_s: float = LOCK_WAIT_S) -> Iterator[None]:
    """Hold the store for writing; the system lets go of it when the process ends, however it ends.

    Raises
    ------
    StoreError
        The folder cannot be made or written, or another writer holds it too long.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        file = (folder / ".lock").open("a+b")
    except OSError as error:
        raise StoreError(f"{folder} cannot be written: {error.strerror or error}") from None
    with file:
        deadline = time.monotonic() + wait_s
        while not try_lock(file.fileno()):
            if time.monotonic() > deadline:
                raise StoreError(f"{folder} has been held by another ingest for "
                                 f"{wait_s:.0f} s; let it end, then run this again")
            time.sleep(0.02)
        try:
            yield
        finally:
            unlock(file.fileno())
