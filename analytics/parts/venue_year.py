"""The venue's year: days on which a room stood still, what that cost, and whether it gets better.

A room's games are read off its locks: logs do not say when a game begins. A day on which the
venue played and a room did not, though it did on that weekday in the weeks before, is a lost day
of that room; a day on which the room's controllers logged nothing is not, since nobody knows.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import polars as pl

from remanence.analytics.history import History, in_lots
from remanence.shared.tables import BASELINE_ACTIONS

ACTIVITY_READS = ("controller", "hour", "records")
"""Columns of ACTIVITY that this rests on."""

YEAR_WEEKS = 52
"""How far the trend and the lost days reach back."""

PERIOD_WEEKS = 4
"""The trend's step: a month's share of commands rests on enough of them (common practice)."""

USUAL_WEEKS = 6
"""Weeks before a day that show whether the room is played on that weekday (assumption)."""

USUAL_SHARE = 0.75
"""Share of those weeks in which it was played, from which a day without a game is a lost one
(assumption)."""

FEWEST_USUAL = 3
"""Fewer weeks before a day show no habit (assumption)."""


@dataclass(frozen=True)
class LostDays:
    """Days on which one room stood still while others were played.

    Attributes
    ----------
    room : str
        Its name.
    days : int
        How many in the last year.
    games : float
        Games that it usually has on those days, together.
    last : date or None
        The newest of them.
    """

    room: str
    days: int
    games: float
    last: date | None


@dataclass(frozen=True)
class Period:
    """Four weeks of the venue.

    Attributes
    ----------
    first, last : date
        Its days.
    commands, unanswered : int
        Commands of which it is known whether they were answered, and those that were not.
    replaced, repaired : int
        Locks that got a new part, and other work on locks.
    """

    first: date
    last: date
    commands: int
    unanswered: int
    replaced: int
    repaired: int

    @property
    def per_thousand(self) -> float | None:
        """Commands not answered in a thousand; None without commands."""
        return 1000 * self.unanswered / self.commands if self.commands else None


@dataclass(frozen=True)
class VenueYear:
    """What a year was like.

    Attributes
    ----------
    lost : tuple of LostDays
        Rooms with lost days, the most games first.
    games_a_day : dict of str to float
        Games that each room has on a day on which it is played, in the last eight weeks.
    periods : tuple of Period
        Oldest first; only those with commands.
    """

    lost: tuple[LostDays, ...]
    games_a_day: dict[str, float]
    periods: tuple[Period, ...]

    def lost_games(self) -> float:
        """Games of all rooms together."""
        return sum(item.games for item in self.lost)


def venue_year(history: History) -> VenueYear:
    """Lost days, and the trend of the year that ends with the week of ``history``.

    Parameters
    ----------
    history : History
        Of its tables: ``actuations`` (``lock``, ``command_time``, ``outcome``, ``attempt``), the
        service log, and ``activity`` (``controller``, ``hour``, ``records``): without that a day
        without log counts as lost.

    Returns
    -------
    VenueYear
        Empty where nothing was commanded.

    Notes
    -----
    Common practice, no source: logs do not say when a game begins, nor why a room is shut.
    """
    rows = in_lots(history.dated("actuations").select(
        "lock", "day", "weeks_ago", "attempt", "outcome"))
    games = _games(history, rows)
    return VenueYear(_lost(history, games), _games_a_day(history, games),
                     _periods(history, rows))


def _games(history: History, rows: Sequence[pl.DataFrame]) -> dict[str, dict[date, float]]:
    """Games of each room by day: the middle of its locks' first tries."""
    rooms = {lock.id: lock.room for lock in history.venue.locks}
    tries = pl.concat(
        some.filter((pl.col("attempt").fill_null(1) == 1) & pl.col("lock").is_in(list(rooms))
                    & (pl.col("weeks_ago") < YEAR_WEEKS + USUAL_WEEKS))
        .group_by("lock", "day").len() for some in rows)
    counted = tries.with_columns(
        room=pl.col("lock").replace_strict(rooms, return_dtype=pl.String)
    ).group_by("room", "day").agg(games=pl.col("len").median())
    found: dict[str, dict[date, float]] = {}
    for name, day, count in counted.select("room", "day", "games").iter_rows():
        found.setdefault(name, {})[day] = float(count)
    return found


def _lost(
    history: History, games: dict[str, dict[date, float]]
) -> tuple[LostDays, ...]:
    open_days = {day for played in games.values() for day in played}
    heard = _heard(history)
    first = history.week.sunday - timedelta(weeks=YEAR_WEEKS)
    found = []
    for room, played in games.items():
        if not played:
            continue
        lost: list[tuple[date, float]] = []
        for day in sorted(open_days):
            if day in played or day <= first or not heard(room, day):
                continue
            before = [day - timedelta(weeks=back) for back in range(1, USUAL_WEEKS + 1)]
            seen = [one for one in before if one in open_days and heard(room, one)]
            usual = sorted(played[one] for one in seen if one in played)
            if len(seen) >= FEWEST_USUAL and len(usual) >= USUAL_SHARE * len(seen):
                lost.append((day, usual[len(usual) // 2]))
        if lost:
            found.append(LostDays(room, len(lost), sum(count for _, count in lost), lost[-1][0]))
    return tuple(sorted(found, key=lambda item: (-item.games, item.room)))


def _heard(history: History) -> Callable[[str, date], bool]:
    """Whether all controllers that command a room logged anything on a day."""
    if not history.activity.height:
        return lambda room, day: True
    logged = set(history.dated("activity").filter(pl.col("records") > 0)
                 .select("controller", "day").unique().iter_rows())
    of_room: dict[str, set[str]] = {}
    for lock in history.venue.locks:
        of_room.setdefault(lock.room, set()).add(lock.command_controller)
    return lambda room, day: all((name, day) in logged for name in of_room[room])


def _games_a_day(
    history: History, games: dict[str, dict[date, float]]
) -> dict[str, float]:
    recent = history.week.sunday - timedelta(weeks=8)
    found = {}
    for room in history.venue.rooms:
        counts = sorted(n for day, n in games.get(room, {}).items() if day > recent)
        if counts:
            found[room] = counts[len(counts) // 2]
    return found


def _periods(history: History, rows: Sequence[pl.DataFrame]) -> tuple[Period, ...]:
    outcome = pl.col("outcome")
    known = pl.col("lock").is_in(list(history.venue.locks_by_id))
    counted = {ago: (told, missed) for ago, told, missed in pl.concat(
        some.filter(known & outcome.is_in(["released", "no-release"])).select(
            ago=pl.col("weeks_ago") // PERIOD_WEEKS, missed=outcome == "no-release")
        for some in rows).group_by("ago").agg(
            told=pl.len(), missed=pl.col("missed").sum()).iter_rows()}
    work = [(row["date"], row["action"]) for row in history.service.to_dicts()
            if row["action"] in BASELINE_ACTIONS]
    periods = []
    for back in range(YEAR_WEEKS // PERIOD_WEEKS - 1, -1, -1):
        if back not in counted:
            continue
        last = history.week.sunday - timedelta(weeks=PERIOD_WEEKS * back)
        first = last - timedelta(days=7 * PERIOD_WEEKS - 1)
        own = [action for day, action in work if first <= day <= last]
        told, missed = counted[back]
        new = sum(action == "replaced" for action in own)
        periods.append(Period(first, last, told, missed, new, len(own) - new))
    return tuple(periods)
