"""The week's tables, with days and weeks, baselines, siblings and what is worked out once.

A :class:`History` is what every judge is given: all tables of a venue up to the end of the
week asked for. What several of them ask of it stands here and is worked out once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from itertools import pairwise

import numpy as np
import polars as pl
from numpy.typing import NDArray

from remanence.analytics.clocks.quiet_days import with_known_polls, with_quiet_days
from remanence.analytics.statistics.arrays import Flags, Ints, Reals
from remanence.shared import tables
from remanence.shared.once import let_go
from remanence.shared.once import worked_out_once as once_per_history
from remanence.shared.table import in_order
from remanence.shared.tables import BASELINE_ACTIONS
from remanence.shared.venue import Lock, Venue
from remanence.shared.weeks import Week

__all__ = [
    "FIRST_WEEKS", "WEEKS_BEFORE", "Flags", "History", "Ints", "Reals", "Rows",
    "actuations_by_lock", "baseline_start", "commands_by_lock", "day_ordinals", "family",
    "first_day", "in_first_weeks", "in_lots", "last_service", "let_go", "once_per_history",
    "per_lock", "polls_known", "rails_in_lots", "rated_alike", "rows_by_lock", "service_of",
    "siblings", "since_baseline", "whole_commands", "with_weeks",
]


@dataclass(frozen=True)
class History:
    """A venue's tables as they stood at the end of ``week``; nothing later is in them.

    Each follows its schema in :mod:`remanence.shared.tables`, as far back as the caller loaded.

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

    def dated(self, table: str) -> pl.DataFrame:
        """One of this history's tables with ``day`` and ``weeks_ago``; worked out once.

        Parameters
        ----------
        table : str
            Its name, such as ``actuations``.

        Returns
        -------
        polars.DataFrame
            Its rows in their order, see :func:`with_weeks`. Of the actuations each stands for a
            command of its own, see :func:`whole_commands`, and has the poll that its days show.
        """
        kept = _dated_tables(self)
        if table not in kept:
            rows = getattr(self, table)
            if table == "actuations":
                rows = with_known_polls(whole_commands(rows), self, polls_known(self))
            kept[table] = with_weeks(rows, _TIME_OF[table], self)
        return kept[table]

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

    def since(self, start: datetime) -> History:
        """This history without what lies before ``start``; itself where nothing does.

        Parameters
        ----------
        start : datetime
            Aware. The service log stays whole.

        Returns
        -------
        History
        """
        cut = {}
        for name, time in _TIME_OF.items():
            frame = getattr(self, name)
            within = frame[time] >= (start.date() if frame.schema[time] == pl.Date else start)
            if name != "service" and not within.all():
                cut[name] = frame.filter(within)
        return replace(self, **cut) if cut else self

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


@once_per_history
def polls_known(history: History) -> pl.DataFrame:
    """POLLING, with the polls of quiet days that the days about them show; worked out once."""
    return with_quiet_days(history)


def with_weeks(frame: pl.DataFrame, time: str, history: History) -> pl.DataFrame:
    """``frame`` with two more columns, by the venue's own calendar.

    Returns
    -------
    polars.DataFrame
        - ``day`` (Date): the calendar day of ``time`` in the venue's zone
        - ``weeks_ago`` (Int64): 0 in the week asked for, 1 in the one before, ...

        A frame that has them already, taken from :meth:`History.dated`, is handed back.
    """
    if {"day", "weeks_ago"} <= set(frame.columns):
        return frame
    zone = history.venue.time_zone
    day = pl.col(time).dt.convert_time_zone(zone).dt.date()
    ago = (pl.lit(history.week.sunday) - pl.col("day")).dt.total_days() // 7
    # One after the other: side by side the days would be worked out twice.
    return frame.with_columns(day=day).with_columns(weeks_ago=ago)


SAME_COMMAND_MS = 100.0
"""No lock answers sooner and no person presses twice so soon (common practice: a button bounces for
some ten milliseconds, a repeated message comes within a hundred)."""


_NOT_OF_SEVERAL = (
    "sag_ms", "sag_outlasts_ms", "recovery_ms", "off_spike_volts", "end_sag_volts")
"""What is read against the rail before an edge: unknown where an earlier edge had loaded it."""


def whole_commands(actuations: pl.DataFrame) -> pl.DataFrame:
    """One row for each command: edges within 100 ms of the one before are the same command.

    Parameters
    ----------
    actuations : polars.DataFrame
        Schema ACTUATIONS.

    Returns
    -------
    polars.DataFrame
        Of rows that are one command the first that released stays, else the last, with the time
        and the volts of the first edge; the pulse, the wait and the latency count from there.
    """
    gap = (pl.col("command_time") - pl.col("command_time").shift(1).over("lock")).dt
    apart = gap.total_microseconds() / 1000.0
    ordered = actuations
    if not in_order(actuations, ("lock", "command_time")):
        ordered = actuations.sort("lock", "command_time", maintain_order=True)
    again = ordered.select((apart <= SAME_COMMAND_MS).fill_null(False)).to_series()
    if not again.any():
        return actuations
    alone = pl.len().over("lock", "command") == 1
    started = pl.col("command_time").first().over("lock", "command")
    late = (pl.col("command_time") - started).dt.total_microseconds() / 1000.0
    released = pl.col("outcome") == "released"
    place = pl.int_range(pl.len()).over("lock", "command")
    kept = pl.when(released.any().over("lock", "command")).then(
        released & (released.cum_sum().over("lock", "command") == 1)
    ).otherwise(place == pl.len().over("lock", "command") - 1)
    end = (pl.col("pulse_ms") + late).max().over("lock", "command")
    return ordered.with_columns(command=(~again).cum_sum()).with_columns(
        *(pl.when(alone).then(name) for name in _NOT_OF_SEVERAL), kept=kept, pulse_ms=end,
        latency_ms=pl.col("latency_ms") + late, waited_ms=pl.col("waited_ms") + late,
        volts_before=pl.col("volts_before").first().over("lock", "command"),
        attempt=pl.col("attempt").first().over("lock", "command"), command_time=started,
    ).filter("kept").select(actuations.columns)


@once_per_history
def _dated_tables(history: History) -> dict[str, pl.DataFrame]:
    """The tables that :meth:`History.dated` has worked out so far."""
    return {}


@once_per_history
def first_day(history: History) -> date | None:
    """First day with a command, by the venue's calendar; None without any."""
    day = history.dated("actuations")["day"].min()
    return day if isinstance(day, date) else None


def day_ordinals(days: pl.Series) -> Ints:
    """Proleptic ordinals (:meth:`datetime.date.toordinal`) of a column of dates without nulls."""
    out: Ints = days.cast(pl.Int32).to_numpy().astype(np.int64) + _EPOCH
    return out


FIRST_WEEKS = 8
"""The level before, on every sheet, is that of the first eight weeks that have rows."""
WEEKS_BEFORE = 8
"""What a week is held against where only the latest past counts: the eight weeks before it."""


def in_first_weeks(*over: str) -> pl.Expr:
    """Whether a row lies in the first :data:`FIRST_WEEKS` weeks with rows, ahead of this week.

    Parameters
    ----------
    *over : str
        Columns whose values have their own first weeks, such as ``lock``; none: all rows together.

    Notes
    -----
    For a frame with ``weeks_ago`` that starts where the past does (:func:`since_baseline`).
    """
    rank = pl.col("weeks_ago").rank("dense", descending=True)
    return (pl.col("weeks_ago") > 0) & ((rank.over(*over) if over else rank) <= FIRST_WEEKS)


@once_per_history
def actuations_by_lock(history: History) -> dict[str, pl.DataFrame]:
    """Each lock's actuations with ``day`` and ``weeks_ago``, see :func:`per_lock`."""
    return per_lock(history.dated("actuations"))


def per_lock(frame: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """The rows of each lock, by lock id; a lock without rows is not in it.

    Where each lock's rows stand together, as they do in the store, none is copied.
    """
    runs = frame["lock"].rle().struct.unnest()
    if runs["value"].is_duplicated().any():
        return {str(part.item(0, "lock")): part
                for part in frame.partition_by("lock", maintain_order=True)}
    found, begin = {}, 0
    for size, name in runs.select("len", "value").iter_rows():
        found[str(name)] = frame.slice(begin, size)
        begin += size
    return found


LOCKS_AT_A_TIME = 64
"""Locks of one pass: a venue of hundreds has no memory for copies of all at once."""


def in_lots(frame: pl.DataFrame) -> list[pl.DataFrame]:
    """The rows of so many locks at a time; the whole where locks' rows do not stand together."""
    runs = frame["lock"].rle().struct.unnest()
    if runs.height <= LOCKS_AT_A_TIME or runs["value"].is_duplicated().any():
        return [frame]
    ends = [*runs["len"].cum_sum()[LOCKS_AT_A_TIME - 1 :: LOCKS_AT_A_TIME], frame.height]
    return [frame[begin:end] for begin, end in pairwise([0, *ends]) if end > begin]


def rails_in_lots(actuations: pl.DataFrame, venue: Venue) -> list[pl.DataFrame]:
    """The rows of some whole rails at a time; all of them where they are not of many locks."""
    by_lock = per_lock(actuations)
    if len(by_lock) <= LOCKS_AT_A_TIME:
        return [actuations]
    lots: list[list[pl.DataFrame]] = [[]]
    for supply in venue.supplies:
        own = [by_lock[lock.id] for lock in venue.locks_on(supply.id) if lock.id in by_lock]
        if lots[-1] and len(lots[-1]) + len(own) > LOCKS_AT_A_TIME:
            lots.append([])
        lots[-1] += own
    return [pl.concat(lot) for lot in lots if lot] or [actuations.clear()]


@once_per_history
def service_of(history: History) -> dict[str, list[tuple[date, str]]]:
    """Day and action of every service entry, by lock, in order of time."""
    found: dict[str, list[tuple[date, str]]] = {}
    for lock, day, action in history.service.select("lock", "date", "action").sort(
            "date", maintain_order=True).iter_rows():
        found.setdefault(lock, []).append((day, action))
    return found


def last_service(
    history: History, lock: str, actions: Sequence[str] = BASELINE_ACTIONS
) -> tuple[date, str] | None:
    """Day and action of the lock's last service entry of these kinds; None where there is none."""
    chosen = [entry for entry in service_of(history).get(lock, ()) if entry[1] in actions]
    return chosen[-1] if chosen else None


def baseline_start(history: History, lock: str) -> date | None:
    """First day that counts as this lock's own past.

    The day after the last entry of the service log that changes the lock, or the day after it was
    installed, whichever is later; None where neither is known, so that everything counts. The day
    of the work is left out: the log does not say which actuations came before the work.
    """
    serviced = last_service(history, lock)
    installed = history.venue.locks_by_id[lock].installed
    if installed is not None and installed > history.week.sunday:
        installed = None
    days = [day for day in (serviced[0] if serviced else None, installed) if day is not None]
    return max(days) + timedelta(days=1) if days else None


def since_baseline(frame: pl.DataFrame, history: History, lock: str) -> pl.DataFrame:
    """The rows (with their ``day``, see :func:`with_weeks`) from the baseline's start on."""
    start = baseline_start(history, lock)
    if start is None:
        return frame
    day = frame["day"]
    if day.is_sorted():  # A slice copies nothing; NumPy finds a date in a tenth of Polars' time.
        return frame.slice(int(np.searchsorted(day.to_numpy(), np.datetime64(start))))
    return frame.filter(pl.col("day") >= start)


def family(lock: Lock) -> str:
    """Locks of the same word are siblings: built and released alike, measured alike.

    A magnet's release depends on its suppression, so that is part of it; a
    latch's does not to any extent. Different kinds of feedback are never mixed.
    """
    kind = lock.latency_kind or "none"
    if lock.is_magnet:
        return f"magnet/{lock.suppression}/{kind}"
    return f"{lock.mechanism}/{lock.released_by}/{'self-cut' if lock.self_cut else 'plain'}/{kind}"


RATING_TOLERANCE = 1.25
"""What is stated of two locks of one model differs by less: windings are made to ten per cent, and
who measures one that is 25 K warmer finds another ten (common practice, no source)."""


def rated_alike(lock: Lock, other: Lock) -> bool:
    """Whether two locks may be of one model by the coils and the holding forces stated of them.

    One part's name may stand for a large magnet and for a small one; where nothing is stated of one
    of the two, nothing tells them apart.
    """
    stated = ((lock.ohms, other.ohms), (lock.holding_newtons, other.holding_newtons))
    return all(not a or not b or max(a, b) <= RATING_TOLERANCE * min(a, b) for a, b in stated)


def siblings(venue: Venue, lock: Lock) -> tuple[Lock, ...]:
    """The other locks of the same :func:`family`, in the venue file's order."""
    own = family(lock)
    return tuple(other for other in venue.locks if other.id != lock.id and family(other) == own)


@dataclass(frozen=True)
class Rows:
    """Rows of one lock, oldest first.

    ``time_us`` are UTC microseconds, ``day`` proleptic ordinals of the venue's own
    calendar, ``ago`` weeks before the week asked for (0 is that week).
    """

    lock: Lock
    frame: pl.DataFrame
    time_us: Ints
    day: Ints
    ago: Ints

    @property
    def size(self) -> int:
        """How many."""
        return self.frame.height

    def real(self, column: str) -> Reals:
        """A column of numbers; NaN where null."""
        out: Reals = self.frame[column].cast(pl.Float64).to_numpy()
        return out

    def text(self, column: str) -> NDArray[np.object_]:
        """A column of text; None where null."""
        return np.array(self.frame[column].to_list(), dtype=object)

    def flag(self, column: str) -> Flags:
        """A column of truths; false where null."""
        out: Flags = np.array(self.frame[column].fill_null(False).to_list(), dtype=np.bool_)
        return out

    @property
    def now(self) -> Flags:
        """Which rows fall into the week asked for."""
        out: Flags = self.ago == 0
        return out

    def take(self, which: Flags) -> Rows:
        """Those rows that ``which`` selects."""
        return Rows(self.lock, self.frame.filter(pl.Series(which)), self.time_us[which],
                    self.day[which], self.ago[which])


def rows_by_lock(frame: pl.DataFrame, time: str, history: History) -> dict[str, Rows]:
    """Each lock's rows of ``frame``, oldest first; unknown locks are left out."""
    known = history.venue.locks_by_id
    dated = with_weeks(frame, time, history)
    if not in_order(dated, ("lock", time)):
        dated = dated.sort("lock", time)
    return {
        name: Rows(
            known[name], part,
            part[time].cast(pl.Datetime("us", "UTC")).cast(pl.Int64).to_numpy(),
            day_ordinals(part["day"]),
            part["weeks_ago"].to_numpy(),
        )
        for name, part in per_lock(dated).items() if name in known
    }


_EPOCH = date(1970, 1, 1).toordinal()


@once_per_history
def commands_by_lock(history: History) -> dict[str, Rows]:
    """:func:`rows_by_lock` of all actuations, for all who ask."""
    return rows_by_lock(history.dated("actuations"), "command_time", history)
