"""Sheets that would come out as they are: told again from what is kept, not worked out again.

A weekly run keeps beside the store what its sheets rested on, where they lie and what was printed.
Where the next run finds all of it as it was, it prints the same and writes nothing.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from importlib import import_module
from pathlib import Path
from typing import Any

from remanence.pipelines.clocks.now import stated_now
from remanence.pipelines.ingest.touched import TOUCHED
from remanence.pipelines.sheets.sheet import SheetOutcome, SheetRun, program_version
from remanence.pipelines.store.disk import UNFINISHED, replace_file
from remanence.pipelines.store.order_log import order_path
from remanence.pipelines.store.service_log import service_path
from remanence.shared.findings import URGENCIES

NAME = "unchanged.json"
"""The file in the store's folder. It may be deleted: the next run works everything out."""

_ROOMS = ("analytics", "dashboards", "pipelines", "shared")
_OF_A_RUN = (NAME, TOUCHED, UNFINISHED, ".lock")
"""Files in the store that any run touches and no sheet rests on."""


@dataclass(frozen=True)
class KeptOutcome(SheetOutcome):
    """A sheet that an earlier run wrote, and that this one would write again."""

    folder: Path
    told: str
    urgencies: tuple[str, ...]

    def has(self, urgency: str | None) -> bool:
        """Whether the sheet tells a finding that urgent, or more."""
        return urgency in self.urgencies

    def text(self) -> str:
        """What that run printed."""
        return self.told

    def brief(self) -> str:
        """The same."""
        return self.told


def kept_outcomes(run: SheetRun) -> dict[str, SheetOutcome] | None:
    """The outcomes of the run before, by the sheet's name.

    Parameters
    ----------
    run : SheetRun
        The run that is asked for.

    Returns
    -------
    dict or None
        None where anything that a sheet rests on has changed since, or a sheet itself.
    """
    try:
        held = json.loads((run.ready.store.folder / NAME).read_text("utf-8"))
        if held["rests_on"] != _rests_on(run):
            return None
        kept = {name: _kept(Path(sheet["folder"]), sheet) for name, sheet in
                held["sheets"].items()}
    except (OSError, ValueError, KeyError, TypeError, RecursionError, AttributeError):
        return None
    return None if None in kept.values() else {name: one for name, one in kept.items() if one}


def _kept(folder: Path, held: Mapping[str, Any]) -> SheetOutcome | None:
    if _digest(_looks(folder)) != held["files"]:
        return None
    return KeptOutcome(folder, str(held["told"]), tuple(held["urgencies"]))


def logged_so_far(run: SheetRun) -> str:
    """What marks the records that a run starts from; other writers change it."""
    return _digest(sorted((str(day), mark) for day, mark in run.ready.store.days().items()))


def keep_outcomes(run: SheetRun, logged: str, outcomes: Mapping[str, SheetOutcome]) -> None:
    """Keep what a run said, for a run that would say the same.

    Parameters
    ----------
    run : SheetRun
        The run.
    logged : str
        :func:`logged_so_far` when it began: where records came in meanwhile, nothing is kept.
    outcomes : mapping
        What each sheet told, by its name; nothing is kept where one has a fault.
    """
    if logged != logged_so_far(run) or any(one.faults for one in outcomes.values()):
        return
    held = {
        "rests_on": _rests_on(run),
        "sheets": {name: {
            "folder": str(one.folder.resolve()), "told": one.brief(),
            "urgencies": [urgency for urgency in URGENCIES if one.has(urgency)],
            "files": _digest(_looks(one.folder)),
        } for name, one in outcomes.items()},
    }
    with contextlib.suppress(OSError):  # a store that may only be read keeps nothing
        replace_file(run.ready.store.folder / NAME, (json.dumps(held, indent=1) + "\n").encode())


def _rests_on(run: SheetRun) -> str:
    """A digest of all that the sheets are made from: records, files, program, day, and options."""
    ready = run.ready
    serviced = service_path(ready.venue, ready.path)
    logs = set(ready.store.files()["file"])  # a log counts by the records that came of it
    files: list[object] = [
        *_looks(ready.store.folder, _OF_A_RUN),
        *(_look(path) for path in sorted(ready.path.parent.iterdir())
          if path.is_file() and path.name not in logs),
        *(_look(path) for path in (serviced, order_path(ready.venue, ready.path))
          if path and path.exists()),
    ]
    program = [look for room in _ROOMS
               for look in _looks(Path(str(import_module(f"remanence.{room}").__file__)).parent)]
    day = stated_now() or datetime.now(ready.venue.zone).date()
    return _digest([program_version(), program, files, str(day), run.language, str(run.out),
                    sorted((name, str(value)) for name, value in run.options.items())])


def _looks(folder: Path, but: tuple[str, ...] = ()) -> list[object]:
    return [_look(path) for path in sorted(_files(folder)) if path.name not in but]


def _files(folder: Path) -> Iterator[Path]:
    for where, folders, names in os.walk(folder):
        folders[:] = [name for name in folders if name != "__pycache__"]
        yield from (Path(where) / name for name in names)


def _look(path: Path) -> object:
    """What shows that a file was changed, without reading it."""
    seen = path.stat()
    return str(path), seen.st_size, seen.st_mtime_ns


def _digest(of: object) -> str:
    return hashlib.sha256(json.dumps(of).encode()).hexdigest()
