"""ISO 8601 weeks and days in the venue's own time zone."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from typing import Literal
from zoneinfo import ZoneInfo

from remanence.shared.errors import RemanenceError

_WEEK = re.compile(r"(\d{4})-W(\d{2})")
LAST: Literal["last"] = "last"
"""In place of a week: the one that ended last by the venue's calendar, with a log of it or not."""


@dataclass(frozen=True, order=True)
class Week:
    """One ISO 8601 week: Monday to Sunday; week 1 holds the year's first Thursday.

    Weeks are ordered by time; ``str`` writes one like ``2026-W47``.

    Attributes
    ----------
    year, number : int
        The ISO year (not always the calendar's), and the week in it, 1 to 53.
    """

    year: int
    number: int

    def __str__(self) -> str:
        return f"{self.year:04d}-W{self.number:02d}"

    @classmethod
    def parse(cls, text: str) -> Week:
        """Read ``2026-W47``.

        Parameters
        ----------
        text : str
            Year and week; white space around them is passed over.

        Returns
        -------
        Week
            The week named.

        Raises
        ------
        RemanenceError
            Not of that form, or the year has no such week.
        """
        match = _WEEK.fullmatch(text.strip())
        if not match:
            raise RemanenceError(f"week: found {text!r}; write year and ISO week like 2026-W47")
        year, number = int(match[1]), int(match[2])
        try:
            date.fromisocalendar(year, number, 1)
        except ValueError:
            raise RemanenceError(
                f"week: found {text!r}; the year {year} has no week {number}"
            ) from None
        return cls(year, number)

    @classmethod
    def of(cls, day: date) -> Week:
        """The week that holds ``day``.

        Parameters
        ----------
        day : date
            A calendar day.

        Returns
        -------
        Week
            By ISO 8601: the last days of December may belong to the next year's first week.
        """
        year, number, _ = day.isocalendar()
        return cls(year, number)

    @classmethod
    def at(cls, moment: datetime, zone: ZoneInfo) -> Week:
        """The week in ``zone`` that holds the aware ``moment``.

        Parameters
        ----------
        moment : datetime
            With a time zone.
        zone : zoneinfo.ZoneInfo
            The zone that cuts days and weeks.

        Returns
        -------
        Week
            Of the calendar day that the moment falls on in that zone.
        """
        return cls.of(moment.astimezone(zone).date())

    @property
    def monday(self) -> date:
        """Its first day."""
        return _monday(self.year, self.number)

    @property
    def sunday(self) -> date:
        """Its last day."""
        return self.monday + timedelta(days=6)

    def plus(self, weeks: int) -> Week:
        """The week so many weeks later.

        Parameters
        ----------
        weeks : int
            How many; earlier if negative.

        Returns
        -------
        Week
            Over the turn of the year too.
        """
        return Week.of(self.monday + timedelta(weeks=weeks))

    def bounds(self, zone: ZoneInfo) -> tuple[datetime, datetime]:
        """Start and end of the week in a zone.

        Parameters
        ----------
        zone : zoneinfo.ZoneInfo
            The zone that cuts days.

        Returns
        -------
        tuple of datetime
            Start (inclusive) and end (exclusive), as UTC: an hour more or less than seven days
            where the clocks change.
        """
        return day_start(self.monday, zone), day_start(self.monday + timedelta(days=7), zone)


def day_start(day: date, zone: ZoneInfo) -> datetime:
    """The instant at which a day begins in a zone.

    Parameters
    ----------
    day : date
        A calendar day.
    zone : zoneinfo.ZoneInfo
        The zone.

    Returns
    -------
    datetime
        As UTC.
    """
    return datetime.combine(day, time(), zone).astimezone(UTC)


AskedWeek = Week | Literal["last"]
"""A week that somebody asks for."""


def asked_for(text: str) -> AskedWeek:
    """What a person wrote: ``2026-W47``, or ``last``.

    Parameters
    ----------
    text : str
        White space around it is passed over.

    Returns
    -------
    Week or ``"last"``

    Raises
    ------
    RemanenceError
        It is neither.
    """
    if text.strip() == LAST:
        return LAST
    try:
        return Week.parse(text)
    except RemanenceError as error:
        raise RemanenceError(f"{error}; or {LAST}: the week that ended last") from None


@lru_cache(maxsize=1024)
def _monday(year: int, number: int) -> date:
    """(A chart asks for the same few weeks a thousand times.)"""
    return date.fromisocalendar(year, number, 1)
