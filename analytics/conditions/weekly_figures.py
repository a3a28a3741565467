"""Each lock's figures week by week, and how far each is from that lock's own first weeks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from remanence.analytics.conditions.swapped import swap_of
from remanence.analytics.history import (
    FIRST_WEEKS,
    Flags,
    History,
    Reals,
    baseline_start,
    family,
    in_lots,
    per_lock,
)
from remanence.analytics.physics.rail_load import rail_loads
from remanence.analytics.physics.regimes import CONTACT, RAIL, regimes
from remanence.analytics.statistics.intervals import DEVIATION_OVER_MAD, robust_deviation
from remanence.analytics.statistics.medians import median
from remanence.analytics.statistics.polled import polls_in_step

COMMANDS_FOR_FIGURES = 15
"""A week with fewer commands has no figures: a tenth of it would be a single reading
(calculated)."""
CLEAR_SAG = 6.0
"""A sag under this many times the rail's noise is not read, as everywhere else. Assumption."""
READINGS_FOR_FIGURE = 4
"""A figure with fewer readings in a week is unknown. Assumption."""
SIBLINGS_FOR_MEDIAN = 3
"""The median of fewer siblings is no more than one of them, or a mean of two (calculated)."""
POOL_WEIGHT = 10.0
"""The spread of the kind counts as this many weeks beside the lock's own, which are eight at most.
Assumption."""
WILD_WEEK_DEVIATIONS = 3.0
"""A past week counts as at most this many deviations of its kind: a wild week is no measure of the
others (three-sigma rule: common practice)."""
STEP_FLOOR_SHARE = 0.5
"""A weekly deviation is never less than this share of a step of the clock (calculated: rounding
moves a value by at most half a step)."""
TAILS = ("weekly-late-tail-of-latency", "weekly-early-tail-of-latency")
TAIL_ONE_IN = 10
"""A tail is the mean of the most extreme one in this many readings. Assumption."""
WILD_READING_DEVIATIONS = 3.0
"""A reading counts as at most this many deviations of its week: somebody who leans on a lock makes
one of seconds, which is no measure of the others (three-sigma rule: common practice). How often
that happens is for the conditions of slow and loaded locks to judge."""
Names = NDArray[np.object_]

TAIL_OFFSET = 0.01
"""Added to a tail before its logarithm is taken: a tail of one per cent is none. Assumption."""


@dataclass(frozen=True)
class Figure:
    """One weekly figure: its id, the unit it is shown in, and the scale it is compared on.

    ``scale`` is ``log``, ``log1p``, or the logarithm of a spread plus its offset.
    ``floor`` is the least weekly standard deviation on that scale: a person could not find a
    smaller difference (assumption). A figure ``of_rail`` is compared with all locks of the rail,
    not with siblings. ``seen_by`` are the quantities whose regimes
    (:mod:`remanence.analytics.physics.regimes`) decide which weeks are like now.
    """

    id: str
    unit: str
    scale: str
    floor: float
    of_rail: bool = False
    seen_by: tuple[str, ...] = (*RAIL, "pulse")

    def shown(self, value: float) -> float:
        """A value on the figure's scale, in its unit."""
        if self.scale == "log1p":
            return float(np.expm1(value))
        if self.scale == "log spread":
            return float(100.0 * np.expm1(np.exp(value)))
        return float(np.exp(value))


FIGURES = (
    Figure("weekly-late-tail-of-latency", "%", "log spread", 0.15, seen_by=CONTACT),
    Figure("weekly-early-tail-of-latency", "%", "log spread", 0.15, seen_by=CONTACT),
    Figure("weekly-sag", "V", "log", 0.03, of_rail=True),
    Figure("weekly-sag-length", "%", "log", 0.03, seen_by=(*RAIL, "pulse", *CONTACT)),
    Figure("weekly-late-tail-of-sag-length", "%", "log spread", 0.15),
    Figure("weekly-sag-after-the-pulse", "ms", "log1p", 0.1),
    Figure("weekly-recovery", "ms", "log1p", 0.08),
    Figure("weekly-spike-at-switch-off", "V", "log1p", 0.03),
    Figure("weekly-current", "A", "log", 0.02),
)
"""These figures are left out. The drift judges the median latency, with its own gate. The slow mode
judges the first command of a day. A contact's bounces are a handful a week, which
``contact-chatter`` judges as counts. How long a coil was on and how soon a lock was shut again show
how a game uses the lock. The volts before a command are the rail's. People cause unanswered
commands, retries and openings without a command in bouts. With all of these included, sound venues
of the campaign had 3.1 false findings in 1,000 lock-weeks."""
STEP = "step of "
"""Before a figure's name: one step of the clock that stamps it, over its value."""


@dataclass(frozen=True)
class WeeklyFigures:
    """Weekly figures of all locks: arrays of locks x weeks x figures, the week asked for last.

    Attributes
    ----------
    locks : tuple of str
        In the order of their names.
    level : numpy.ndarray
        On each figure's scale; NaN where unknown, or before the lock's baseline began.
    first : numpy.ndarray of bool, locks x weeks x figures
        The weeks that are the lock's level before: the first of those measured as now.
    strange : numpy.ndarray
        In weekly standard deviations: the distance from the lock's level before, without the part
        that its siblings share. A week of the level before is compared with the others of them.
    alone : numpy.ndarray
        The same with that part: what the lock shows by itself.
    deviation : numpy.ndarray, locks x figures
        Spread of a sound lock's weeks, on each figure's scale.
    commands : numpy.ndarray, locks x weeks
        Number of commands.
    """

    locks: tuple[str, ...]
    level: Reals
    first: Flags
    strange: Reals
    alone: Reals
    deviation: Reals
    commands: Reals


def _tail(of: str, grain: str, *, late: bool) -> pl.Expr:
    """Log distance between the mean of the latest (earliest) tenth of logarithms and that of all.

    A spread scatters in proportion to itself. Means are used because quantiles jump from one step
    of the clock to the next. ``grain``, that step over the value, is added because nothing finer
    can be seen. ``of`` is a column of lists (:func:`_within_reach`), ``grain`` one of medians.
    """
    values = pl.col(of).list
    extreme = values.sort(descending=late).list.head(
        (values.len() + (TAIL_ONE_IN - 1)) // TAIL_ONE_IN).list.mean()
    far = ((extreme - values.mean()).abs() + TAIL_OFFSET + pl.col(grain)).log()
    return pl.when(values.len() >= READINGS_FOR_FIGURE).then(far)


def _within_reach(rows: pl.DataFrame, figures: Mapping[str, str]) -> pl.DataFrame:
    """Logarithms brought within the reach of their week; ``figures``: each by its grain."""
    week = ("lock", "weeks_ago")
    reached = rows.with_columns(
        pl.col(name).median().over(week).name.suffix(" middle")
        for name in (*figures, *figures.values())
    ).with_columns(
        (pl.col(of) - pl.col(f"{of} middle")).abs().median().over(week).alias(f"{of} scatter")
        for of in figures)
    return reached.with_columns(
        pl.col(of).clip(pl.col(f"{of} middle") - reach, pl.col(f"{of} middle") + reach)
        for of, grain in figures.items()
        for reach in [WILD_READING_DEVIATIONS * (
            DEVIATION_OVER_MAD * pl.col(f"{of} scatter") + pl.col(f"{grain} middle"))])


def _middle(of: pl.Expr) -> pl.Expr:
    """Mean without the highest and lowest tenth: a median jumps by a whole step of the meter."""
    ranks = of.drop_nulls().sort()
    cut = of.count() // TAIL_ONE_IN
    return ranks.slice(cut, of.count() - 2 * cut).mean()


def _log(column: str) -> pl.Expr:
    return pl.col(column).filter(pl.col(column) > 0).log()


def _where_known(value: pl.Expr, column: pl.Expr) -> pl.Expr:
    # Within when() a mean is worked out group by group. By itself Polars adds it up in parts, one a
    # thread, and its last digits would follow the number of threads.
    return pl.when(column.count() >= READINGS_FOR_FIGURE).then(value)


_LOOKED_AT = (
    "lock", "day", "weeks_ago", "outcome", "latency_ms", "resolution_ms", "pulse_ms",
    "sag_volts", "off_spike_volts", "sag_ms", "sag_outlasts_ms", "volts_noise",
    "sample_ms", "recovery_ms", "amps")
"""Columns that are looked at."""


def _of_baseline(rows: pl.DataFrame, history: History) -> pl.DataFrame:
    """One lock's rows that count, with ``in_step``, ``cuts_itself`` and ``of_people``."""
    name = str(rows.item(0, "lock"))
    lock, start = history.venue.locks_by_id[name], baseline_start(history, name)
    if start is not None:
        # The week of the work is neither before nor after it.
        from_week = (history.week.sunday - start).days // 7 - (start.weekday() > 0)
        rows = rows.filter(pl.col("weeks_ago") <= from_week)
    times = rows.select("outcome", "latency_ms", "resolution_ms").filter(
        (pl.col("outcome") == "released") & (pl.col("latency_ms") > 0))
    in_step = polls_in_step(times["latency_ms"].to_numpy(),
                            times["resolution_ms"].fill_null(0.0).to_numpy())
    # Else the sag is as long as the command, or is the latency itself.
    cuts_itself = lock.self_cut and lock.latency_kind != "supply"
    # When a door moves is up to whoever opens it; doors that come late are judged by themselves.
    of_people = lock.latency_kind == "door"
    return rows.with_columns(in_step=pl.lit(in_step), cuts_itself=pl.lit(cuts_itself),
                             of_people=pl.lit(of_people))


def _week_rows(rows: pl.DataFrame) -> pl.DataFrame:
    """Actuations by ``lock`` and ``weeks_ago``: ``commands``, the figures; of all locks at once."""
    clear = pl.col("sag_volts") > CLEAR_SAG * pl.col("volts_noise").fill_null(0.0)
    load = pl.col("sag_volts").filter(clear & (pl.col("sag_volts") > 0)).log()
    # A pulse that ran to its end was not cut: its length is the command's. A coil that cuts itself
    # draws for as long as the lock takes, which the drift judges: what is its own is how much
    # longer, or shorter, that is.
    cut = (pl.col("sag_ms") > 0) & ~(pl.col("sag_ms") + pl.col("sample_ms") > pl.col("pulse_ms"))
    released = (pl.col("outcome") == "released") & (pl.col("latency_ms") > 0)
    took = pl.when(released).then(pl.col("latency_ms"))
    longer = 100.0 * pl.col("sag_ms") / took
    rows = _within_reach(rows.with_columns(
        # A rail that falls in the middle of a week gives it two levels, which are no tail: each
        # release is held against its own day's.
        latency=pl.when(~pl.col("of_people")).then(
            took.log() - took.log().median().over("lock", "day")),
        length=pl.when(cut & pl.col("cuts_itself")).then(longer.log()),
        poll=pl.col("resolution_ms").fill_null(0.0) / pl.col("latency_ms"),
        sample=pl.col("sample_ms").fill_null(0.0) / pl.col("sag_ms"),
    ), {"latency": "poll", "length": "sample"})
    figures: dict[str, tuple[pl.Expr, pl.Expr]] = {
        "weekly-sag": (_middle(load), load),
        "weekly-sag-length": (pl.col("length").median(), pl.col("length")),
        "weekly-sag-after-the-pulse": (pl.col("sag_outlasts_ms").log1p().mean(),
                                       pl.col("sag_outlasts_ms")),
        "weekly-recovery": (pl.col("recovery_ms").log1p().median(), pl.col("recovery_ms")),
        "weekly-spike-at-switch-off": (pl.col("off_spike_volts").clip(0.0).log1p().median(),
                                       pl.col("off_spike_volts")),
        "weekly-current": (_log("amps").median(), _log("amps")),
    }
    # One reading further, on these figures' scale.
    apart = [(pl.col("sample_ms") / (1.0 + pl.col(of))).log1p().median().alias(STEP + name)
             for name, of in (("weekly-recovery", "recovery_ms"),
                              ("weekly-sag-after-the-pulse", "sag_outlasts_ms"))]
    weeks = rows.group_by("lock", "weeks_ago").agg(
        pl.len().alias("commands"),
        *(_where_known(value, column).alias(name) for name, (value, column) in figures.items()),
        pl.col("latency", "length").drop_nulls(), pl.col("in_step").first(),
        pl.col("poll", "sample").median(), *apart,
    )
    return weeks.filter(pl.col("commands") >= COMMANDS_FOR_FIGURES).with_columns(
        _tail("latency", "poll", late=True).alias(TAILS[0]),
        _tail("latency", "poll", late=False).alias(TAILS[1]),
        _tail("length", "sample", late=True).alias("weekly-late-tail-of-sag-length"),
        pl.col("sample").alias(STEP + "weekly-sag-length"),
    ).with_columns(
        # A level that crosses a tick of the clock carries a whole tail over with it.
        pl.when("in_step").then(pl.col("poll") / pl.col(name).exp()).alias(STEP + name)
        for name in TAILS
    )


@dataclass(frozen=True)
class _Levels:
    """Levels of locks x weeks x figures; the commands, of locks x weeks; the step of the clock of
    locks x figures, on the figure's scale.
    """

    locks: tuple[str, ...]
    level: Reals
    commands: Reals
    step: Reals


def _levels(history: History) -> _Levels:
    """Levels of each lock and week, from the tables."""
    known = history.venue.locks_by_id
    parts = []
    for lot in in_lots(history.dated("actuations").select(_LOOKED_AT)):
        of_locks = [_of_baseline(rows, history)
                    for name, rows in per_lock(lot).items() if name in known]
        if of_locks and not (weeks := _week_rows(pl.concat(of_locks))).is_empty():
            parts.append(weeks)
    if not parts:
        none = np.empty((0, 1))
        return _Levels((), np.empty((0, 1, len(FIGURES))), none, np.empty((0, len(FIGURES))))
    frame = pl.concat(parts)
    locks = tuple(frame["lock"].unique().sort())
    span = int(frame["weeks_ago"].max()) + 1  # type: ignore[arg-type]
    lock = np.searchsorted(np.array(locks), frame["lock"].to_numpy())
    week = span - 1 - frame["weeks_ago"].to_numpy()

    def table(column: str, missing: float = np.nan) -> Reals:
        out = np.full((len(locks), span), missing)
        if column in frame.columns:  # few figures have a step
            out[lock, week] = frame[column].cast(pl.Float64).fill_null(missing).to_numpy()
        return out

    level = np.stack([table(figure.id) for figure in FIGURES], axis=2)
    step = np.stack([table(STEP + figure.id, 0.0).max(axis=1) for figure in FIGURES], axis=1)
    _meters(history, locks, level, step)
    return _Levels(
        locks, _measured_as_now(history, locks, level), table("commands", 0.0), step)


def _meters(history: History, locks: tuple[str, ...], level: Reals, step: Reals) -> None:
    """Put the step of each lock's rail's meter over its sag in place among the steps."""
    place = [figure.id for figure in FIGURES].index("weekly-sag")
    loads = rail_loads(history)
    for row, name in enumerate(locks):
        load = loads.get(history.venue.locks_by_id[name].supply)
        sags = level[row, :, place]
        if load is not None and np.isfinite(sags).any():
            step[row, place] = load.step_volts / np.exp(np.nanmedian(sags))


def _measured_as_now(history: History, locks: tuple[str, ...], level: Reals) -> Reals:
    """The levels without the weeks that were measured, or driven, in another way than this one.

    Where two locks changed places, what came before is another lock's.
    """
    known, held = history.venue.locks_by_id, regimes(history)
    out = level.copy()
    for row, name in enumerate(locks):
        swap = swap_of(history, name)
        for place, figure in enumerate(FIGURES):
            begun = held.begun(known[name], figure.seen_by)
            if swap is not None:
                begun = max(begun or swap.day, swap.day)
            if begun is not None:
                whole = (history.week.sunday - begun).days // 7 + (begun.weekday() == 0)
                out[row, :max(level.shape[1] - whole, 0), place] = np.nan
    return out


def weekly_figures(history: History, weeks_now: int) -> WeeklyFigures:
    """Every lock's weekly figures, and how far each week is from the lock's level before.

    Parameters
    ----------
    history : History
        The venue's tables up to the end of the week.
    weeks_now : int
        The last weeks, this many, are never part of the level before.

    Returns
    -------
    WeeklyFigures
    """
    found = _levels(history)
    locks, level, commands = found.locks, found.level, found.commands
    if not locks:
        return WeeklyFigures((), level, level > 0, level, level, level[:, 0], commands)
    known = np.isfinite(level)
    known[:, commands.shape[1] - weeks_now:] = False
    first = known & (np.cumsum(known, axis=1) <= FIRST_WEEKS)
    described = [history.venue.locks_by_id[name] for name in locks]
    kinds = np.array([family(lock) for lock in described], dtype=object)
    rails = np.array([lock.supply for lock in described], dtype=object)
    alone = _from_before(level, first)
    off = _without_common(alone, kinds, rails)
    deviation = _weekly_deviation(off, first, kinds, found.step)
    scaled = deviation[:, None] * _of_few(commands, kinds)[:, :, None]
    return WeeklyFigures(locks, level, first, off / scaled, alone / scaled, deviation, commands)


def _of_few(commands: Reals, kinds: Names) -> Reals:
    """How much wider a week scatters if it has fewer commands than is typical of the kind."""
    out = np.ones(commands.shape)
    for kind in set(kinds):
        rows = commands[kinds == kind]
        typical = np.median(rows[rows > 0])
        out[kinds == kind] = np.sqrt(np.maximum(typical / np.maximum(rows, 1.0), 1.0))
    return out


def _from_before(level: Reals, first: Flags) -> Reals:
    """Each week minus the median of the first weeks; the week itself is left out of them."""
    off = np.full(level.shape, np.nan)
    for lock, figure in zip(*np.nonzero(first.sum(axis=1) >= FIRST_WEEKS), strict=True):
        weeks = np.flatnonzero(first[lock, :, figure])
        before = level[lock, weeks, figure]
        off[lock, :, figure] = level[lock, :, figure] - np.median(before)
        for place, week in enumerate(weeks):
            off[lock, week, figure] = before[place] - median(np.delete(before, place))
    return off


def _without_common(off: Reals, kinds: Names, rails: Names) -> Reals:
    """Subtract the median of the siblings, of those on the same rail where there are enough."""
    out = off.copy()
    own = np.arange(len(kinds))
    of_rail = np.array([figure.of_rail for figure in FIGURES])
    for lock in own:
        alike, near = (kinds == kinds[lock]) & (own != lock), (rails == rails[lock]) & (own != lock)
        left = np.ones(off.shape[1:], dtype=bool)
        for group, figures in ((alike & near, ~of_rail), (alike, ~of_rail), (near, of_rail)):
            others = off[group]
            use = left & figures & (np.isfinite(others).sum(axis=0) >= SIBLINGS_FOR_MEDIAN)
            if use.any():
                out[lock][use] -= np.nanmedian(others[:, use], axis=0)
            left &= ~use
        # What no other lock of the rail confirms may be the rail's own change.
        out[lock][left & of_rail] = np.nan
    return out


def _weekly_deviation(off: Reals, first: Flags, kinds: Names, step: Reals) -> Reals:
    """Spread of sound weeks, locks x figures: the lock's own, pooled with that of its kind.

    It is never under half a step of the clock: a figure that jumps by one step has not moved.
    """
    floors = np.maximum([figure.floor for figure in FIGURES], STEP_FLOOR_SHARE * step)
    out = np.empty(floors.shape)
    for figure in range(len(FIGURES)):
        pools = {kind: robust_deviation(off[kinds == kind, :, figure]) for kind in set(kinds)}
        for lock, kind in enumerate(kinds):
            own = off[lock, first[lock, :, figure], figure]
            own = own[np.isfinite(own)]
            pool = pools[kind]
            squares = np.minimum(own**2, WILD_WEEK_DEVIATIONS**2 * pool**2)
            spread = np.sqrt((POOL_WEIGHT * pool**2 + squares.sum()) / (POOL_WEIGHT + own.size))
            out[lock, figure] = max(spread, floors[lock, figure])
    return out
