"""Where weeks' findings lie: the newest weeks in a file each, those before in one a year.

So ten years are some twenty files. A week that is reported again lies in a file of its own beside
its year, and counts for what the year holds of it.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

from remanence.pipelines.store.disk import check, write_named
from remanence.pipelines.store.kept import kept_file
from remanence.pipelines.store.manifest import Kept, Manifest, name_files, read_manifest
from remanence.pipelines.store.remote import again_where_lost, writing
from remanence.pipelines.store.segments import unreadable
from remanence.shared.errors import StoreError, UnwritableStoreError
from remanence.shared.weeks import Week

NEWEST = 4
"""So many weeks stay in files of their own: they are the ones that are reported again."""
TOGETHER = 13
"""So many older ones are joined at a time: a year is written four times, not once a week."""
_WEEK = re.compile(r"findings/(\d{4}-W\d{2})")
SCHEMA = 3
"""Of a file of a year: ``weeks`` holds each week's file as it was."""


def name_of(week: Week) -> str:
    """What the manifest calls a week's findings."""
    return f"findings/{week}"


def year_of(name: str) -> str:
    """What the manifest calls the year of a week, by the week's name."""
    return name.partition("-W")[0]


class KeptWeeks:
    """What was kept of weeks, each file read once."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._manifest = read_manifest(folder) or Manifest.new()
        self._years: dict[str, dict[str, Any]] = {}

    def held(self, week: Week) -> Any:
        """The content of a week's file, out of its own or its year's; None where there is none.

        Raises
        ------
        StoreError, OSError, ValueError
            It is damaged, or cannot be read.
        """
        path = kept_file(self.folder, name_of(week), ".json", self._manifest)
        if path is not None:
            return json.loads(path.read_text(encoding="utf-8"))
        year = year_of(name_of(week))
        if year not in self._years:
            kept = self._manifest.kept.get(year)
            self._years[year] = weeks_in(self.folder / kept.path) if kept else {}
        return self._years[year].get(str(week))


def weeks_in(path: Path) -> dict[str, Any]:
    """The weeks that a file of a year holds, each as its own file was.

    Raises
    ------
    StoreError
        It is damaged, or cannot be read.
    """
    try:
        check(path)
        return dict(json.loads(path.read_text(encoding="utf-8"))["weeks"])
    except (OSError, ValueError, TypeError, KeyError) as error:
        raise unreadable(path, error) from None


def findings_held(kept: Any) -> int:
    """How many findings a kept file holds: a year's, a week's, or one of the first form."""
    if isinstance(kept, dict) and "weeks" in kept:
        return sum(findings_held(week) for week in kept["weeks"].values())
    return len(kept["said"] if isinstance(kept, dict) and "said" in kept else kept)


@again_where_lost
def join_weeks(folder: Path) -> list[str]:
    """Put weeks that lie in files of their own into their year's, where there are many of them.

    It is a commit like any other: until it is done the weeks' own files count.

    Parameters
    ----------
    folder : Path
        The store's.

    Returns
    -------
    list of str
        The years written, like ``findings/2026``.

    Raises
    ------
    UnwritableStoreError
        The store cannot be written; it is as it was.
    StoreError
        A year's file is damaged.
    """
    held = read_manifest(folder)
    if held is None or not _loose(held):
        return []
    with writing(folder):
        held = read_manifest(folder)
        if held is None:
            return []
        manifest = held.copy()
        years: dict[str, dict[str, Any]] = {}
        try:
            for name in _loose(manifest):
                year = year_of(name)
                try:
                    path = folder / manifest.kept[name].path
                    check(path)
                    content = json.loads(path.read_text(encoding="utf-8"))
                    findings_held(content)
                except (ValueError, TypeError, RecursionError, StoreError, FileNotFoundError):
                    continue  # verify tells of it; the others are joined
                if year not in years:
                    kept = manifest.kept.get(year)
                    years[year] = weeks_in(folder / kept.path) if kept else {}
                years[year][name.removeprefix("findings/")] = content
                del manifest.kept[name]
            for year, weeks in years.items():
                whole = {"schema": SCHEMA, "weeks": dict(sorted(weeks.items()))}
                data = (json.dumps(whole, ensure_ascii=False) + "\n").encode()
                path_of_year = write_named(folder, f"{year}-", ".json", data)
                manifest.kept[year] = Kept(path_of_year, findings_held(whole))
            if years:
                name_files(folder, manifest, held.named())
        except OSError as error:
            raise UnwritableStoreError(
                f"{folder} cannot be written: {error.strerror or error}; it is as it was") from None
    return sorted(years)


def _loose(manifest: Manifest) -> list[str]:
    """Weeks to be joined, oldest first."""
    weeks = sorted(name for name in manifest.kept if _WEEK.fullmatch(name))
    older = weeks[:-NEWEST]
    return older if len(older) >= TOGETHER else []
