"""Did these locks change by one cause, or each by its own in the same weeks?

A median over locks moves with what acts on all of them, and it moves as well where most of them
fell slow one after another, or where the few that can tell at all did. What tells the two apart
is what each lock shows by itself: one cause begins on one day, takes one course and is of one
size, as far as locks answer alike, and it reaches most locks of its unit; faults of their own
begin on any day, are of any size, and leave the rest where they were. So two stories of all of
a unit's locks are held against each other, and a lock of which nothing can be told speaks for
neither.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from remanence.analytics.drift.change_model import (
    LONGEST_SPAN_DAYS,
    SHAPES,
    SHIFT_PRIOR,
    ChangeLikelihood,
)
from remanence.analytics.statistics.arrays import Flags, Reals

SHARED_HAZARD_PER_DAY = 1e-3
"""Chance that some unit's locks begin to change together on a given day: once in three years of a
venue. An assumption; the units share it."""

OWN_HAZARD_PER_DAY = 1e-3
"""The same of one lock by itself, before any log: once in three years of a lock. An assumption; how
many of a venue's locks do change by themselves moves it."""

OWN_ANSWER = 0.35
"""How much more or less than its unit one lock may answer what its unit shares (share). Assumption:
what acts on all acts on each by its own friction and volts."""

TOGETHER_DAYS = 4.0
"""What acts on many locks shows on each within so many days of what is seen of all: oil or warmth
reaches one sooner than another (assumption; two standard deviations)."""

IN_IT = 0.5
"""A lock shares the cause where that is likelier than not, and a unit has done something where most
of its locks share it (calculated: even odds)."""

_SIZES = np.geomspace(0.03, 1.2, 20)
"""Sizes that are tried (natural log): from what no finding tells to threefold."""
_SPARED = np.array([0.03, 0.1, 0.2, 0.35, 0.5])
"""Shares of a unit's locks that its cause spares, or that show one of their own more plainly, each
as likely as its distance to the next: up to the half that leaves it the unit's."""
_HAZARDS = OWN_HAZARD_PER_DAY * np.geomspace(0.1, 10.0, 5)
"""How often locks change by themselves, as it is tried: exponential about the assumed one."""
_NEGLIGIBLE = 12.0
"""Natural log under the best below which a beginning, course and size add nothing to the sum."""
_LEAST = 1e-300
"""Keeps logarithms finite; it decides nothing."""


@dataclass(frozen=True)
class SideBySide:
    """What each of many locks shows by itself, under either story, against no change.

    Attributes
    ----------
    shared : array, shape (locks, cells)
        Natural log of how much likelier its levels are if it shares a change of that beginning,
        course and size (a cell); 0 where nothing is known of it.
    apart : array, shape (locks, hazards)
        The same if it did nothing, or changed by itself as often as that.
    known : array of bool, shape (locks,)
        Of which something is known.
    prior : array, shape (cells,)
        Natural log of how likely each cell is before, for one shared change a day.
    either : array, shape (locks, cells)
        ``shared`` or ``apart`` at the assumed hazard, as likely as a unit usually spares a lock.
    """

    shared: Reals
    apart: Reals
    known: Flags
    prior: Reals
    either: Reals


def side_by_side(
    own: Sequence[ChangeLikelihood | None], day: Reals, way: float = 1.0
) -> SideBySide:
    """Put the locks of a group side by side.

    Parameters
    ----------
    own : sequence of ChangeLikelihood or None
        What each shows by itself; None: too little for a change.
    day : array, shape (n,)
        Days on which a shared change may have begun, rising.
    way : float, optional
        1: a shared change makes releases later; -1: sooner.

    Returns
    -------
    SideBySide
        With ``shapes * n * sizes`` cells.
    """
    span = np.minimum(np.diff(day, prepend=day[0] - 1.0), LONGEST_SPAN_DAYS)
    size = 2 * np.exp(-0.5 * (_SIZES / SHIFT_PRIOR) ** 2) / (
        SHIFT_PRIOR * np.sqrt(2 * np.pi)) * np.gradient(_SIZES)
    prior = np.log(np.broadcast_to(
        span[:, None] * size[None, :] / len(SHAPES), (len(SHAPES), day.size, _SIZES.size)))
    shared = np.zeros((len(own), prior.size))
    apart = np.zeros((len(own), _HAZARDS.size))
    for row, told in enumerate(own):
        if told is not None:
            shared[row], apart[row] = _if_shared(told, day, way), _if_apart(told)
    usually = _SPARED[_SPARED.size // 2]
    either = np.logaddexp(np.log1p(-usually) + shared,
                          np.log(usually) + apart[:, _HAZARDS.size // 2, None])
    return SideBySide(
        shared, apart, np.array([told is not None for told in own]), prior.ravel(), either)


def rough_odds(seen: SideBySide, units: Flags) -> Reals:
    """About the odds of :func:`one_cause`, up to what all units have in common.

    Parameters
    ----------
    seen : SideBySide
        All locks of the group.
    units : array of bool, shape (units, locks)
        Whose locks are which.

    Returns
    -------
    array, shape (units,)
        Natural log, with one share of locks spared and one hazard in place of all.
    """
    out: Reals = special.logsumexp(seen.prior + units.astype(float) @ seen.either, axis=1)
    return out - units @ seen.apart[:, _HAZARDS.size // 2]


def _if_apart(told: ChangeLikelihood) -> Reals:
    """By hazard: it did nothing, or changed on a day, course and size of its own."""
    changed = special.logsumexp(told.log_factors(), b=told.span / len(SHAPES))
    nothing = np.maximum(1 - _HAZARDS * told.span.sum(), _LEAST)
    out: Reals = np.logaddexp(np.log(nothing), np.log(_HAZARDS) + changed)
    return out


def _if_shared(told: ChangeLikelihood, day: Reals, way: float) -> Reals:
    """By cell: the lock's own size about the shared one and its own day about it integrated out."""
    spread = TOGETHER_DAYS / 2
    ends = (told.onset[None, :] + 0.5 - day[:, None]) / spread
    begins = ends - told.span / spread
    near = special.ndtr(ends) - special.ndtr(begins)
    # Whoever began before its first day or after its last looks as if on that.
    near[:, 0] += special.ndtr(begins[:, 0])
    near[:, -1] += special.ndtr(-ends[:, -1])
    near /= near.sum(axis=1)[:, None]
    varied = (OWN_ANSWER * _SIZES) ** 2
    cross, power = way * told.cross[:, :, None], told.power[:, :, None]
    factor = (cross * _SIZES + 0.5 * cross**2 * varied - 0.5 * power * _SIZES**2) / (
        1 + power * varied) - 0.5 * np.log1p(power * varied)
    top = factor.max()
    out: Reals = top + np.log(near @ np.exp(factor - top) + _LEAST)
    return out.ravel()


def one_cause(seen: SideBySide, rows: Flags, units: int) -> tuple[float, Flags]:
    """Odds that locks of a unit changed by one cause, against each by its own or not at all.

    Parameters
    ----------
    seen : SideBySide
        All locks of the group.
    rows : array of bool
        The unit's.
    units : int
        Units that any shared cause might have struck.

    Returns
    -------
    tuple of (float, array of bool)
        Natural log of the odds; and which of the unit's locks are likelier in it than apart from
        it.

    Notes
    -----
    Marginal likelihoods of both stories for the same levels. One cause: beginning, course and size
    in common, each lock's own answer about them, and a share of the locks spared, all integrated
    out on a grid. Each its own: every lock unchanged, or changed on a day, course and size of its
    own. How often that happens is one unknown of the venue, integrated out in both: where many
    locks fail by themselves, a few more of them in the same weeks are no wonder. Bayes factor
    (textbook); the model is this program's own.
    """
    members = np.flatnonzero(rows & seen.known)
    joined = np.zeros(rows.size, dtype=bool)
    if not members.size:
        return -np.inf, joined
    often = np.log(np.gradient(_HAZARDS)) - _HAZARDS / OWN_HAZARD_PER_DAY
    apart = often + seen.apart.sum(axis=0)
    others = often + seen.apart[~rows].sum(axis=0)
    shared, own = seen.shared[members], seen.apart[members]
    about = seen.prior + seen.either[members].sum(axis=0)
    cells = np.flatnonzero(about > about.max() - _NEGLIGIBLE)
    shared = shared[:, cells]
    # By spared share, hazard and cell.
    spared = np.log(np.gradient(_SPARED) / np.gradient(_SPARED).sum())
    story = np.broadcast_to(
        seen.prior[cells] + np.log(SHARED_HAZARD_PER_DAY / units),
        (_SPARED.size, _HAZARDS.size, cells.size)) + spared[:, None, None] + others[:, None]
    inside = np.log1p(-_SPARED)[:, None, None] + np.zeros((1, _HAZARDS.size, 1))
    every = []
    for lock, by_itself in zip(shared, own, strict=True):
        mine = inside + lock
        any_way = np.logaddexp(mine, np.log(_SPARED)[:, None, None] + by_itself[:, None])
        every.append(mine - any_way)
        story = story + any_way
    total = float(special.logsumexp(story))
    weight = np.exp(story - total)
    for number, one in zip(members, every, strict=True):
        joined[number] = float((weight * np.exp(one)).sum()) > IN_IT
    return total - float(special.logsumexp(apart)), joined
