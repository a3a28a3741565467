"""What two clocks do to each other, day by day: seen by all locks whose feedback is on the second.

A lock that is commanded by one controller and read by another shows the sum of its time to release
and of what the second clock is ahead. That is the same for every lock of the pair on a day, in
milliseconds, whatever each of them takes: the median over locks is the clocks' course.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from remanence.analytics.history import History, day_ordinals
from remanence.analytics.statistics.arrays import Ints, Reals
from remanence.analytics.statistics.intervals import robust_deviation

FEWEST_LOCKS = 3
"""Locks of a pair of clocks that must show a day's course: with fewer, one lock's own change would
pass for the clocks' (assumption)."""
QUICK_TIMES = 3.0
"""Locks whose days scatter by so many times the steadiest one's tell nothing (assumption):
a magnet scatters by more milliseconds than clocks wander."""
ROUNDS = 4
"""Rounds of polishing levels and course against each other: it has settled by then."""
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
        what they were on the median day of their clocks. Others are as they were.
    """
    pair = {lock.id: f"{lock.command_controller} {lock.contact_controller}"
            for lock in history.venue.locks if lock.contact}
    told = rows.with_columns(pair=pl.col("lock").replace_strict(
        pair, default=None, return_dtype=pl.String)).filter(
        pl.col("across_clocks") & pl.col("pair").is_not_null() & (pl.col("outcome") == "released")
        & (pl.col("attempt").fill_null(1) == 1) & pl.col("latency_ms").is_finite())
    courses = []
    for (name,), part in told.partition_by("pair", as_dict=True, maintain_order=True).items():
        days, course = _course(part)
        if days.size:
            courses.append(pl.DataFrame({
                "pair": [str(name)] * days.size, "ordinal": days, "ahead_ms": course}))
    if not courses:
        return rows
    ordinal = pl.Series("ordinal", day_ordinals(rows["day"]))
    ahead = rows.select("lock").with_columns(
        ordinal, pair=pl.col("lock").replace_strict(pair, default=None, return_dtype=pl.String)
    ).join(pl.concat(courses), on=["pair", "ordinal"], how="left", maintain_order="left")
    latency = (pl.col("latency_ms") - ahead["ahead_ms"].fill_null(0.0)).clip(lower_bound=LEAST_MS)
    return rows.with_columns(latency_ms=pl.when("across_clocks").then(latency).otherwise(
        "latency_ms"))


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
    table = table[steps <= QUICK_TIMES * max(float(steps.min()), LEAST_MS)]
    enough = np.isfinite(table).sum(axis=0) >= FEWEST_LOCKS
    table, days = table[:, enough], days[enough]
    table = table[np.isfinite(table).any(axis=1)]
    if table.shape[0] < FEWEST_LOCKS or not days.size:
        return days[:0], np.zeros(0)
    course = np.zeros(days.size)
    for _ in range(ROUNDS):
        own = np.nanmedian(table - course, axis=1)
        course = np.nanmedian(table - own[:, None], axis=0)
    return days.astype(np.int64), course - float(np.median(course))
