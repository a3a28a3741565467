"""The store's manifest: which files make it up, replaced whole in one atomic step.

Why plain Parquet with one manifest, and not a transactional table format: what
one step of ingest takes in touches several tables at once (signals of a few days,
rejects, how far each log file has been read, clock events). The table formats
make a change of ONE table atomic; here all of it becomes visible with one
``os.replace``, or none of it does. Readers take no lock: they read one manifest and the
files it names, and a file that is no longer named is kept for a week before it is deleted.

The manifest begins with the digest of its own text, and names every file by a name that
holds the digest of the file.
"""

from __future__ import annotations

import json
import os
import uuid
from collections.abc import Callable, Collection
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any

from remanence.pipelines.store import disk
from remanence.pipelines.store.retired import Retired, removable, retire
from remanence.pipelines.store.writer_lock import LOCK
from remanence.shared.errors import StoreError

NAME = "manifest.json"
FORMAT = "remanence-store"
VERSION = 6
_SEALED_SINCE = 4
_WHOLE = 2**63


@dataclass
class Segment:
    """Signals of one day and kind; no other one of its day and kind overlaps it in time.

    ``kind`` is ``edges`` (command, contact) or ``levels`` (volts, amps), ``first``
    and ``last`` are UTC microseconds.
    """

    path: str
    kind: str
    rows: int
    first: int
    last: int
    at: int | None = None
    """Its first row in the file, which holds other days too; None: the file is all its own."""


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
class Kept:
    """A table of one file: the log files read, the clocks' events, a report's findings."""

    path: str
    rows: int | None = None
    """None: of an older program, which did not count."""


@dataclass
class Manifest:
    """Everything that a reader needs in order to find the tables."""

    store: str
    venue: str | None = None
    """Whose records; None: of an older program."""
    generation: int = 0
    days: dict[str, Day] = field(default_factory=dict)
    rejects: list[RejectFile] = field(default_factory=list)
    kept: dict[str, Kept] = field(default_factory=dict)
    """By name: ``files``, ``clock_events``, ``forecasts``, ``findings/2026-W47``,
    ``findings/2025`` (all weeks of a year but the newest)."""
    retired: Retired = field(default_factory=list)
    """Files that were part of the store, and since when (UTC seconds) they are not."""
    shared: dict[str, int] = field(default_factory=dict)
    """How many rows each file holds that several days share, those that belong to none too."""
    commits: list[str] = field(default_factory=list)
    """Names of the last commits to a store in a bucket; empty for one in a folder."""

    @classmethod
    def new(cls, venue: str | None = None) -> Manifest:
        """The manifest of an empty store."""
        return cls(store=uuid.uuid4().hex[:12], venue=venue)

    def named(self) -> set[str]:
        """Paths of all files that are part of the store, relative to its folder."""
        paths = {s.path for day in self.days.values() for s in day.segments}
        paths |= {r.path for r in self.rejects}
        paths |= {k.path for k in self.kept.values()}
        return paths

    def rows(self) -> dict[str, int | None]:
        """How many rows each file holds, by its path; None where it is not known."""
        every: list[Segment | RejectFile | Kept] = [
            s for day in self.days.values() for s in day.segments]
        found = {entry.path: entry.rows for entry in (*every, *self.rejects, *self.kept.values())}
        return found | {path: rows for path, rows in self.shared.items() if path in found}

    def retire(self, folder: Path, paths: Collection[str]) -> list[str]:
        """Take note of files that no longer belong to the store; returns those to be removed now.

        See :func:`remanence.pipelines.store.retired.removable`.
        """
        named = self.named()
        self.retired, old = removable(
            folder, retire(folder / NAME, self.retired, set(paths) - named), named)
        return old

    def copy(self) -> Manifest:
        """One to be changed: the days' lists are its own, their segments are shared."""
        days = {day: Day(entry.changed, list(entry.segments)) for day, entry in self.days.items()}
        return replace(self, days=days, rejects=list(self.rejects), kept=dict(self.kept),
                       retired=list(self.retired), shared=dict(self.shared),
                       commits=list(self.commits))

    def to_json(self) -> str:
        """The text of ``manifest.json``."""
        used = sorted({s.path for day in self.days.values() for s in day.segments
                       if s.at is not None})
        number = {path: count for count, path in enumerate(used)}

        def told(entry: object) -> dict[str, Any]:
            fields = dict(vars(entry))
            if isinstance(entry, Segment):
                if entry.at is None:
                    del fields["at"]
                else:  # (by its number, for each day of a month names it)
                    fields = {"shared": number[entry.path], **fields}
                    del fields["path"]
            return fields

        fields = {name: value for name, value in vars(self).items() if value or name != "commits"}
        fields["shared"] = [{"path": path, "rows": self.shared[path]} for path in used]
        return disk.sealed(json.dumps({"format": FORMAT, "version": VERSION, **fields},
                                      separators=(",", ":"), default=told))

    @classmethod
    def from_json(cls, text: str, path: Path | str) -> Manifest:
        """Read a manifest of this or an older version.

        Raises
        ------
        StoreError
            It is damaged, is no store of ours, or was written by a newer version.
        """
        try:
            raw = json.loads(text)
        except (ValueError, RecursionError):
            raise _damaged(path, "it is not JSON") from None
        if not isinstance(raw, dict) or raw.get("format") != FORMAT:
            raise StoreError(f"{path} is not a store of Remanence; set store in the venue file "
                             "to a folder of its own")
        version = raw.get("version")
        seal = disk.seal_holds(text)
        if seal is False or (seal is None and version in range(_SEALED_SINCE, VERSION + 1)):
            raise _damaged(path, "its text is not what was written")
        raw = _upgraded(raw, path)
        try:
            shared = [(_path(entry["path"]), _number(entry["rows"])) for entry in raw["shared"]]
            return cls(
                store=_text(raw["store"]), venue=_text(raw["venue"]) if raw["venue"] else None,
                generation=_number(raw["generation"]),
                days={date.fromisoformat(day).isoformat(): _day(entry, shared)
                      for day, entry in raw["days"].items()},
                rejects=[_reject_file(entry) for entry in raw["rejects"]],
                kept={_text(name): Kept(_path(entry["path"]), None if entry["rows"] is None
                                        else _number(entry["rows"]))
                      for name, entry in raw["kept"].items()},
                retired=[(_path(p), _moment(t)) for p, t in raw["retired"]],
                shared=dict(shared), commits=[_text(name) for name in raw.get("commits", [])],
            )
        except (KeyError, TypeError, ValueError, AttributeError, OverflowError):
            raise _damaged(path, "parts are missing") from None


class DamagedManifestError(StoreError):
    """The store is ours, and its manifest is lost: it can be made anew from the other files."""


def _damaged(path: Path | str, why: str) -> StoreError:
    return DamagedManifestError(
        f"{path} is damaged ({why}); have it made anew from the store's files and the logs with: "
        "remanence verify VENUE --repair")


def _text(value: object) -> str:
    if not isinstance(value, str) or not value.isprintable():
        raise ValueError(value)
    return value


def _number(value: object) -> int:
    if type(value) is not int or not -_WHOLE <= value < _WHOLE:
        raise ValueError(value)
    return value


def _moment(value: object) -> float:
    if type(value) not in (int, float) or not abs(value) < _WHOLE:  # type: ignore[arg-type]
        raise ValueError(value)
    return float(value)  # type: ignore[arg-type]


def _path(value: object) -> str:
    if not disk.is_below(value):
        raise ValueError(value)
    return str(value)


def _day(entry: Any, shared: list[tuple[str, int]]) -> Day:
    segments = []
    for held in entry["segments"]:
        rows, first, last = (_number(held[name]) for name in ("rows", "first", "last"))
        if "shared" in held:
            number, at = _number(held["shared"]), _number(held["at"])
            if not 0 <= number < len(shared) or not 0 <= at <= at + rows <= shared[number][1]:
                raise ValueError(held)
            path = shared[number][0]
            segments.append(Segment(path, held["kind"], rows, first, last, at))
        else:
            segments.append(Segment(_path(held["path"]), held["kind"], rows, first, last))
    if any(s.kind not in ("edges", "levels") for s in segments):
        raise ValueError(entry)
    return Day(_number(entry["changed"]), segments)


def _reject_file(entry: Any) -> RejectFile:
    names = entry["files"]
    if not isinstance(names, list) or not all(isinstance(name, str) for name in names):
        raise ValueError(entry)
    return RejectFile(_path(entry["path"]), _number(entry["rows"]), names,
                      _number(entry["first"]), _number(entry["last"]))


def _with_lines_of_rejects(raw: dict[str, Any]) -> dict[str, Any]:
    """Version 2 tells the lines that a file of rejects spans; before, it may have been any."""
    rejects = [{"first": 0, "last": 2**62, **entry} for entry in raw["rejects"]]
    return raw | {"rejects": rejects}


def _channel_by_channel(raw: dict[str, Any]) -> dict[str, Any]:
    """Version 3 writes levels channel by channel, and reads them in the order of time too."""
    return raw


def _all_by_name(raw: dict[str, Any]) -> dict[str, Any]:
    """Version 4 names its venue, and the files of forecasts and findings with the others."""
    kept = {name: {"path": raw[name], "rows": None}
            for name in ("files", "clock_events") if raw[name]}
    return raw | {"venue": None, "kept": kept}


def _days_may_share(raw: dict[str, Any]) -> dict[str, Any]:
    """Version 5 joins the days of a finished month into one file a kind."""
    return raw | {"shared": []}


def _weeks_may_share(raw: dict[str, Any]) -> dict[str, Any]:
    """Version 6 joins the findings of earlier weeks into one file a year."""
    return raw


UPGRADES: dict[int, Callable[[dict[str, Any]], dict[str, Any]]] = {
    1: _with_lines_of_rejects, 2: _channel_by_channel, 3: _all_by_name,
    4: _days_may_share, 5: _weeks_may_share}
"""From a version to the step that makes the next one out of it."""


def _upgraded(raw: dict[str, Any], path: Path | str) -> dict[str, Any]:
    version = raw.get("version")
    if type(version) is not int or abs(version) > _WHOLE:
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
"""The store read or written last: the text of its manifest, and what it says. Parsing the text of
ten years takes 40 times as long as reading it."""

BUCKET = ".bucket"
"""Lies in the copy of a store that is in a bucket, and holds its address."""

PUBLISH: dict[Path, Callable[[Manifest], None]] = {}
"""By folder: what puts a manifest in force where the folder is a copy, before it is in force in
the folder too. See :mod:`remanence.pipelines.store.remote`."""

_BEFORE_A_MANIFEST = (LOCK, disk.UNFINISHED, NAME)
"""What a writer that was killed in its first step may leave behind."""


def read_manifest(folder: Path) -> Manifest | None:
    """The manifest of the store in ``folder``; None where there is no store yet.

    It is read afresh every time, and made sense of where its text has changed. Whoever wants
    to change it takes a copy.

    Raises
    ------
    StoreError
        It is damaged or cannot be read, or the folder holds something that is not ours.
    """
    path = folder / NAME
    try:
        text = path.read_text("utf-8")
    except FileNotFoundError:
        _refuse_what_is_not_ours(folder)
        return None
    except NotADirectoryError:
        raise StoreError(f"{folder} cannot be the store: a part of the path is a file") from None
    except UnicodeDecodeError:
        raise _damaged(path, "it is not text") from None
    except OSError as error:
        raise StoreError(f"{path} cannot be read: {error.strerror or error}") from None
    last = _LAST.get(path)
    if last is not None and last[0] == text:
        return last[1]
    manifest = Manifest.from_json(text, path)
    _remember(path, text, manifest)
    return manifest


def _remember(path: Path, text: str, manifest: Manifest) -> None:
    _LAST.clear()
    _LAST[path] = text, manifest


def _refuse_what_is_not_ours(folder: Path) -> None:
    """A folder that is in use, and has no manifest of ours, is no place for a store."""
    try:
        names = sorted(os.listdir(folder))  # noqa: PTH208 (names alone are looked at)
    except FileNotFoundError:
        return
    except OSError as error:
        raise StoreError(f"{folder} cannot be read: {error.strerror or error}") from None
    if BUCKET in names:  # a copy that is being fetched: its files come before the manifest
        return
    if "signals" in names and any((folder / "signals").glob("*/*.parquet")):
        raise DamagedManifestError(
            f"{folder} holds signals but its {NAME} is missing; restore it from a copy, or have "
            "it made anew with: remanence verify VENUE --repair")
    other = [name for name in names if name not in _BEFORE_A_MANIFEST
             and not name.startswith(f".{NAME}.")]
    if other:
        raise StoreError(
            f"{folder} cannot be the store: it has no {NAME} and is not empty (found "
            f"{', '.join(map(repr, other[:3]))}{', ...' if other[3:] else ''}); set store in the "
            "venue file to a folder of its own. Nothing was written there")


def write_manifest(folder: Path, manifest: Manifest) -> None:
    """Put ``manifest`` in force: atomic, and on the disk when this returns."""
    if folder in PUBLISH:
        PUBLISH[folder](manifest)
    text = manifest.to_json()
    disk.replace_file(folder / NAME, text.encode())
    _remember(folder / NAME, text, manifest.copy())


def name_files(folder: Path, manifest: Manifest, before: Collection[str]) -> None:
    """Put a manifest in force that names new files, and remove what nobody can still need.

    Parameters
    ----------
    folder : Path
        The store's; the writer's lock is held.
    manifest : Manifest
        The new one, whose new files have been written.
    before : collection of str
        The files that the one before it named.
    """
    named = manifest.named()
    disk.sync_names(folder, named - set(before))
    begun = [path for path in disk.unfinished(folder) if (folder / path).exists()]
    old = manifest.retire(folder, [*before, *begun])
    write_manifest(folder, manifest)
    disk.nothing_unfinished(folder)
    disk.remove(folder, old)
