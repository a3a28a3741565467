"""What two clocks do to each other, day by day: seen by all locks whose feedback is on the second.

A lock that is commanded by one controller and read by another shows the sum of its time to release
and of what the second clock is ahead. That is the same for every lock of the pair on a day, in
milliseconds, whatever each of them takes: the median over locks is the clocks' course.
"""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl

from remanence.analytics.history import History, day_ordinals
from remanence.analytics.physics.regimes import Regime
from remanence.analytics.statistics.arrays import Ints, Reals
from remanence.analytics.statistics.intervals import robust_deviation

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
    told = rows.with_columns(pair=pl.col("lock").replace_strict(
        _pairs(history), default=None, return_dtype=pl.String)).filter(
        pl.col("across_clocks") & pl.col("pair").is_not_null() & (pl.col("outcome") == "released")
        & (pl.col("attempt").fill_null(1) == 1) & pl.col("latency_ms").is_finite())
    found = {str(name): _course(part) for (name,), part in told.partition_by(
        "pair", as_dict=True, maintain_order=True).items()}
    return {name: course for name, course in found.items() if course[0].size}


def clock_notes(history: History) -> list[Regime]:
    """Second clocks that began this week to run by themselves, as notes: no fault of any lock.

    Parameters
    ----------
    history : History
        Whose.

    Returns
    -------
    list of Regime
        ``quantity`` ``clocks``, ``value`` the milliseconds that the clock has been off at most
        since then.
    """
    found = []
    courses = clock_courses(history.dated("actuations"), history)
    for name, (days, course) in courses.items():
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
