"""What a failing rail did to a lock's neighbours, and so, most likely, to the lock as well.

How a latch answers to volts is known only about: with some power of them, ever more steeply
towards its stall, and each latch stalls elsewhere (:func:`answer_to_volts`). A rail that fails
puts the same question to all the latches on it, and what most of them answer narrows down
what the one in question would have answered by itself. How far they answer alike is taken
from them too, so that a rail with latches of many kinds says little, and one with latches of
one kind a good deal.

The common answer is a median over the neighbours, so that one that sticks at the same time
does not move it; the shrinking of their scatter towards what is expected beforehand is
empirical Bayes (textbook), the model of it is this program's own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from remanence.analytics.drift.common import (
    USUAL_VOLTS,
    VOLTS_BEND_DEVIATION,
    VOLTS_EXPONENT_DEVIATION,
    VOLTS_STALL,
    explained,
)
from remanence.analytics.drift.daily_series import LockDays
from remanence.analytics.drift.panel import LOCK_DEVIATION, weighted_medians
from remanence.analytics.drift.season import CommonCourse, season_at_low
from remanence.analytics.history import Ints
from remanence.analytics.statistics.arrays import Reals
from remanence.analytics.statistics.intervals import MEDIAN_SQUARE, MEDIAN_VARIANCE

LEAST_NEIGHBOURS = 3
"""Fewer neighbours than this do not tell what their rail did to all of them."""

OWN_SHARE = 0.1
"""Share of the uncertainty that is each latch's own, before the neighbours are looked at: most of
it is what the model leaves open for all of them alike, as it must do for latches of any kind.
Assumption."""

OWN_SHARE_WEIGHT = 1.0
"""Neighbours' worth of say that this assumption has: one, as it is what they show that counts."""

LEAST_OWN_SHARE = 0.005
"""However alike the neighbours are, a latch may answer as no neighbour does."""

OWN_STRAY = 0.02
"""Natural log: however little volts leave open and however alike the neighbours are, a lock's own
answer to a failing rail differs by this much (as long as so much was open). Assumption."""

NEIGHBOURS_VOLTS_KNOWN = 0.5
"""Share of a lock's days with known volts from which it can tell of its rail (assumption)."""

POLISH_ROUNDS = 6
"""Rounds of polishing levels and course against each other: it has settled by then."""

LEAST_GAIN_VARIANCE = 1e-12
"""Keeps a share of nothing from dividing by nought; it decides nothing."""

SAME_VOLTS = 0.02
"""Natural log: days of a week whose volts lie this near each other are one period."""

TELLING = 0.02
"""Uncertainty (natural log) of a period's answer to volts from which on that period tells something
of how far the answers lie apart."""


@dataclass(frozen=True)
class NeighboursCourse:
    """What neighbours say of a lock's days.

    ``day`` are day numbers, 0 the Monday of the week asked for; ``effect`` is what the rail did
    to the lock on each, as far as the neighbours tell; ``left`` the share of the standard
    deviation of its answer to volts that stays.
    """

    day: Reals
    effect: Reals
    left: Reals

    def over(self, day: Reals) -> tuple[Reals, Reals]:
        """Effect and share left on each day."""
        place = np.clip(np.searchsorted(self.day, day), 0, self.day.size - 1)
        told = self.day[place] == day
        return np.where(told, self.effect[place], 0.0), np.where(told, self.left[place], 1.0)


def answer_to_volts(log_volts: Reals) -> Reals:
    """Covariance of what stays open of a latch's answer to volts.

    Parameters
    ----------
    log_volts : array, shape (n,)
        Natural log of its volts against rated ones.

    Returns
    -------
    array, shape (n, n)
        Of the natural log of its latency.

    Notes
    -----
    The power of volts, how it steepens, and a smooth curve of unknown shape near the stall: an
    integrated Wiener process over the square of log volts, flat at rated volts, either side of
    them by itself, which is what a smoothing spline of third degree assumes (G. Wahba, Spline
    Models for Observational Data, 1990).
    """
    far = log_volts**2
    least = np.minimum.outer(far, far)
    apart = np.abs(far[:, None] - far[None, :])
    same = np.sign(log_volts)[:, None] == np.sign(log_volts)[None, :]
    bend: Reals = np.where(same, least**3 / 3 + apart * least**2 / 2, 0.0)
    out: Reals = (
        VOLTS_EXPONENT_DEVIATION**2 * np.outer(log_volts, log_volts)
        + VOLTS_BEND_DEVIATION**2 * np.outer(far, far) + VOLTS_STALL**2 * bend
    )
    return out


@dataclass(frozen=True)
class _Periods:
    """One latch: levels by period, their own noise, how open the answer to volts leaves them."""

    lock: str
    period: Ints
    level: Reals
    noise: Reals
    open_: Reals


def neighbours_courses(
    members: Sequence[LockDays], common: CommonCourse
) -> Mapping[str, NeighboursCourse]:
    """What its neighbours on the rail say of each latch.

    Parameters
    ----------
    members : sequence of LockDays
        The latches, day 0 the same for all of them.
    common : CommonCourse
        What each week did to all of them.

    Returns
    -------
    dict of str to NeighboursCourse
        By lock; a lock with fewer than three neighbours that can tell is missing.
    """
    rails: dict[str, list[LockDays]] = {}
    for days in members:
        if days.day.size and float(days.volts_known.mean()) > NEIGHBOURS_VOLTS_KNOWN:
            rails.setdefault(days.lock.supply, []).append(days)
    out = {}
    for every in rails.values():
        if len(every) <= LEAST_NEIGHBOURS:
            continue
        day, period = _rail_periods(every)
        neighbours = [_by_period(days, common, period[np.searchsorted(day, days.day)])
                      for days in every]
        for lock, (effect, left) in _courses(neighbours, int(period.max()) + 1).items():
            out[lock] = NeighboursCourse(day, effect[period], left[period])
    return out


def _rail_periods(neighbours: Sequence[LockDays]) -> tuple[Reals, Ints]:
    """All days of a rail, and the period of each: days of one week with about the same volts."""
    every = np.concatenate([neighbour.day for neighbour in neighbours])
    volts = np.concatenate([own.log_volts - own.rated_log_volts for own in neighbours])
    order = np.argsort(every, kind="stable")
    day, start = np.unique(every[order], return_index=True)
    middle = np.array([np.median(part) for part in np.split(volts[order], start[1:])])
    key = np.stack([np.floor_divide(day, 7), np.round(middle / SAME_VOLTS)])
    _, period = np.unique(key, axis=1, return_inverse=True)
    return day, period.astype(np.int64).ravel()


def _by_period(days: LockDays, common: CommonCourse, period: Ints) -> _Periods:
    volts = days.log_volts - days.rated_log_volts
    effect = common.over(days.day)[0]
    level = days.level - explained(days) - effect
    own, place = np.unique(period, return_inverse=True)
    share = np.zeros((own.size, days.day.size))
    share[place, np.arange(days.day.size)] = days.releases
    releases = share.sum(axis=1)
    share /= releases[:, None]
    covariance = share @ (answer_to_volts(volts) + season_at_low(effect, volts)) @ share.T
    # Against the periods at the volts it is used to, whose level is what others are held against.
    usual = np.abs(share @ days.log_volts - np.median(days.log_volts)) < USUAL_VOLTS / 2
    usual = usual if usual.any() else np.ones(own.size, dtype=bool)
    open_ = (
        np.diag(covariance) - 2 * covariance[:, usual].mean(axis=1)
        + float(covariance[np.ix_(usual, usual)].mean())
    )
    noise = share**2 @ days.noise + LOCK_DEVIATION**2
    return _Periods(days.lock.id, own, share @ level, noise, np.maximum(open_, 0.0))


def _courses(
    neighbours: Sequence[_Periods], count: int
) -> dict[str, tuple[Reals, Reals]]:
    """The common course of all but each one in turn: effect and share left, by period."""
    shape = (len(neighbours), count)
    level, noise, open_ = np.full(shape, np.nan), np.full(shape, np.nan), np.full(shape, np.nan)
    for row, neighbour in enumerate(neighbours):
        level[row, neighbour.period], noise[row, neighbour.period], open_[row, neighbour.period] = (
            neighbour.level, neighbour.noise, neighbour.open_)
    if not np.nanmax(np.sqrt(open_)) > TELLING:
        return {}
    weight = 1.0 / (noise + open_)
    course = np.zeros(count)
    apart = level
    for _ in range(POLISH_ROUNDS):
        own = weighted_medians(level - course, weight, axis=1)
        apart = level - own[:, None]
        course = _common(apart, noise)
        course = np.where(np.isfinite(course), course, 0.0)
    out = {}
    for row, neighbour in enumerate(neighbours):
        others = np.arange(len(neighbours)) != row
        out[neighbour.lock] = _without(apart[others], noise[others], open_[others], open_[row])
    return out


def _common(apart: Reals, noise: Reals) -> Reals:
    """Median over locks (rows), period by period."""
    return weighted_medians(apart, 1.0 / noise, axis=0)


def _without(
    apart: Reals, noise: Reals, open_: Reals, mine: Reals
) -> tuple[Reals, Reals]:
    """What the others (rows of the tables) say of one lock, whose periods are ``mine``-open."""
    count = np.isfinite(apart).sum(axis=0)
    course = _common(apart, noise)
    share = _own_share(apart - course, noise, open_)
    told = (count >= LEAST_NEIGHBOURS) & np.isfinite(course) & np.isfinite(mine)
    error = np.full(course.size, np.inf)
    spread = share * open_[:, told] + noise[:, told]
    error[told] = MEDIAN_VARIANCE * np.nanmedian(spread, axis=0) / count[told]
    common = (1.0 - share) * np.where(told, mine, 0.0)
    gain = common / (common + error + LEAST_GAIN_VARIANCE)
    effect = np.where(told, gain * course, 0.0)
    stray = OWN_STRAY**2 / np.maximum(np.where(told, mine, 1.0), OWN_STRAY**2)
    left: Reals = np.sqrt(np.maximum(share + (1.0 - share) * (1.0 - gain), stray))
    return effect, np.where(told, left, 1.0)


def _own_share(apart: Reals, noise: Reals, open_: Reals) -> float:
    """Share of the uncertainty that is each latch's own: from how far apart they answer.

    A latch answers all its periods at low volts alike, so each counts once.
    """
    ratios = []
    for line, own, wide in zip(apart, noise, open_, strict=True):
        telling = np.isfinite(line) & (np.sqrt(np.nan_to_num(wide)) > TELLING)
        if not telling.any():
            continue
        heft = wide[telling] / wide[telling].sum()
        # A neighbour's noise of single periods averages out; its stray does not.
        stray = own[telling] @ heft**2
        ratios.append((float(line[telling] @ heft) ** 2 - stray) / float(wide[telling] @ heft))
    if len(ratios) < LEAST_NEIGHBOURS:
        return 1.0
    found = max(float(np.median(ratios)) / MEDIAN_SQUARE, 0.0)
    share = (OWN_SHARE_WEIGHT * OWN_SHARE + len(ratios) * found) / (OWN_SHARE_WEIGHT + len(ratios))
    return float(np.clip(share, LEAST_OWN_SHARE, 1.0))
