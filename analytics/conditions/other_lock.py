"""Another lock in the place of the old one: two that changed places, or one perhaps replaced.

A step from one day to the next in how a lock releases, or in what it draws, may be a fault that
came at once, or another lock that somebody fitted and did not write down. Two locks that each
became like the other have changed places: nothing is wrong with either.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import polars as pl

from remanence.analytics.history import History, actuations_by_lock, service_of, siblings
from remanence.analytics.statistics.intervals import MEDIAN_ERROR, robust_deviation
from remanence.shared.findings import Finding
from remanence.shared.tables import BASELINE_ACTIONS

STEPS = frozenset({
    "changed-unnamed", "coil-current-high", "missing-suppression", "slow-drop", "sticking-catch",
    "weakening-hold",
})
"""What another lock in the place of the old one looks like."""
NO_STEP = ("slow mode", "from the start")
"""Courses whose level did not change on a day."""
SHARP_DAYS = 7
"""A change whose day is known to within a week may have come at once (assumption)."""
ENTERED_DAYS = 14
"""Work entered within so many days of a change is what changed it (assumption)."""
BEFORE_DAYS, GUARD_DAYS = 35, 2
"""Days before a change that show how a lock was, and days next to it that are left out: its date is
not exact (assumption)."""
FEWEST = 5
"""Actuations on either side that show how a lock was and is (common practice, no source)."""
ALIKE, ALIKE_ERRORS = 0.04, 2.5
"""Two locks are alike to within this (natural log) and so many standard errors: warmth and wander
(assumption). Two that changed places differed by twice as much at least."""

Level = tuple[float, float]
"""A median natural log and its standard error."""


def without_swapped(found: Sequence[Finding], history: History) -> list[Finding]:
    """The findings without those of locks that each became like the other on the same day.

    Parameters
    ----------
    found : sequence of Finding
        Candidates.
    history : History
        Their tables.

    Returns
    -------
    list of Finding
    """
    return [item for item in found if swapped_with(item, history) is None]


def swapped_with(item: Finding, history: History) -> str | None:
    """The lock that this finding's lock changed places with; None where there is none.

    Parameters
    ----------
    item : Finding
        Any; only those of :data:`STEPS` are looked at.
    history : History
        Its tables.

    Returns
    -------
    str or None
        A sibling on the same rail whose time to release and whose sag became what the lock's were,
        and the lock's what its were; they differed by more than chance in one of the two.
    """
    lock = history.venue.locks_by_id.get(item.subject) if item.subject_kind == "lock" else None
    if (lock is None or item.condition not in STEPS or item.since is None
            or item.extra.get("course") in NO_STEP):
        return None
    own = _before_and_now(history, lock.id, item.since)
    for other in siblings(history.venue, lock):
        if other.supply == lock.supply and _exchanged(
                own, _before_and_now(history, other.id, item.since)):
            return other.id
    return None


def _before_and_now(
    history: History, name: str, since: date
) -> list[tuple[Level | None, Level | None]]:
    """Log latency and log sag of one lock, each before the day and now."""
    rows = actuations_by_lock(history).get(name)
    if rows is None:
        return []
    begun = since - timedelta(days=GUARD_DAYS)
    before = rows.filter(pl.col("day").is_between(begun - timedelta(days=BEFORE_DAYS), begun,
                                                  closed="left"))
    now = rows.filter((pl.col("day") > since + timedelta(days=GUARD_DAYS - 1))
                      & (pl.col("weeks_ago") == 0))
    told = pl.col("outcome") == "released"
    return [
        (_level(before, column, told), _level(now, column, told))
        for column in ("latency_ms", "sag_volts")
    ]


def _level(rows: pl.DataFrame, column: str, told: pl.Expr) -> Level | None:
    values = np.log(rows.filter(told & (pl.col(column) > 0))[column].to_numpy())
    if values.size < FEWEST:
        return None
    return float(np.median(values)), float(
        MEDIAN_ERROR * robust_deviation(values) / np.sqrt(values.size))


def _exchanged(
    own: list[tuple[Level | None, Level | None]], other: list[tuple[Level | None, Level | None]]
) -> bool:
    apart = False
    for (a_before, a_now), (b_before, b_now) in zip(own, other, strict=False):
        if a_before is None or a_now is None or b_before is None or b_now is None:
            continue
        if not (_alike(a_now, b_before) and _alike(b_now, a_before)):
            return False
        apart = apart or not _alike(a_before, b_before, 2.0)
    return apart


def _alike(first: Level, second: Level, times: float = 1.0) -> bool:
    error = float(np.hypot(first[1], second[1]))
    return abs(first[0] - second[0]) <= times * (ALIKE + ALIKE_ERRORS * error)


def perhaps_replaced(item: Finding, history: History) -> Finding:
    """The finding, marked where the bench must ask first whether the lock was replaced.

    Parameters
    ----------
    item : Finding
        Any.
    history : History
        Its service log.

    Returns
    -------
    Finding
        With ``extra["perhaps_replaced"]`` where the lock changed at once and no work is entered.
    """
    if item.subject_kind != "lock" or item.condition not in STEPS or item.since is None:
        return item
    gradual = item.extra.get("course") == "gradual"
    wide = (item.since_low is None or item.since_high is None
            or (item.since_high - item.since_low).days > SHARP_DAYS)
    if (gradual and wide) or item.extra.get("course") in ("slow mode", "from the start"):
        return item
    since = item.since
    entered = any(action in BASELINE_ACTIONS and abs((day - since).days) <= ENTERED_DAYS
                  for day, action in service_of(history).get(item.subject, ()))
    return item if entered else replace(item, extra={**item.extra, "perhaps_replaced": True})


def within_the_log(item: Finding, first: date | None) -> Finding:
    """The finding, dated no earlier than the log's first day: nothing is known of the time before.

    Parameters
    ----------
    item : Finding
        Any.
    first : date or None
        First day with actuations.

    Returns
    -------
    Finding
    """
    if first is None or item.since is None:
        return item
    dates = {name: max(day, first) for name in ("since", "since_low", "since_high")
             if (day := getattr(item, name)) is not None}
    return replace(item, **dates)
