"""A venue from Python: its tables as Polars or pandas, and every analysis on them.

>>> import remanence  # doctest: +SKIP
>>> house = remanence.open_venue("demo")  # doctest: +SKIP
>>> house.actuations(lock="bench-drawer").select("command_time", "latency_ms")  # doctest: +SKIP
"""

from __future__ import annotations

import os
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Literal, overload

import polars as pl

from remanence.analytics.conditions.diagnosis import diagnose
from remanence.analytics.history import History
from remanence.analytics.parts.wear import LockWear, remaining_life
from remanence.pipelines.sheets.load import load_history, load_table
from remanence.pipelines.sheets.refresh import newest_week, prepare
from remanence.pipelines.store.store import Store
from remanence.shared.errors import RemanenceError
from remanence.shared.findings import Finding
from remanence.shared.keys import nearest
from remanence.shared.tables import RESULTS, TABLES
from remanence.shared.venue import Venue
from remanence.shared.weeks import Week, day_start

if TYPE_CHECKING:
    import pandas as pd

    from remanence.analytics.timing.gather import Timing

DEMO = "demo"
"""The folder in which ``remanence demo`` builds its venue unless told otherwise."""

Moment = datetime | date | None
"""A span's end: an aware datetime, or a day in the venue's calendar."""


class OpenVenue:
    """A venue whose store is up to date; make one with :func:`open_venue`.

    Attributes
    ----------
    venue : Venue
        The checked venue file.
    path : Path
        The file.
    """

    def __init__(self, venue: Venue, path: Path, store: Store) -> None:
        self.venue = venue
        self.path = path
        self._store = store

    @overload
    def table(
        self, name: str, start: Moment = ..., end: Moment = ..., *, lock: str | None = ...,
        as_pandas: Literal[False] = ...,
    ) -> pl.DataFrame: ...

    @overload
    def table(
        self, name: str, start: Moment = ..., end: Moment = ..., *, lock: str | None = ...,
        as_pandas: Literal[True],
    ) -> pd.DataFrame: ...

    def table(
        self, name: str, start: Moment = None, end: Moment = None, *, lock: str | None = None,
        as_pandas: bool = False,
    ) -> pl.DataFrame | pd.DataFrame:
        """One table: kept in the store, or worked out here.

        Parameters
        ----------
        name : str
            A name of :data:`remanence.shared.tables.TABLES` (kept) or of
            :data:`remanence.shared.tables.RESULTS` (``findings``, ``wear``, ``timing``: worked
            out week by week), which tell its columns and units.
        start, end : datetime or date, optional
            Only rows from ``start`` (inclusive) to ``end`` (exclusive). A day begins at the
            venue's own midnight. Of what is worked out: every week that the span touches;
            without a span the newest week of the log.
        lock : str, optional
            Only this lock's rows, where the table has locks.
        as_pandas : bool, default False
            As pandas instead of Polars; times keep their zone, UTC.

        Returns
        -------
        polars.DataFrame or pandas.DataFrame
            The table's columns, sorted as it says; no row where nothing falls into the span.

        Raises
        ------
        RemanenceError
            There is no such table or lock, ``start`` or ``end`` has no time zone, ``end`` does not
            come after ``start``, or, of what is worked out, the span holds no log.
        """
        if name not in TABLES and name not in RESULTS:
            advice = nearest(name, [*TABLES, *RESULTS]).replace("known keys", "known tables")
            raise RemanenceError(f"table: found {name!r}; {advice}")
        if lock is not None and lock not in self.venue.locks_by_id:
            advice = nearest(lock, list(self.venue.locks_by_id)).replace("known keys", "locks")
            raise RemanenceError(f"lock: found {lock!r}; {advice}")
        first, last = self._moment(start), self._moment(end)
        if first is not None and last is not None and last <= first:
            raise RemanenceError(
                f"span: found the end {last.isoformat()} at or before the start "
                f"{first.isoformat()}; give an end that comes later"
            )
        if name in RESULTS:
            frame = pl.concat([self._result(name, week) for week in self._weeks(first, last)])
        else:
            frame = load_table(self.venue, self.path, name, first, last)
        if lock is not None and "lock" in frame.columns:
            frame = frame.filter(pl.col("lock") == lock)
        elif lock is not None and "subject_kind" in frame.columns:
            frame = frame.filter(
                (pl.col("subject_kind") == "lock") & (pl.col("subject") == lock))
        return frame.to_pandas() if as_pandas else frame

    def _moment(self, moment: Moment) -> datetime | None:
        if moment is None:
            return None
        if not isinstance(moment, datetime):
            return day_start(moment, self.venue.zone)
        if moment.tzinfo is None:
            raise RemanenceError(
                f"time: found {moment.isoformat()} without a time zone; give an aware datetime, or "
                "a date"
            )
        return moment.astimezone(UTC)

    def _weeks(self, start: datetime | None, end: datetime | None) -> list[Week]:
        """The weeks with a log that the span touches; without a span the newest."""
        if start is None and end is None:
            return [newest_week(self.venue, self._store)]
        days = sorted(self._store.days())
        first = max(Week.of(days[0]), Week.at(start, self.venue.zone)) if start else (
            Week.of(days[0]))
        # The end is exclusive: a span that ends on a Monday's midnight does not touch its week.
        latest = Week.of(days[-1])
        last = min(
            latest, Week.at(end - timedelta(microseconds=1), self.venue.zone)
        ) if end else latest
        weeks = [first.plus(step) for step in range((last.monday - first.monday).days // 7 + 1)]
        if not weeks:
            raise RemanenceError(
                f"span: found no log in it; the log runs from {days[0]} to {days[-1]}"
            )
        return weeks

    def _result(self, name: str, week: Week) -> pl.DataFrame:
        from remanence.analytics.health.result_rows import timing_rows, wear_rows

        if name == "findings":
            from remanence.dashboards.finding_rows import findings_rows
            from remanence.dashboards.finding_words import FindingText
            from remanence.dashboards.page import language

            text = FindingText(language("en"), self.venue)
            return findings_rows(self.findings(week), week, text)
        if name == "wear":
            return wear_rows(self.wear(week), week)
        return timing_rows(self.timing(week), week)

    def actuations(
        self, start: Moment = None, end: Moment = None, *, lock: str | None = None
    ) -> pl.DataFrame:
        """The actuations of a span: one row per command edge that should release a lock.

        Parameters
        ----------
        start, end : datetime or date, optional
            Only commands from ``start`` (inclusive) to ``end`` (exclusive).
        lock : str, optional
            Only this lock's.

        Returns
        -------
        polars.DataFrame
            Schema :data:`remanence.shared.tables.ACTUATIONS`.

        Raises
        ------
        RemanenceError
            As in :meth:`table`.
        """
        return self.table("actuations", start, end, lock=lock)

    def openings(
        self, start: Moment = None, end: Moment = None, *, lock: str | None = None
    ) -> pl.DataFrame:
        """Every time a lock opened with no releasing command.

        Parameters
        ----------
        start, end : datetime or date, optional
            Only openings from ``start`` (inclusive) to ``end`` (exclusive).
        lock : str, optional
            Only this lock's.

        Returns
        -------
        polars.DataFrame
            Schema :data:`remanence.shared.tables.OPENINGS`.

        Raises
        ------
        RemanenceError
            As in :meth:`table`.
        """
        return self.table("openings", start, end, lock=lock)

    def signals(self, start: Moment = None, end: Moment = None) -> pl.LazyFrame:
        """The records themselves, lazily: there may be a billion of them.

        Parameters
        ----------
        start, end : datetime or date, optional
            From ``start`` (inclusive) to ``end`` (exclusive).

        Returns
        -------
        polars.LazyFrame
            Schema :data:`remanence.shared.tables.SIGNALS`, sorted by time.

        Raises
        ------
        RemanenceError
            ``start`` or ``end`` has no time zone.
        """
        first, last = self._moment(start), self._moment(end)
        days = [
            day for day in self._store.days()
            if (first is None or day >= first.date()) and (last is None or day <= last.date())
        ]
        frame = self._store.scan_signals(days)
        if first is not None:
            frame = frame.filter(pl.col("time") >= first)
        if last is not None:
            frame = frame.filter(pl.col("time") < last)
        return frame

    def history(self, week: str | Week | None = None, *, weeks: int = 60) -> History:
        """What the analyses of one week look at.

        Parameters
        ----------
        week : str or Week, optional
            Like ``2026-W47``; default: the newest week of the log.
        weeks : int, default 60
            How many weeks before its end are loaded.

        Returns
        -------
        History
            The venue's tables up to the end of the week.

        Raises
        ------
        RemanenceError
            ``week`` is not of that form.
        """
        if isinstance(week, str):
            week = Week.parse(week)
        chosen = week or newest_week(self.venue, self._store)
        return load_history(self.venue, self.path, chosen, weeks=weeks)

    def findings(self, week: str | Week | None = None) -> list[Finding]:
        """What is to be said of a week.

        Parameters
        ----------
        week : str or Week, optional
            Like ``2026-W47``; default: the newest week of the log.

        Returns
        -------
        list of Finding
            Most urgent first, then surest
            (:func:`remanence.analytics.conditions.diagnosis.diagnose`).

        Raises
        ------
        RemanenceError
            ``week`` is not of that form.
        """
        return diagnose(self.history(week))

    def wear(self, week: str | Week | None = None) -> list[LockWear]:
        """What drift says of each lock's remaining life at the end of a week.

        Parameters
        ----------
        week : str or Week, optional
            Like ``2026-W47``; default: the newest week of the log.

        Returns
        -------
        list of LockWear
            One a lock (:func:`remanence.analytics.parts.wear.remaining_life`).

        Raises
        ------
        RemanenceError
            ``week`` is not of that form.
        """
        return remaining_life(self.history(week))

    def timing(self, week: str | Week | None = None) -> Timing:
        """Pulse, wait and cue for each lock, from what it did up to the end of a week.

        Parameters
        ----------
        week : str or Week, optional
            Like ``2026-W47``; default: the newest week of the log.

        Returns
        -------
        Timing
            Models and answers (:func:`remanence.analytics.timing.gather.timing`).

        Raises
        ------
        RemanenceError
            ``week`` is not of that form.
        """
        from remanence.analytics.timing.gather import timing

        return timing(self.history(week))


def open_demo() -> OpenVenue:
    """The demo venue, from the folder ``demo`` here or in a folder above.

    Returns
    -------
    OpenVenue
        That of the folder ``REMANENCE_DEMO`` where that environment variable is set.

    Raises
    ------
    RemanenceError
        There is none; says how to make it.
    """
    named = os.environ.get("REMANENCE_DEMO")
    here = Path.cwd()
    places = [Path(named)] if named else [above / DEMO for above in (here, *here.parents)]
    found = next((place for place in places if (place / "venue.toml").is_file()), None)
    if found is None:
        raise RemanenceError(f"no demo venue in {places[0]}{'' if named else ' or above'}; make it "
                             f"there with: remanence demo --out {places[0]}")
    return open_venue(found)


def open_venue(given: str | Path) -> OpenVenue:
    """Open a venue whose logs have been taken in.

    Parameters
    ----------
    given : str or Path
        The venue file, or the folder it is in.

    Returns
    -------
    OpenVenue

    Raises
    ------
    RemanenceError
        The venue file is at fault, or its store holds no records yet.
    """
    ready = prepare(given)
    return OpenVenue(ready.venue, ready.path, ready.store)
