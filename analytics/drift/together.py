"""Did these locks change by one cause, or each by its own in the same weeks?

A median over locks moves with what acts on all of them, and it moves as well where most of them
fell slow one after another. What tells the two apart is what each lock shows by itself: one
cause begins on one day and is of one size, as far as locks answer alike; faults of their own
begin on any day and are of any size.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy import special

from remanence.analytics.drift.change_model import SHIFT_PRIOR
from remanence.analytics.statistics.arrays import Flags, Reals
from remanence.analytics.statistics.change import Change
from remanence.analytics.statistics.intervals import NORMAL_95

SHARED_HAZARD_PER_DAY = 1e-3
"""Chance that some unit's locks begin to change together on a given day: once in three years of a
venue. An assumption; the units share it."""

OWN_HAZARD_PER_DAY = 1e-3
"""The same of one lock by itself: once in three years of a lock. An assumption."""

OWN_ANSWER = 0.35
"""How much more or less than its unit one lock may answer what its unit shares (share). Assumption:
what acts on all acts on each by its own friction and volts."""

TOGETHER_DAYS = 4.0
"""What acts on many locks shows on each within so many days of what is seen of all: oil or warmth
reaches one sooner than another (assumption; two standard deviations)."""

OWN_FAULT_BESIDE = 0.1
"""Chance that one which shares a change shows another of its own more plainly (assumption)."""

FEWEST_TO_COMPARE = 2
"""Locks whose changes can agree or differ."""
IN_IT = 0.5
"""A lock shares the cause where that is likelier than not (calculated: even odds)."""

_DAY_STEP = 0.5
"""Days between two beginnings that are tried."""
_SIZES = np.geomspace(0.03, 1.2, 32)
"""Sizes that are tried (natural log): from what no finding tells to threefold."""


def one_cause(own: Sequence[Change | None], rows: Flags, units: int) -> tuple[float, Flags]:
    """Odds that locks which all moved did so by one cause.

    Parameters
    ----------
    own : sequence of Change or None
        What each lock shows by itself; None: nothing.
    rows : array of bool
        Those that moved, as far as all of them together show.
    units : int
        Units that any shared cause might have struck.

    Returns
    -------
    tuple of (float, array of bool)
        Natural log of the odds against "each by a cause of its own", infinite where fewer than
        two show a change by themselves; and which of ``rows`` are likelier in it than apart from
        it: a lock that shows nothing by itself is.

    Notes
    -----
    Bayes factor of a common beginning and size, both integrated out on a grid, against one of each
    for every lock; beginnings and sizes as normal distributions of their 95 % intervals.
    """
    telling = [(number, change) for number, change in enumerate(own)
               if rows[number] and change is not None]
    joined = rows.copy()
    if len(telling) < FEWEST_TO_COMPARE:
        return np.inf, joined
    begun, apart = np.array([_beginning(change) for _, change in telling]).T
    spread = np.sqrt(apart**2 + (TOGETHER_DAYS / 2) ** 2)
    size = np.array([change.shift for _, change in telling])
    error = np.array([change.shift_deviation for _, change in telling])
    day = np.arange((begun - 2 * spread).min(), (begun + 2 * spread).max() + _DAY_STEP, _DAY_STEP)
    # By lock, day and size, against a change of its own.
    when = _log_normal(begun[:, None], day[None, :], spread[:, None])
    alike = np.sqrt(error[:, None] ** 2 + (OWN_ANSWER * _SIZES[None, :]) ** 2)
    much = (_log_normal(size[:, None], _SIZES[None, :], alike)
            - _log_normal(size, 0.0, np.sqrt(SHIFT_PRIOR**2 + error**2))[:, None])
    inside = when[:, :, None] + much[:, None, :] - np.log(OWN_HAZARD_PER_DAY)
    each = np.logaddexp(np.log1p(-OWN_FAULT_BESIDE) + inside, np.log(OWN_FAULT_BESIDE))
    prior = np.log(2.0) + _log_normal(_SIZES, 0.0, SHIFT_PRIOR) + np.log(np.gradient(_SIZES))
    weight = each.sum(axis=0) + prior[None, :] + np.log(
        _DAY_STEP * SHARED_HAZARD_PER_DAY / units)
    odds = float(special.logsumexp(weight))
    share = np.exp(weight - odds)
    for (number, _), mine, any_way in zip(telling, inside, each, strict=True):
        joined[number] = float(
            (share * np.exp(np.log1p(-OWN_FAULT_BESIDE) + mine - any_way)).sum()) > IN_IT
    return odds, joined


def _beginning(change: Change) -> tuple[float, float]:
    """Day on which it began, and the standard deviation of that."""
    low = change.since if change.since_low is None else change.since_low
    high = change.since if change.since_high is None else change.since_high
    return 0.5 * (low + high), max(high - low, 1.0) / (2 * NORMAL_95)


def _log_normal(value: Reals, middle: Reals | float, deviation: Reals | float) -> Reals:
    out: Reals = -0.5 * ((value - middle) / deviation) ** 2 - np.log(
        deviation * np.sqrt(2 * np.pi))
    return out
