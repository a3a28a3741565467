"""How far healthy days wander and how long they remember it: learned lock by lock.

Each lock's daily levels are the sum of two wanders that forget (Ornstein-Uhlenbeck processes:
days, and weeks), and of the scatter of its releases. The likelihood of every pair of sizes and
memories on a grid comes from a Kalman filter, a constant level integrated out (restricted
likelihood; any text on state-space models). The grid's weights are learned from all locks of
the group, then of the family (empirical Bayes: a short past says little by itself and leans
on its siblings). A lock that changed once would seem to wander: its likelihood is that with
the change and that without, each by its own weight.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from remanence.analytics.drift.common import Wander
from remanence.analytics.drift.daily_series import LockDays
from remanence.analytics.history import family
from remanence.analytics.statistics.arrays import Reals

DAILY_GRID = (0.004, 0.009, 0.015, 0.025, 0.042)
DAILY_MEMORY_GRID = (1.0, 4.0)
SLOW_GRID = (0.003, 0.008, 0.015, 0.026, 0.042, 0.065)
SLOW_MEMORY_GRID = (10.0, 30.0, 90.0)
"""Sizes (natural log) and memories (days) that are tried: from what no log can show to more than
any sound lock was supposed to have (assumption)."""

PRIOR_DAILY, PRIOR_SLOW = 0.013, 0.008
SPREAD_DAILY, SPREAD_SLOW = 0.6, 0.75
"""What is usual beforehand (the between-week scatter of 1 to 3 % that is common), and the standard
deviation of its natural log (assumption)."""

PRIOR_WEIGHT = 1.0
"""Locks' worth of say that the assumption has beside a group's locks."""
GROUP_WEIGHT = 3.0
"""Locks' worth of say that the group has beside a family's own locks."""
LEARNING_ROUNDS = 5
"""Rounds of expectation and maximisation: it has settled by then."""

STEPS = np.geomspace(0.02, 1.5, 48)
"""Steps (natural log) for which the odds are worked out, 9 % apart."""
STEP_DAYS = 14.0
"""The days after which a step is to be told."""

STATIONARY = 1.0
"""Variance that a filter begins with, in units of the process's own."""
LEAST_VARIANCE = 1e-8
"""Keeps a day's variance positive; it decides nothing."""


def _grid() -> Reals:
    out: Reals = np.array([
        (daily, memory, slow, slow_memory)
        for daily in DAILY_GRID for memory in DAILY_MEMORY_GRID
        for slow in SLOW_GRID for slow_memory in SLOW_MEMORY_GRID
    ])
    return out


GRID = _grid()
"""Every combination: daily size, its memory, slow size, its memory."""


def _prior() -> Reals:
    log = -0.5 * ((np.log(GRID[:, 0] / PRIOR_DAILY) / SPREAD_DAILY) ** 2
                  + (np.log(GRID[:, 2] / PRIOR_SLOW) / SPREAD_SLOW) ** 2)
    out: Reals = np.exp(log - special.logsumexp(log))
    return out


def usual_wander() -> Wander:
    """What is assumed of a lock of which nothing is known."""
    return mean_wander(_prior())


@dataclass(frozen=True)
class WanderSeries:
    """One lock's daily levels for learning; ``changed`` is the change that fits them best.

    Parameters
    ----------
    days : LockDays
        The lock.
    level : array
        A level a day with everything known taken out; NaN on days that are not to count.
    changed : array
        The fitted course of a change; zero without one.
    log_odds : float
        Natural log of the odds for that change, as the usual wander has it.
    usual : Wander
        That wander.
    """

    days: LockDays
    level: Reals
    changed: Reals
    log_odds: float
    usual: Wander


@dataclass(frozen=True)
class Learned:
    """The likeliest wander of a lock if it changed once, and if it did not.

    ``log_odds_more`` (natural log) is what all the others add to the odds of a change.
    ``step_odds`` are the natural log of the odds to be expected, prior aside, if a step of each
    of :data:`STEPS` had come two weeks before the end, ``step_error`` the standard error of it.
    """

    changed: Wander
    still: Wander
    log_odds_more: float = 0.0
    step_odds: Reals | None = None
    step_error: float = 0.0


def learn(every: Sequence[WanderSeries]) -> tuple[dict[str, Learned], Wander]:
    """Each lock's wander, shrunk to its family's and its group's, and that of the group.

    Parameters
    ----------
    every : sequence of WanderSeries
        A group's locks.

    Returns
    -------
    tuple of (dict of str to Learned, Wander)
        By lock; the group's, which is the assumption where there is no lock.
    """
    prior = _prior()
    if not every:
        return {}, mean_wander(prior)
    still, moved, steps = _likelihoods(every)
    group = _learned_weights(still, moved, prior, PRIOR_WEIGHT)
    found: dict[str, Learned] = {}
    names = np.array([family(series.days.lock) for series in every])
    for name in dict.fromkeys(names.tolist()):
        rows = np.flatnonzero(names == name)
        weights = _learned_weights(still[rows], moved[rows], group, GROUP_WEIGHT)
        for row in rows.tolist():
            log = np.log(weights)
            none, some = still[row] + log, moved[row] + log
            one, other = int(np.argmax(some)), int(np.argmax(none))
            found[every[row].days.lock.id] = Learned(
                Wander(*GRID[one].tolist()), Wander(*GRID[other].tolist()),
                float(special.logsumexp(some) - some[one]
                      - special.logsumexp(none) + none[other]),
                *_step_odds(none, steps[row], one))
    return found, mean_wander(group)


def _learned_weights(still: Reals, moved: Reals, base: Reals, weight: float) -> Reals:
    """The grid's weights by expectation and maximisation, drawn towards ``base``."""
    out = base
    likelihood = np.logaddexp(still, moved)
    for _ in range(LEARNING_ROUNDS):
        share = special.softmax(likelihood + np.log(out), axis=1).sum(axis=0)
        out = (weight * base + share) / (weight + len(likelihood))
    return out


def mean_wander(weights: Reals) -> Wander:
    """The wander that these weights of the grid amount to: variances and memories averaged."""
    daily, slow = weights @ GRID[:, 0] ** 2, weights @ GRID[:, 2] ** 2
    return Wander(
        float(np.sqrt(daily)), float((weights * GRID[:, 0] ** 2) @ GRID[:, 1] / daily),
        float(np.sqrt(slow)),
        float(np.exp((weights * GRID[:, 2] ** 2) @ np.log(GRID[:, 3]) / slow)),
    )


def _step_odds(none: Reals, power: Reals, at: int) -> tuple[Reals, float]:
    """Odds to be expected of each of :data:`STEPS`, and the standard error of a step.

    ``none`` is the weight of each point of the grid without a step (natural log); ``power``
    is a step's squared length at each point.
    """
    # A step that is there and is known takes nothing away; one that is not known must be wander.
    worse = none[:, None] - 0.5 * power[:, None] * STEPS**2
    return (special.logsumexp(none) - special.logsumexp(worse, axis=0),
            float(1.0 / np.sqrt(max(power[at], LEAST_VARIANCE))))


def _likelihoods(every: Sequence[WanderSeries]) -> tuple[Reals, Reals, Reals]:
    """Log likelihood of each lock (rows) and point of the grid, without and with its change.

    And, for each, the power of a step two weeks before the end.
    """
    day = np.unique(np.concatenate([
        series.days.day[np.isfinite(series.level)] for series in every]))
    shape = (len(every), day.size)
    variance, level, changed = np.full(shape, np.inf), np.zeros(shape), np.zeros(shape)
    for row, series in enumerate(every):
        known = np.isfinite(series.level)
        place = np.searchsorted(day, series.days.day[known])
        variance[row, place] = series.days.noise[known]
        level[row, place] = series.level[known]
        changed[row, place] = series.level[known] - series.changed[known]
    step = np.broadcast_to(day > day[-1] - STEP_DAYS, shape).astype(float)
    data = np.stack([np.ones(shape), level, changed, step])
    points = np.array([
        (series.usual.daily, series.usual.memory_days, series.usual.slow,
         series.usual.slow_memory_days) for series in every])
    grid = np.broadcast_to(GRID, (len(every), *GRID.shape))
    found = _filtered(day, variance, data, np.concatenate([grid, points[:, None]], axis=1))
    still, moved = found[0, :, :-1], found[1, :, :-1]
    odds = np.array([series.log_odds for series in every])
    # With the usual wander the odds are known; elsewhere they go with the two likelihoods.
    moved = moved + (odds - found[1, :, -1] + found[0, :, -1])[:, None]
    return still, moved, -2.0 * found[2, :, :-1]


def _filtered(day: Reals, variance: Reals, data: Reals, grid: Reals) -> Reals:
    """Restricted log likelihood of two series, and the power of a step, by the Kalman filter.

    Parameters
    ----------
    day : array, shape (t,)
        Days, rising.
    variance : array, shape (n, t)
        Of each lock's level on each day; infinite where it has none.
    data : array, shape (4, n, t)
        A column of ones, two series, and a step.
    grid : array, shape (n, m, 4)
        Sizes and memories by lock.

    Returns
    -------
    array, shape (3, n, m)
        That of the two series, and minus half of the step's squared length.
    """
    first, second = grid[..., 0] ** 2, grid[..., 2] ** 2
    p11, p12, p22 = STATIONARY * first, np.zeros_like(first), STATIONARY * second
    a1 = np.zeros((4, *first.shape))
    a2 = np.zeros_like(a1)
    log_det = np.zeros_like(first)
    sums = np.zeros((7, *first.shape))  # one one; one x, x x; one y, y y; one step, step step
    kept: dict[float, tuple[Reals, Reals]] = {}
    for t in range(day.size):
        if t:
            gap = float(day[t] - day[t - 1])
            if gap not in kept:
                kept[gap] = np.exp(-gap / grid[..., 1]), np.exp(-gap / grid[..., 3])
            keep1, keep2 = kept[gap]
            a1 *= keep1
            a2 *= keep2
            p11 = keep1**2 * (p11 - first) + first
            p12 = keep1 * keep2 * p12
            p22 = keep2**2 * (p22 - second) + second
        known = np.isfinite(variance[:, t])
        # Most days tell of all locks, and a slice copies nothing.
        told = slice(None) if known.all() else np.flatnonzero(known)
        q11, q12, q22 = p11[told], p12[told], p22[told]
        total = q11 + 2 * q12 + q22 + variance[told, t][:, None] + LEAST_VARIANCE
        off = data[:, told, t][:, :, None] - a1[:, told] - a2[:, told]
        scaled = off / total
        gain1, gain2 = q11 + q12, q12 + q22
        a1[:, told] += gain1 * scaled
        a2[:, told] += gain2 * scaled
        p11[told] = q11 - gain1**2 / total
        p12[told] = q12 - gain1 * gain2 / total
        p22[told] = q22 - gain2**2 / total
        log_det[told] += np.log(total)
        sums[0, told] += off[0] * scaled[0]
        sums[1, told] += off[0] * scaled[1]
        sums[2, told] += off[1] * scaled[1]
        sums[3, told] += off[0] * scaled[2]
        sums[4, told] += off[2] * scaled[2]
        sums[5, told] += off[0] * scaled[3]
        sums[6, told] += off[3] * scaled[3]
    ones = np.maximum(sums[0], LEAST_VARIANCE)
    common = log_det + np.log(ones)
    return -0.5 * np.stack([
        common + sums[2] - sums[1] ** 2 / ones, common + sums[4] - sums[3] ** 2 / ones,
        sums[6] - sums[5] ** 2 / ones])
