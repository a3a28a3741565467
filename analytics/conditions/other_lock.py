"""Another lock in the place of the old one: findings of two that changed places, or one replaced.

A step from one day to the next in how a lock releases, or in what it draws, may be a fault that
came at once, or another lock that somebody fitted and did not write down. Two locks that each
became like the other have changed places: nothing is wrong with either.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

from remanence.analytics.conditions.swapped import swap_of
from remanence.analytics.history import History, service_of
from remanence.shared.findings import Finding
from remanence.shared.tables import BASELINE_ACTIONS

STEPS = frozenset({
    "changed-unnamed", "coil-current-high", "coil-current-low", "missing-suppression", "slow-drop",
    "sticking-catch", "weakening-hold",
})
"""What another lock in the place of the old one looks like."""
NO_STEP = ("slow mode", "from the start")
"""Courses whose level did not change on a day."""
SHARP_DAYS = 7
"""A change whose day is known to within a week may have come at once (assumption)."""
ENTERED_DAYS = 14
"""Work entered within so many days of a change is what changed it (assumption)."""
ABOUT_DAYS = 21
"""A finding is dated to within some weeks (assumption)."""


def without_swapped(found: Sequence[Finding], history: History) -> list[Finding]:
    """The findings without those of locks that changed places with another one.

    Parameters
    ----------
    found : sequence of Finding
        Candidates.
    history : History
        Their tables.

    Returns
    -------
    list of Finding
        Without what another lock in the place of the old one looks like, where two locks each
        became like the other (:mod:`remanence.analytics.conditions.swapped`) about that time.
    """
    if not any(item.condition in STEPS for item in found):
        return list(found)
    return [item for item in found if not _is_a_swap(item, history)]


def _is_a_swap(item: Finding, history: History) -> bool:
    if item.subject_kind != "lock" or item.condition not in STEPS:
        return False
    swap = swap_of(history, item.subject)
    if swap is None:
        return False
    # A slow mode has no day of its own: while both levels are in its past it looks like one.
    return (item.since is None or item.extra.get("course") in NO_STEP
            or abs((item.since - swap.day).days) <= ABOUT_DAYS)


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
