"""Load the tables of a venue: what was derived, what was logged, what was serviced."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import datetime, timedelta
from pathlib import Path

import polars as pl

from remanence.analytics.history import History
from remanence.pipelines.derive.store import TIME_OF as DERIVED
from remanence.pipelines.derive.store import Manifest, read_derived, read_manifest
from remanence.pipelines.store.forecasts import read_forecasts
from remanence.pipelines.store.service_log import read_service
from remanence.pipelines.store.store import Store
from remanence.shared.errors import RemanenceError
from remanence.shared.tables import TABLES
from remanence.shared.venue import Venue
from remanence.shared.weeks import Week

TIME_OF = {
    **DERIVED, "signals": "time", "clock_events": "time", "service": "date", "forecasts": "made",
}
"""The column that says when, of every table that has one."""


def load_table(
    venue: Venue, venue_path: str | Path, name: str,
    start: datetime | None = None, end: datetime | None = None, *,
    columns: Collection[str] | None = None, derived: Manifest | None = None,
) -> pl.DataFrame:
    """One table of a venue, as it is stored.

    Parameters
    ----------
    venue : Venue
        The venue.
    venue_path : str or Path
        Its file.
    name : str
        A table of :mod:`remanence.shared.tables`.
    start, end : datetime, optional
        Only rows from ``start`` (inclusive) to ``end`` (exclusive), UTC.
    columns : collection of str, optional
        Of a derived table only these are read, the ones that it is sorted by among them.
    derived : Manifest, optional
        The state of the derived tables to read; default: the one in force.

    Returns
    -------
    polars.DataFrame
        In the table's own schema and order.

    Raises
    ------
    RemanenceError
        There is no such table, or it cannot be read.
    """
    if name not in TABLES:
        raise RemanenceError(f"table: found {name!r}; there are {', '.join(sorted(TABLES))}")
    store = Store.open(venue, venue_path)
    if name in DERIVED:
        return read_derived(store.folder, name, start, end, columns=columns, manifest=derived)
    if name == "signals":
        days = [
            day for day in store.days()
            if (start is None or day >= start.date()) and (end is None or day <= end.date())
        ]
        frame = store.scan_signals(days).collect()
    elif name == "service":
        frame = read_service(venue, Path(venue_path)).entries
    elif name == "forecasts":
        frame = read_forecasts(store.folder)
    else:
        frame = getattr(store, name)()
    frame = TABLES[name].conform(frame)
    return _between(frame, TIME_OF.get(name), start, end)


def _between(
    frame: pl.DataFrame, time: str | None, start: datetime | None, end: datetime | None
) -> pl.DataFrame:
    if time is None:
        return frame
    day = frame.schema[time] == pl.Date
    if start is not None:
        frame = frame.filter(pl.col(time) >= (start.date() if day else start))
    if end is not None:
        frame = frame.filter(pl.col(time) <= end.date() if day else pl.col(time) < end)
    return frame


WEEKS = 60
"""How far back a week's analyses look: a year, and what is held against it."""


def load_history(
    venue: Venue, venue_path: str | Path, week: Week, *, weeks: int = WEEKS,
    tables: Collection[str] = (*DERIVED, "clock_events"),
    columns: Mapping[str, Collection[str]] | None = None,
) -> History:
    """Everything that the analyses of one week look at.

    Parameters
    ----------
    venue : Venue
        The venue.
    venue_path : str or Path
        Its file.
    week : Week
        The week asked for; nothing later is loaded.
    weeks : int, default 60
        How far the tables reach back, the week itself included.
    tables : collection of str, optional
        Only these, and the service log; the others stay empty.
    columns : mapping of str to collection of str, optional
        Of these derived tables only so many columns; the others are null.

    Returns
    -------
    History
        All derived tables are of one state, whatever is derived meanwhile.
    """
    derived = read_manifest(Store.open(venue, venue_path).folder)
    start = week.plus(1 - weeks).bounds(venue.zone)[0]
    end = week.bounds(venue.zone)[1]
    frames = {
        name: load_table(venue, venue_path, name, start, end + timedelta(days=1),
                         columns=(columns or {}).get(name), derived=derived)
        for name in tables
    }
    frames["service"] = read_service(venue, Path(venue_path)).entries
    return History.of(venue, week, **frames)
