"""Bring a venue's store and derived tables up to date, before anything is said of them."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from remanence.pipelines.readers import FORMATS
from remanence.shared.errors import RemanenceError, UnwritableStoreError
from remanence.shared.venue import Venue
from remanence.shared.venue_file import parse_venue
from remanence.shared.weeks import Week

if TYPE_CHECKING:
    from remanence.pipelines.store.store import Store


def venue_file(given: str | Path) -> Path:
    """The venue file itself, from its path or the folder it is in.

    Raises
    ------
    RemanenceError
        There is no such file.
    """
    path = Path(given)
    if path.is_dir():
        path = path / "venue.toml"
    if not path.is_file():
        folder = " (a folder without a venue.toml in it)" if path.parent.is_dir() else ""
        raise RemanenceError(f"{path} does not exist{folder}; give the venue file or its folder")
    return path


def load_venue(given: str | Path) -> tuple[Venue, Path]:
    """Read and check a venue file.

    Parameters
    ----------
    given : str or Path
        The file, or the folder it is in.

    Returns
    -------
    venue : Venue
    path : Path
        The file; what it names is relative to its folder.

    Raises
    ------
    RemanenceError
        The file cannot be read.
    VenueFileError
        The file is at fault.
    """
    path = venue_file(given)
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        raise RemanenceError(
            f"{path}, line {line}: found a byte that is not UTF-8; save the file as UTF-8"
        ) from None
    except OSError as error:
        raise RemanenceError(f"{path}: cannot be read: {error.strerror}") from None
    return parse_venue(text, str(path), FORMATS), path


@dataclass(frozen=True)
class Ready:
    """A venue whose derived tables are up to date with its store and its file."""

    venue: Venue
    path: Path
    store: Store
    faults: tuple[str, ...] = ()
    """What kept the store from being written, a sentence each."""


def take_in(
    given: str | Path, files: Sequence[Path] | None = None, *, retry_rejects: bool = False
) -> tuple[str, bool]:
    """Ingest and derive; returns what to print, and whether every log could be read and used.

    Parameters
    ----------
    given : str or Path
        The venue file or its folder.
    files : sequence of Path, optional
        Log files; default: those the venue file names.
    retry_rejects : bool, default False
        Take in earlier rejects that the venue file can now read.
    """
    from remanence.pipelines.derive.derive import derive
    from remanence.pipelines.ingest.ingest import ingest
    from remanence.pipelines.store.store import Store

    venue, path = load_venue(given)
    summary = ingest(venue, path, files, retry_rejects=retry_rejects)
    derived = derive(venue, path, Store.open(venue, path))
    return f"{summary.text()}\n{derived.text()}", (
        not summary.faults and not summary.all_rejected)


def prepare(given: str | Path) -> Ready:
    """Bring the derived tables up to date before a sheet is written.

    Raises
    ------
    RemanenceError
        The store holds no records yet.
    """
    from remanence.pipelines.derive.derive import derive
    from remanence.pipelines.store.store import Store

    venue, path = load_venue(given)
    store = Store.open(venue, path)
    if not store.days():
        reasons = store.rejects()["reason"].value_counts(sort=True)
        why = f"take logs in first with remanence ingest {path}" if reasons.is_empty() else (
            f"all {reasons['count'].sum():,} lines of the logs were rejected, most often because "
            f"of this: {reasons['reason'][0]}. See them with remanence export {path} rejects "
            "rejects.csv")
        raise RemanenceError(f"{store.folder}: the store holds no records; {why}")
    try:
        derive(venue, path, store)
    except UnwritableStoreError as error:
        return _beside_the_store(venue, path, store, error)
    return Ready(venue, path, store)


def _beside_the_store(
    venue: Venue, path: Path, store: Store, error: UnwritableStoreError
) -> Ready:
    """What can be worked out without writing to the store."""
    from remanence.pipelines.derive.derive import derive
    from remanence.pipelines.store.store import Store
    from remanence.pipelines.store.view import forget_views, make_view

    try:
        make_view(store.folder)
        view = Store.open(venue, path)
        derive(venue, path, view)
    except (OSError, UnwritableStoreError):
        forget_views()
        return Ready(venue, path, store, (
            f"{error} Nor is there room elsewhere: this is told from what was worked out before",))
    print(f"note: {error} This was worked out beside the store, and is not kept there.",
          file=sys.stderr)
    return Ready(venue, path, view)


def newest_week(venue: Venue, store: Store) -> Week:
    """The newest week with two days of log or more; with less, the newest with any.

    A scheduler that runs on a Monday morning thereby reports on the week that ended.
    """
    days = sorted(store.days())
    newest = Week.of(days[-1])
    before = newest.plus(-1)
    in_newest = [day for day in days if Week.of(day) == newest]
    fresh = len(in_newest) < 2 and in_newest[0] - newest.monday < timedelta(days=1)
    if fresh and any(Week.of(day) == before for day in days):
        return before
    return newest
