"""What the analyses of one week look at: the venue and its tables up to the week's end."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import polars as pl

from shared import tables
from shared.venue import Venue
from shared.weeks import Week


@dataclass(frozen=True)
class History:
    """A venue's tables as they stood at the end of ``week``; nothing later is in them.

    Every table follows its schema in :mod:`shared.tables`. They reach back as far as the caller
    loaded (a year and more for baselines).

    Attributes
    ----------
    venue : Venue
        Whose.
    week : Week
        The week that is judged.
    actuations, openings, energisings, contact_changes : polars.DataFrame
        What the locks did.
    rail_hours, activity, polling, clock_events : polars.DataFrame
        What rails, controllers and clocks did.
    service : polars.DataFrame
        The whole service log up to the week's end.
    """

    venue: Venue
    week: Week
    actuations: pl.DataFrame
    openings: pl.DataFrame
    energisings: pl.DataFrame
    contact_changes: pl.DataFrame
    rail_hours: pl.DataFrame
    activity: pl.DataFrame
    polling: pl.DataFrame
    clock_events: pl.DataFrame
    service: pl.DataFrame

    @property
    def start(self) -> datetime:
        """Start of the week, UTC."""
        return self.week.bounds(self.venue.zone)[0]

    @property
    def end(self) -> datetime:
        """End of the week (exclusive), UTC."""
        return self.week.bounds(self.venue.zone)[1]

    def this_week(self, frame: pl.DataFrame, time: str) -> pl.DataFrame:
        """The rows of ``frame`` whose ``time`` column falls into the week.

        Parameters
        ----------
        frame : polars.DataFrame
            Any table.
        time : str
            Name of a column of aware time stamps; rows without one are left out.

        Returns
        -------
        polars.DataFrame
            Rows from ``start`` (inclusive) to ``end`` (exclusive), in their order.
        """
        return frame.filter(pl.col(time).is_between(self.start, self.end, closed="left"))

    @classmethod
    def of(cls, venue: Venue, week: Week, **frames: pl.DataFrame) -> History:
        """Build from any tables at hand; the missing ones are empty, rows after the week go.

        Parameters
        ----------
        venue : Venue
            Whose tables.
        week : Week
            Up to which week.
        **frames : polars.DataFrame
            By table name; each brought to its schema: columns it lacks are null, others dropped.

        Returns
        -------
        History
            Rows without a time are left out.

        Raises
        ------
        TypeError
            A name is that of no table of a history.
        """
        unknown = sorted(set(frames) - set(_TIME_OF))
        if unknown:
            raise TypeError(f"no table of a history: {', '.join(unknown)}; "
                            f"known: {', '.join(_TIME_OF)}")
        end = week.bounds(venue.zone)[1]
        clipped = {}
        for name, time in _TIME_OF.items():
            table = tables.TABLES[name]
            frame = table.conform(frames[name]) if name in frames else table.empty()
            day = frame.schema[time] == pl.Date
            within = frame[time] <= week.sunday if day else frame[time] < end
            # Years of rows are not copied for nothing.
            whole = not within.null_count() and within.all()
            clipped[name] = frame if whole else frame.filter(within)
        return cls(venue=venue, week=week, **clipped)


_TIME_OF = {
    "actuations": "command_time", "openings": "time", "energisings": "start",
    "contact_changes": "time", "rail_hours": "hour", "activity": "hour", "polling": "day",
    "clock_events": "time", "service": "date",
}
