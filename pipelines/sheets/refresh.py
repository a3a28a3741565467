"""Bring a venue's store and derived tables up to date, before anything is said of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from remanence.pipelines.readers import FORMATS
from remanence.pipelines.say import note
from remanence.shared.errors import RemanenceError, UnwritableStoreError
from remanence.shared.venue import Venue
from remanence.shared.venue_file import parse_venue
from remanence.shared.weeks import LAST, AskedWeek, Week

if TYPE_CHECKING:
    from remanence.pipelines.store.store import Store
    from remanence.shared.absent import Absent


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
    """A venue whose derived tables are up to date with its store and its file.

    ``venue`` is without the contacts that no log ever brought (:mod:`remanence.pipelines.ingest
    .absent`); ``absent`` are all channels of its file that never came.
    """

    venue: Venue
    path: Path
    store: Store
    absent: tuple[Absent, ...] = ()
    faults: tuple[str, ...] = ()
    """What kept the store from being written, a sentence each."""


class TakenIn(NamedTuple):
    """What was taken in: for people, in short, whether all is well, and in figures."""

    text: str
    brief: str
    """One line where nothing asks for more."""
    good: bool
    """Whether every log could be read and used."""
    figures: dict[str, int]


def take_in(
    given: str | Path, files: Sequence[Path] | None = None, *, retry_rejects: bool = False,
    now: datetime | None = None,
) -> TakenIn:
    """Ingest and derive.

    Parameters
    ----------
    given : str or Path
        The venue file or its folder.
    files : sequence of Path, optional
        Log files; default: those the venue file names.
    retry_rejects : bool, default False
        Take in earlier rejects that the venue file can now read.
    now : datetime, optional
        Records later than a day after it are set aside; default: what the machine's clock says.
    """
    from remanence.pipelines.derive.derive import derive
    from remanence.pipelines.ingest.absent import as_logged, seen_in
    from remanence.pipelines.ingest.ingest import ingest
    from remanence.pipelines.store.store import Store

    venue, path = load_venue(given)
    summary = ingest(venue, path, files, retry_rejects=retry_rejects, now=now)
    store = Store.open(venue, path)
    derived = derive(as_logged(venue, seen_in(store, venue)[0]), path, store)
    figures = {"files": len(summary.files), "read": summary.read, "taken": summary.taken,
               "repeated": summary.repeated, "rejected": summary.rejected,
               "days_changed": len(summary.days), "days_derived": derived.days}
    text = f"{summary.text()}\n{derived.text()}"
    calm = summary.good and not summary.rejected
    brief = (f"{summary.taken:,} new records" if summary.taken else "No new records") + (
        f" in {len(summary.files):,} log files")
    return TakenIn(text, brief if calm else text, summary.good, figures)


def prepare(given: str | Path) -> Ready:
    """Bring the derived tables up to date before a sheet is written.

    Raises
    ------
    RemanenceError
        The store holds no records yet.
    """
    from remanence.pipelines.derive.derive import derive
    from remanence.pipelines.ingest.absent import absent_channels, as_logged, seen_in
    from remanence.pipelines.store.order_log import on_the_shelf
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
    known, strangers = seen_in(store, venue)
    ready = Ready(as_logged(venue, known), path, store,
                  tuple(absent_channels(venue, known, strangers)))
    try:
        derive(ready.venue, path, store)
    except UnwritableStoreError as error:
        ready = _beside_the_store(ready, error)
    return replace(ready, venue=on_the_shelf(ready.venue, path))


def _beside_the_store(ready: Ready, error: UnwritableStoreError) -> Ready:
    """What can be worked out without writing to the store."""
    from remanence.pipelines.derive.derive import derive
    from remanence.pipelines.store.store import Store
    from remanence.pipelines.store.view import forget_views, make_view

    try:
        make_view(ready.store.folder)
        view = Store.open(ready.venue, ready.path)
        derive(ready.venue, ready.path, view)
    except (OSError, UnwritableStoreError):
        forget_views()
        return replace(ready, faults=(
            f"{error} Nor is there room elsewhere: this is told from what was worked out before",))
    note(f"note: {error} This was worked out beside the store, and is not kept there.")
    return replace(ready, store=view)


def newest_week(venue: Venue, store: Store) -> Week:
    """The newest week with two days of log or more; with less, the newest with any.

    A scheduler that runs on a Monday morning thereby reports on the week that ended. Days that
    lie in the future, which a store of an earlier version can hold, count only without others.
    """
    from remanence.pipelines.clocks.now import latest_possible

    every = sorted(store.days())
    latest = latest_possible().date()
    days = [day for day in every if day <= latest] or every
    newest = Week.of(days[-1])
    before = newest.plus(-1)
    in_newest = [day for day in days if Week.of(day) == newest]
    fresh = len(in_newest) < 2 and in_newest[0] - newest.monday < timedelta(days=1)
    if fresh and any(Week.of(day) == before for day in days):
        return before
    return newest


def last_week(venue: Venue) -> Week:
    """The week that ended last by the venue's calendar, whether or not anything was logged."""
    from remanence.pipelines.clocks.now import stated_now

    return Week.at(stated_now() or datetime.now(UTC), venue.zone).plus(-1)


def asked_week(venue: Venue, store: Store, week: AskedWeek | None) -> Week:
    """The week that was asked for; the newest with a log where none was.

    Raises
    ------
    RemanenceError
        It lies in the future, and there is no log of it.
    """
    from remanence.pipelines.clocks.now import latest_possible

    if week is None:
        return newest_week(venue, store)
    if week == LAST:
        return last_week(venue)
    if week.monday > latest_possible().date() and not any(
        Week.of(day) == week for day in store.days()
    ):
        raise RemanenceError(f"week: found {week}, which lies in the future; the newest week of "
                             f"the log is {newest_week(venue, store)}")
    return week
