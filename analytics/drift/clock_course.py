"""What two clocks do to each other, day by day: seen by all locks whose feedback is on the second.

A lock that is commanded by one controller and read by another shows the sum of its time to release
and of what the second clock is ahead. That is the same for every lock of the pair on a day, in
milliseconds, whatever each of them takes: the median over locks is the clocks' course.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta

import numpy as np
import polars as pl

from remanence.analytics.history import History, day_ordinals, once_per_history
from remanence.analytics.physics.regimes import Regime
from remanence.analytics.statistics.arrays import Ints, Reals
from remanence.analytics.statistics.intervals import DEVIATION_OVER_MAD, robust_deviation

FEWEST_LOCKS = 3
"""Locks of a pair of clocks that must show its course: with fewer, one lock's own change would pass
for the clocks' (assumption)."""
FEWEST_OF_A_DAY, AGREE_DEVIATIONS = 2, 3.0
"""Locks that show it on one day, and how far two alone may differ, in deviations of their steps
from day to day: two that moved alike did not both change by themselves (assumption)."""
QUICK_TIMES = 3.0
"""Locks whose days scatter by so many times the steadiest one's tell nothing beside the three
steadiest (assumption): a magnet scatters by more milliseconds than clocks wander."""
ROUNDS = 4
"""Rounds of polishing levels and course against each other: it has settled by then."""
REFERENCE_DAYS, LASTING_DAYS = 14, 3
"""The first days that show what the clocks do usually, and days that a course must stay away from
that to be told (assumption)."""
TOLD_MS, TOLD_DEVIATIONS = 3.0, 4.0
"""How far away that is: milliseconds, and deviations of those first days (assumption)."""
WANDER_WEEKS, NEXT_WITHIN = 4, timedelta(minutes=5)
"""Weeks in which a clock may have wandered, so that what is judged from them is off; and how soon
after another's a lock must answer to share its clock's error (assumption)."""
SURE_DEVIATIONS = 5.0
"""How far from chance what they share must be: rails and rooms move locks together by a little
(assumption)."""
STEADIEST = 0.1
"""The quantile of all locks' scatter that is the steadiest one's. Assumption."""
WANDERS_TO_TIME = 10.0
"""What wanders by more than a tenth of a latency hides the change by which a fault begins to
show, see :data:`remanence.analytics.physics.clock_step.FEWEST_TICKS`."""
WANDERS_TO_ANSWER = 3.0
"""Of a latency of fewer deviations of the wander an answer may be stamped before its command (three
standard deviations: common practice)."""
LEAST_MS = 0.1
"""No latency is less than this. [ms]"""


def without_clock_course(rows: pl.DataFrame, history: History) -> pl.DataFrame:
    """The actuations with the course of two clocks taken out of their latencies.

    Parameters
    ----------
    rows : polars.DataFrame
        Actuations with ``day``.
    history : History
        Whose.

    Returns
    -------
    polars.DataFrame
        The same rows; latencies across clocks of which three locks or more show the course are
        what they were on the median day of their clocks: a day that fewer show lies between its
        neighbours. Others are as they were.
    """
    courses = clock_courses(rows, history)
    if not courses:
        return rows
    pair = _pairs(history)
    ordinal = day_ordinals(rows["day"])
    name = rows["lock"].replace_strict(pair, default=None, return_dtype=pl.String).to_numpy()
    ahead = np.zeros(rows.height)
    for one, (days, course) in courses.items():
        mine = name == one
        ahead[mine] = np.interp(ordinal[mine], days, course)
    latency = (pl.col("latency_ms") - pl.lit(pl.Series(ahead))).clip(lower_bound=LEAST_MS)
    return rows.with_columns(latency_ms=pl.when("across_clocks").then(latency).otherwise(
        "latency_ms"))


def _pairs(history: History) -> dict[str, str]:
    """Of each lock with a contact, its two controllers as one word."""
    return {lock.id: f"{lock.command_controller} {lock.contact_controller}"
            for lock in history.venue.locks if lock.contact}


def _answers(rows: pl.DataFrame, of: Mapping[str, str], name: str) -> pl.DataFrame:
    """Answers to first tries across clocks, of the locks that ``of`` tells, which is ``name``."""
    return rows.with_columns(pl.col("lock").replace_strict(
        of, default=None, return_dtype=pl.String).alias(name)).filter(
        pl.col("across_clocks") & pl.col(name).is_not_null() & (pl.col("outcome") == "released")
        & (pl.col("attempt").fill_null(1) == 1) & pl.col("latency_ms").is_finite())


def clock_courses(rows: pl.DataFrame, history: History) -> dict[str, tuple[Ints, Reals]]:
    """By how much the second clock of each pair is ahead of its median, day by day.

    Parameters
    ----------
    rows : polars.DataFrame
        Actuations with ``day``.
    history : History
        Whose.

    Returns
    -------
    dict of str to (array of int, array)
        By the two controllers' names: days (proleptic ordinals) that three locks or more show,
        and milliseconds.
    """
    told = _answers(rows, _pairs(history), "pair")
    found = {str(name): _course(part) for (name,), part in told.partition_by(
        "pair", as_dict=True, maintain_order=True).items()}
    return {name: course for name, course in found.items() if course[0].size}


@once_per_history
def clock_wander(history: History) -> dict[str, float]:
    """By how much the clocks of controllers that only read contacts wander within a day.

    Parameters
    ----------
    history : History
        ``actuations`` are used.

    Returns
    -------
    dict of str to float
        By controller, of those that do: standard deviation in the worst of the last weeks. [ms]

    Notes
    -----
    A clock that is set once an hour is off by another amount each minute. Two locks that answer one
    after the other share that, and nothing else: the mean product of their differences from their
    usual times is its variance, and must lie far from chance.
    """
    by = ("reader", "weeks_ago")
    rows = _answers(without_clock_course(history.dated("actuations").filter(
        pl.col("weeks_ago") < WANDER_WEEKS), history), _readers(history), "reader").filter(
        pl.col("latency_from") != "door")
    off = pl.col("latency_ms") - pl.col("latency_ms").median().over("lock", "weeks_ago")
    spread = DEVIATION_OVER_MAD * pl.col("off").abs().median().over("lock", "weeks_ago")
    rows = rows.with_columns(off=off).with_columns(
        spread=spread.clip(lower_bound=LEAST_MS)).with_columns(
        off=pl.col("off").clip(-QUICK_TIMES * pl.col("spread"), QUICK_TIMES * pl.col("spread")))
    next_of = {name: pl.col(name).shift(-1).over(by) for name in (
        "lock", "command_time", "off", "spread")}
    both = rows.sort("reader", "command_time").with_columns(
        soon=next_of["command_time"] - pl.col("command_time") <= NEXT_WITHIN,
        other=next_of["lock"] != pl.col("lock"), product=pl.col("off") * next_of["off"],
        scale=pl.col("spread") * next_of["spread"]).filter("soon", "other")
    # Each product is off by its scale: weighted by that, the steady locks tell most.
    weight = pl.col("scale") ** -2
    weekly = both.group_by(by).agg(
        variance=(pl.col("product") * weight).sum() / weight.sum(), weight=weight.sum(),
        steadiest=pl.col("spread").quantile(STEADIEST))
    sure = weekly.filter(pl.col("variance") * pl.col("weight").sqrt() > SURE_DEVIATIONS)
    # Minutes apart two locks do not share all of it; the steadiest scatters by little else.
    size = pl.col("variance").sqrt()
    size = pl.when(size > pl.col("steadiest") / 2).then("steadiest").otherwise(size)
    return dict(weekly.join(sure, on="reader", how="semi").with_columns(size=size).group_by(
        "reader").agg(pl.col("size").max()).sort("reader").rows())


def _readers(history: History) -> dict[str, str]:
    """Of each lock with a contact, the controller that reads it."""
    return {lock.id: lock.contact_controller for lock in history.venue.locks
            if lock.contact_controller is not None}


def wandering_locks(history: History, times: float) -> dict[str, float]:
    """Locks whose usual latency is less than so many times the wander of their contact's clock.

    Parameters
    ----------
    history : History
        ``actuations`` are used.
    times : float
        :data:`WANDERS_TO_TIME`, or :data:`WANDERS_TO_ANSWER`.

    Returns
    -------
    dict of str to float
        By lock, with that wander. [ms]
    """
    wander = clock_wander(history)
    if not wander:
        return {}
    rows = history.dated("actuations").filter(
        (pl.col("weeks_ago") < WANDER_WEEKS) & pl.col("across_clocks"))
    usual = dict(rows.group_by("lock").agg(pl.col("latency_ms").median()).rows())
    return {name: wander[reader] for name, reader in _readers(history).items()
            if reader in wander and (usual.get(name) or np.inf) < times * wander[reader]}


def clock_notes(history: History) -> list[Regime]:
    """What second clocks do by themselves, as notes: no fault of any lock.

    Parameters
    ----------
    history : History
        ``actuations`` and ``polling`` are used.

    Returns
    -------
    list of Regime
        ``quantity`` ``clocks``: in the week in which a clock began to run by itself, ``value`` the
        milliseconds that it has been off at most since then; and in each week in which pairing had
        to bring it to the other, the most that it was off then. ``wander``: one that wanders within
        a day, by so many milliseconds. ``unclear``: days of the week on which its course could not
        be told.
    """
    return [*_set_apart(history), *_began_to_run(history), *(
        Regime("controller", name, "wander", history.week.monday, history.week.sunday, off, 0.0)
        for name, off in clock_wander(history).items())]


def _set_apart(history: History) -> list[Regime]:
    """Clocks that pairing brought to those of the commands."""
    found = []
    apart = history.polling.filter(pl.col("ahead_ms").is_not_null())
    for (name,), part in apart.sort("day").partition_by(
            "controller", as_dict=True, maintain_order=True).items():
        week = part.filter(pl.col("day") >= history.week.monday)
        unclear = week.filter(~pl.col("ahead_known")).height
        known = week.filter("ahead_known")["ahead_ms"].abs().max()
        told = [("clocks", known, part["day"][0])] if known is not None else []
        told += [("unclear", float(unclear), history.week.monday)] if unclear else []
        found += [Regime("controller", str(name), quantity, since, history.week.sunday,
                         float(value), 0.0) for quantity, value, since in told]  # type: ignore[arg-type]
    return found


def _began_to_run(history: History) -> list[Regime]:
    found = []
    courses = clock_courses(history.dated("actuations"), history)
    apart = set(history.polling.filter(pl.col("ahead_ms").is_not_null())["controller"])
    for name, (days, course) in courses.items():
        if name.split(" ")[1] in apart:
            continue
        first = course[days < days[0] + REFERENCE_DAYS]
        off = np.abs(course - np.median(first))
        away = off > max(TOLD_MS, TOLD_DEVIATIONS * robust_deviation(first))
        runs = np.convolve(away, np.ones(LASTING_DAYS), "valid") == LASTING_DAYS
        if not runs.any():
            continue
        begun = int(np.argmax(runs))
        since = date.fromordinal(int(days[begun]))
        if since >= history.week.monday - timedelta(days=LASTING_DAYS):
            found.append(Regime(
                "controller", name.split(" ")[1], "clocks", since, history.week.sunday,
                float(off[begun:].max()), 0.0))
    return found


def _course(part: pl.DataFrame) -> tuple[Ints, Reals]:
    """Days, and by how much the second clock is ahead of its median on each. [ms]"""
    daily = part.group_by("lock", "day").agg(pl.col("latency_ms").median()).sort("lock", "day")
    ordinal = day_ordinals(daily["day"])
    locks, row = np.unique(daily["lock"].to_numpy(), return_inverse=True)
    days, column = np.unique(ordinal, return_inverse=True)
    table = np.full((locks.size, days.size), np.nan)
    table[row, column] = daily["latency_ms"].to_numpy()
    steps = np.array([robust_deviation(np.diff(line[np.isfinite(line)])) if (
        np.isfinite(line).sum() > ROUNDS) else np.inf for line in table])
    if locks.size < FEWEST_LOCKS:
        return days[:0], np.zeros(0)
    third = float(np.sort(steps)[FEWEST_LOCKS - 1])
    steady = np.isfinite(steps) & (
        steps <= max(QUICK_TIMES * max(float(steps.min()), LEAST_MS), third))
    table, steps = table[steady], steps[steady]
    enough = np.isfinite(table).sum(axis=0) >= FEWEST_OF_A_DAY
    table, days = table[:, enough], days[enough]
    known = np.isfinite(table).any(axis=1)
    table, steps = table[known], steps[known]
    if table.shape[0] < FEWEST_LOCKS or not days.size:
        return days[:0], np.zeros(0)
    course = np.zeros(days.size)
    for _ in range(ROUNDS):
        own = np.nanmedian(table - course, axis=1)
        course = np.nanmedian(table - own[:, None], axis=0)
    apart = np.nanmax(table - own[:, None], axis=0) - np.nanmin(table - own[:, None], axis=0)
    agree = apart <= AGREE_DEVIATIONS * float(np.median(steps))
    told = agree | (np.isfinite(table).sum(axis=0) >= FEWEST_LOCKS)
    if not told.any():
        return days[:0], np.zeros(0)
    days, course = days[told], course[told]
    return days.astype(np.int64), course - float(np.median(course))
