"""Where a log fell silent: how surprising is each silence, given what else was logged?

A controller's own habits judge its silence. For every hour, how often did
this controller log something at this time of day when the others were as busy as
they were then? Hours in which no other room was played tell nothing of it, unless it logs
night and day. The surprise of a silent stretch is the sum of -ln(1 - p) over its
hours; it is held against the most surprising silence of each earlier week, so that a
room that is often not booked, or a controller that is switched off at night, sets
its own measure. A stretch in which no controller logged anything says nothing of any
one of them, and is judged for the venue as a whole.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray

from remanence.analytics.history import History

WEEKS = 26
"""How many weeks of habits are looked at."""
_BUSY = (1, 10, 40, 120)
"""Edges an hour by the other controllers: the classes of how busy the venue was."""
_STEADY_SHARE = 0.97
"""Share of all hours: a controller that logs in so many logs night and day."""
_STEADY_SILENCE_S = 300.0
"""Longest usual silence within an hour of a controller whose short silences can be judged: a
heartbeat comes every few minutes at most (common practice, no source)."""
_STEADY_QUANTILE = 0.98
"""Quantile of the hours' longest silences that is the usual one: some hours hold a gap."""
_BEYOND_STEADY, _LEAST_SHORT_SILENCE_S = 10, 900.0
"""A short silence is told where it is so many times the usual one, and at least a quarter of an
hour (assumption)."""
_SHORT_SURPRISE_MORE = 1.0
"""Nats of a short silence beyond the log of the hours heard, in none of which there was one like
it (assumption)."""
_FEWEST_STEADY_HOURS = 48
"""Hours with records before a log is called steady: two days and nights (assumption)."""
_SLOT_HOURS = 3
"""Hours of the day that share one habit: eight slots a day hold enough hours each (assumption)."""
_SLOTS = 24 // _SLOT_HOURS
_HABIT_EVENTS, _HABIT_HOURS = 0.5, 1.0
"""Jeffreys' prior of a share: half an event in one hour."""
_SUREST_HABIT = 0.9999
"""Highest chance of a record in an hour: no hour counts for more than nine nats."""
USUAL_QUANTILE = 0.9
"""Quantile of the weekly most surprising silences that is the usual measure: one week in ten may
have held a gap itself (assumption)."""
_OWN_SURPRISE = 3.0
"""Nats of the part of a silence that lies in this week: once in 20 by chance (calculated)."""
_DAY_BEGINS_HOUR = 5
"""Hour of the day at which no venue plays: late games belong to the evening before (common
practice, no source)."""
_BUSY_HOUR_SHARE = 0.25
"""Share of the busiest hour of the week from which an hour of the week is one of play
(assumption)."""
_HOURS_A_WEEK = 168


@dataclass(frozen=True)
class Silence:
    """One stretch without records that ought to have had some."""

    controller: str | None
    """None: of the whole venue."""
    start: datetime
    end: datetime
    surprise: float
    """Sum of -ln(1 - p) over its hours."""
    usual: float
    """The measure that earlier weeks' silences set: their 90 % quantile of weekly maxima."""
    steady: bool
    """Whether the controller otherwise logs without a break, day and night."""
    edges_elsewhere: int
    """Command and contact records by other controllers meanwhile."""
    ongoing: bool
    """Whether it lasts to the end of the log."""
    whole_days: bool
    """Whether no day that it touches has any other record of this subject."""
    weeks_known: int
    all_play: bool = False
    """Whether no other controller ever logs a command or contact: its silence is also that of a
    venue in which nobody plays, whose meter goes on."""

    @property
    def hours(self) -> float:
        """How long it lasted."""
        return (self.end - self.start).total_seconds() / 3600.0


@dataclass(frozen=True)
class _Grid:
    """Controllers by hours."""

    controllers: list[str]
    first_hour: int
    records: NDArray[np.float64]
    edges: NDArray[np.float64]
    first: NDArray[np.int64]
    last: NDArray[np.int64]
    quiet_s: NDArray[np.float64]
    slot: NDArray[np.int64]
    hour_of_week: NDArray[np.int64]
    week_start: int

    @property
    def present(self) -> NDArray[np.bool_]:
        return self.records > 0

    @property
    def weeks_known(self) -> int:
        """Whole weeks before this one; a log that begins within the week knows none."""
        return max(0, self.week_start // _HOURS_A_WEEK)


def _grid(history: History) -> _Grid | None:
    earliest = history.start - timedelta(weeks=WEEKS)
    rows = history.activity.filter((pl.col("hour") >= earliest) & (pl.col("records") > 0))
    if rows.is_empty():
        return None
    controllers = sorted(set(rows["controller"].to_list()))
    hour = (rows["hour"].dt.epoch("us") // 3_600_000_000).to_numpy()
    first_hour, count = int(hour.min()), int(hour.max() - hour.min()) + 1
    where = np.searchsorted(controllers, rows["controller"].to_list()), hour - first_hour
    shape = (len(controllers), count)

    def spread(column: str, empty: float) -> NDArray[np.float64]:
        out = np.full(shape, empty)
        out[where] = rows[column].fill_null(empty).to_numpy().astype(float)
        return out

    first, last = np.zeros(shape, dtype=np.int64), np.zeros(shape, dtype=np.int64)
    starts = rows["hour"].dt.epoch("us")
    first[where] = rows["first"].dt.epoch("us").fill_null(starts).to_numpy()
    last[where] = rows["last"].dt.epoch("us").fill_null(starts).to_numpy()
    local = pl.Series(
        np.arange(first_hour, first_hour + count) * 3_600_000_000
    ).cast(pl.Datetime("us", "UTC")).dt.convert_time_zone(history.venue.time_zone)
    hour_of_day, weekday = local.dt.hour().to_numpy(), local.dt.weekday().to_numpy()
    return _Grid(
        controllers, first_hour, spread("records", 0), spread("edges", 0), first, last,
        spread("longest_silence_s", np.nan), hour_of_day.astype(np.int64) // _SLOT_HOURS,
        (weekday.astype(np.int64) - 1) * 24 + hour_of_day,
        int(history.start.timestamp() // 3600) - first_hour,
    )


def silences(history: History) -> list[Silence]:
    """Every silence of the week that its own past does not explain.

    Parameters
    ----------
    history : History
        ``activity`` is used, up to 26 weeks of it.

    Returns
    -------
    list of Silence
        Of single controllers while others logged, and of the whole venue; the
        caller decides how surprising is too surprising. Silences that end before
        the week begins are left out.
    """
    grid = _grid(history)
    if grid is None:
        return []
    found = []
    anyone = np.asarray(grid.present.any(axis=0))
    for row, controller in enumerate(grid.controllers):
        others = grid.edges.sum(axis=0) - grid.edges[row]
        heard = (grid.records.sum(axis=0) - grid.records[row]) > 0
        kind = np.digitize(others, _BUSY) * _SLOTS + grid.slot
        chance = _habit(grid.present[row], kind, heard)
        share = float(grid.present[row][heard].mean()) if heard.any() else 0.0
        if share >= _STEADY_SHARE:
            chance = np.maximum(chance, _smoothed(share * heard.sum(), float(heard.sum())))
        elif others.any():
            heard &= others > 0  # where nobody is played, the venue may be closed
        found += _runs(grid, row, controller, np.where(heard, chance, 0.0), others)
        found += _short(grid, row, controller, others)
    # The venue as a whole: by the hour of the week, or pooled where it logs round the clock.
    chance = _habit(anyone, grid.hour_of_week, np.ones_like(anyone))
    steady = float(anyone.mean())
    if steady >= _STEADY_SHARE:
        chance = np.maximum(chance, _smoothed(float(anyone.sum()), anyone.size))
    found += _runs(grid, None, None, chance, np.zeros(anyone.size))
    return found


def _smoothed(count: float, size: float) -> float:
    return float((count + _HABIT_EVENTS) / (size + _HABIT_HOURS))


def _habit(
    present: NDArray[np.bool_], kind: NDArray[np.int64], counted: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Chance that something was logged in each hour, by the other hours of its kind."""
    kinds = int(kind.max()) + 1
    size = np.bincount(kind[counted], minlength=kinds).astype(float)
    heard = np.bincount(kind[counted], weights=present[counted].astype(float), minlength=kinds)
    return np.asarray(((heard + _HABIT_EVENTS) / (size + _HABIT_HOURS))[kind])


def _runs(
    grid: _Grid, row: int | None, controller: str | None, chance: NDArray[np.float64],
    others: NDArray[np.float64],
) -> list[Silence]:
    present = np.asarray(grid.present[row] if row is not None else grid.present.any(axis=0))
    surprise = np.where(present, 0.0, -np.log1p(-np.clip(chance, 0.0, _SUREST_HABIT)))
    heard = np.flatnonzero(present)
    if heard.size == 0:
        return []
    total = np.concatenate([[0.0], np.cumsum(surprise)])
    steps = np.flatnonzero(np.diff(heard) > 1)
    runs = [(int(heard[i]) + 1, int(heard[i + 1])) for i in steps]
    if heard[-1] + 1 < present.size:
        runs.append((int(heard[-1]) + 1, present.size))
    weeks = max(1, -(-grid.week_start // _HOURS_A_WEEK))
    weekly = np.zeros(weeks)
    for begin, end in runs:
        if begin < grid.week_start:
            week = min(begin // _HOURS_A_WEEK, weeks - 1)
            upto = min(end, grid.week_start)
            weekly[week] = max(weekly[week], total[upto] - total[begin])
    usual = float(np.quantile(weekly, USUAL_QUANTILE)) if grid.week_start > 0 else 0.0
    span = int(heard[-1] - heard[0]) + 1
    found = []
    for begin, end in runs:
        # What of it falls into this week must be a surprise in itself: a gap of Sunday evening
        # that nobody could notice before Monday's first game is Sunday's.
        own = total[end] - total[max(begin, grid.week_start)]
        if end <= grid.week_start or own < _OWN_SURPRISE:
            continue
        found.append(Silence(
            controller=controller,
            start=_moment(_edge(grid, row, begin - 1, "last")),
            end=_moment(_edge(grid, row, end, "first") if end < present.size
                        else (grid.first_hour + end) * 3_600_000_000),
            surprise=float(total[end] - total[begin]),
            usual=usual,
            # The run in question must not disprove the habit that it breaks.
            steady=heard.size >= _STEADY_SHARE * (span - (end - begin if end < present.size else 0))
            and heard.size >= _FEWEST_STEADY_HOURS,
            edges_elsewhere=int(others[begin:end].sum()),
            ongoing=end == present.size,
            whole_days=_whole_days(grid, present, begin, end),
            weeks_known=grid.weeks_known,
            all_play=row is not None and bool(grid.edges[row].any()) and not bool(others.any()),
        ))
    return found


def _edge(grid: _Grid, row: int | None, hour: int, which: str) -> int:
    table = grid.last if which == "last" else grid.first
    if row is not None:
        return int(table[row, hour])
    column = table[:, hour][grid.present[:, hour]]
    return int(column.max() if which == "last" else column.min())


def _whole_days(grid: _Grid, present: NDArray[np.bool_], begin: int, end: int) -> bool:
    """Whether the days of the run's hours hold nothing but the run."""
    day = (np.arange(present.size) + grid.hour_of_week[0] % 24 - _DAY_BEGINS_HOUR) // 24
    touched = np.isin(day, np.unique(day[begin:end]))
    usual = np.zeros(_HOURS_A_WEEK)
    np.add.at(usual, grid.hour_of_week[present], 1.0)
    busy = usual[grid.hour_of_week] > _BUSY_HOUR_SHARE * usual.max()
    return not bool((present & touched & busy).any())


def _short(
    grid: _Grid, row: int, controller: str, others: NDArray[np.float64]
) -> list[Silence]:
    """Silences of a controller that logs without a break, which leave no hour empty."""
    present, quiet = grid.present[row], grid.quiet_s[row]
    heard = np.flatnonzero(present)
    if heard.size < _FEWEST_STEADY_HOURS:
        return []
    usual_s = float(np.nanquantile(quiet[heard], _STEADY_QUANTILE))
    if not usual_s <= _STEADY_SILENCE_S:
        return []
    least_s = max(_BEYOND_STEADY * usual_s, _LEAST_SHORT_SILENCE_S)
    found = []
    for hour in heard[heard >= max(grid.week_start, 0)]:
        spans = []
        if quiet[hour] > least_s:
            spans.append((int(grid.last[row, hour]) - int(quiet[hour] * 1e6),
                          int(grid.last[row, hour]), float(quiet[hour])))
        if hour > 0 and present[hour - 1]:
            begin, end = int(grid.last[row, hour - 1]), int(grid.first[row, hour])
            if (end - begin) / 1e6 > least_s:
                spans.append((begin, end, (end - begin) / 1e6))
        found += [
            Silence(
                controller, _moment(begin), _moment(end),
                surprise=float(np.log(heard.size)) + _SHORT_SURPRISE_MORE,
                usual=0.0, steady=True, edges_elsewhere=int(others[hour]), ongoing=False,
                whole_days=False, weeks_known=grid.weeks_known,
            )
            for begin, end, _ in spans
        ]
    return found


def _moment(microseconds: int) -> datetime:
    return datetime.fromtimestamp(0, tz=_UTC) + timedelta(microseconds=microseconds)


_UTC = pl.Series([0]).cast(pl.Datetime("us", "UTC"))[0].tzinfo
