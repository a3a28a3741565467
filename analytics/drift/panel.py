"""The levels of all locks of a group side by side, and the course that most of them share.

Latest weeks stand day by day, older ones week by week. Courses are weighted medians over
locks, so that a faulty minority does not move them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from remanence.analytics.drift.common import (
    VOLTS_BEND_DEVIATION,
    VOLTS_EXPONENT_DEVIATION,
    explained,
)
from remanence.analytics.drift.daily_series import LockDays
from remanence.analytics.statistics.arrays import Flags, Ints, Reals
from remanence.analytics.statistics.intervals import DEVIATION_OVER_MAD, MEDIAN_VARIANCE
from remanence.shared.venue import Lock

DAILY_DAYS = 56.0
"""So many of the last days stand one by one; before them a week is one period: the day on which
something began months ago matters less than what the sums cost (assumption)."""

LEAST_SIBLINGS = 4
"""Fewer locks than this do not show what a day did to all of them (assumption)."""

LOCK_DEVIATION = 0.03
"""What a lock strays by itself, beside the scatter of its releases. Assumption; it keeps locks that
are used often from speaking for all."""

RAILS_APART = 4.0
"""Standard errors between the medians of two rails' locks that are no chance."""

LEAST_RAILS = 2
"""Rails that can disagree."""

POLISH_ROUNDS, POLISHED = 8, 1e-5
"""Rounds of polishing at most, and the step (natural log) from which the course has settled."""

LEAST_AWAY_VARIANCE, LEAST_HEFT = 1e-6, 1e-9
"""Keep weights finite; they decide nothing."""

BEND_ERRORS = 2
"""Deviations of the bend that a day at unusual volts is discounted by (assumption)."""

LEAST_EXCESS = 0.25
"""However well the locks agree, their variances are taken for a quarter of what each says, no less
(assumption)."""


@dataclass(frozen=True)
class Panel:
    """Levels of a group's locks (rows) by period (columns); NaN where a lock had no release.

    ``day`` is the middle of each period, 0 the Monday of the week asked for; ``number`` its
    key. ``variance`` is that of each level, ``own`` each lock's usual level, ``course`` what
    most locks share, about 0 (NaN where too few tell), and ``course_variance`` that of it.
    ``taken`` has been taken off the levels.
    ``log_volts`` are against rated ones. ``offset`` is how far (standard deviation) all levels of
    one ``regime`` of a lock may be off together, as its poll leaves them.
    """

    locks: tuple[Lock, ...]
    number: Reals
    day: Reals
    level: Reals
    variance: Reals
    log_volts: Reals
    own: Reals
    course: Reals
    course_variance: Reals
    taken: Reals
    regime: Ints
    offset: Reals

    @property
    def apart(self) -> Reals:
        """Levels less each lock's usual one."""
        return self.level - self.own[:, None]

    def shared_offset(self, rows: Flags) -> Reals:
        """Covariance of what polls leave open of these locks' common level.

        Polls in step with the commands are off alike for locks of like speed, so that more locks
        do not make it less.
        """
        out = np.zeros((self.number.size, self.number.size))
        for regime, offset in zip(self.regime[rows], self.offset[rows], strict=True):
            if offset.any():
                out += np.where(regime[:, None] == regime[None, :],
                                np.outer(offset, offset), 0.0)
        return out / max(int(rows.sum()), 1)

    def place(self, day: Reals) -> np.ndarray:
        """Each day's period."""
        return np.clip(np.searchsorted(self.number, _period(day)), 0, self.number.size - 1)

    def without(self, taken: Reals) -> Panel:
        """The same with something taken off the levels (rows by columns), polished anew."""
        return _polished(replace(
            self, level=self.level - taken, taken=self.taken + taken))


def _period(day: Reals) -> Reals:
    """Key of each day's period: the day itself, or its week's first."""
    return np.where(day > 6.0 - DAILY_DAYS, day, 7.0 * np.floor_divide(day, 7))


def panel_of(every: Sequence[LockDays]) -> Panel:
    """The panel of these locks; day 0 must mean the same for all of them."""
    parts = [_by_period(days) for days in every]
    number = np.unique(np.concatenate([part[0] for part in parts]))
    shape = (len(parts), number.size)
    level, variance, volts = np.full(shape, np.nan), np.full(shape, np.inf), np.zeros(shape)
    regime, offset = np.zeros(shape, dtype=np.int64), np.zeros(shape)
    for row, (own, mean, error, at, days) in enumerate(parts):
        place = np.searchsorted(number, own)
        level[row, place], variance[row, place], volts[row, place] = mean, error, at
        regime[row, place] = every[row].regime[days]
        offset[row, place] = every[row].offset_deviation[days]
    day = np.where(number > 6.0 - DAILY_DAYS, number, number + 3.0)
    empty = np.zeros(number.size)
    return _polished(Panel(
        tuple(days.lock for days in every), number, day, level, variance, volts,
        np.zeros(len(parts)), empty, empty, np.zeros(shape), regime, offset))


def _by_period(days: LockDays) -> tuple[Reals, Reals, Reals, Reals, Ints]:
    """Periods, levels, variances and volts of one lock, and the place of each one's first day.

    Unusual volts count for little.
    """
    level = days.level - explained(days)
    away = np.zeros(days.day.size)
    at = np.zeros(days.day.size)
    if days.lock.pulsed:
        volts = days.log_volts - np.median(days.log_volts)
        away = (VOLTS_EXPONENT_DEVIATION * volts) ** 2 + (
            BEND_ERRORS * VOLTS_BEND_DEVIATION * volts**2) ** 2
        at = days.log_volts - days.rated_log_volts
    heft = 1.0 / (days.noise + days.offset_deviation**2 + away + LEAST_AWAY_VARIANCE)
    number, start = np.unique(_period(days.day), return_index=True)
    total = np.add.reduceat(heft, start)
    # Days of one week are off by the same volts: the least of it stays, however many there are.
    left = np.minimum.reduceat(away, start)
    return (
        number, np.add.reduceat(heft * level, start) / total,
        1.0 / total + left + LOCK_DEVIATION**2, np.add.reduceat(heft * at, start) / total,
        start.astype(np.int64),
    )


def _polished(panel: Panel) -> Panel:
    level, weight = panel.level, 1.0 / panel.variance
    rails = None
    if panel.locks[0].pulsed:
        rails = np.array([lock.supply for lock in panel.locks])
    course = np.zeros(panel.number.size)
    for _ in range(POLISH_ROUNDS):
        own = weighted_medians(level - course, weight, axis=1)
        apart = level - own[:, None]
        seen, variance = median_course(apart, weight)
        if rails is not None:
            seen, variance = _without_failing_rails(apart, weight, seen, variance, rails)
        told = np.isfinite(seen)
        new = np.where(told, seen - (np.median(seen[told]) if told.any() else 0.0), 0.0)
        step = float(np.abs(new - course).max())
        course = new
        if step < POLISHED:
            break
    known = np.isfinite(seen) & np.isfinite(variance)
    return replace(panel, own=own, course=np.where(known, course, np.nan),
                   course_variance=variance)


def median_course(
    apart: Reals, weight: Reals, fewest: int = LEAST_SIBLINGS
) -> tuple[Reals, Reals]:
    """Weighted median over locks (rows), period by period, and its variance.

    The variance is infinite with fewer locks than ``fewest``.
    """
    course = weighted_medians(apart, weight, axis=0)
    off = apart - course
    known = np.isfinite(off) & (weight > 0)
    # How much more than their variances the locks stray about the course, robustly.
    ratio = np.abs(off[known]) * np.sqrt(weight[known])
    excess = 1.0
    if ratio.size:
        excess = max((DEVIATION_OVER_MAD * float(np.median(ratio))) ** 2, LEAST_EXCESS)
    total = np.where(known, weight, 0.0).sum(axis=0)
    variance: Reals = np.where(
        known.sum(axis=0) >= fewest,
        MEDIAN_VARIANCE * excess / np.maximum(total, LEAST_HEFT), np.inf)
    return course, variance


def _without_failing_rails(
    apart: Reals, weight: Reals, seen: Reals, variance: Reals, rails: np.ndarray
) -> tuple[Reals, Reals]:
    """Where rails plainly disagree, the course of the one whose locks are soonest.

    A season comes to all rails alike. A rail that fails makes its locks slower, and where its
    volts are not logged nothing else tells it from a season.
    """
    courses, errors = [], []
    for rail in sorted(set(rails.tolist())):
        rows: Flags = rails == rail
        if rows.sum() >= LEAST_SIBLINGS:
            course, error = median_course(apart[rows], weight[rows])
            courses.append(course)
            errors.append(error)
    if len(courses) < LEAST_RAILS:
        return seen, variance
    course, error = np.array(courses), np.array(errors)
    course = np.where(np.isfinite(course) & np.isfinite(error), course, np.inf)
    least, most = course.argmin(axis=0), np.where(np.isfinite(course), course, -np.inf).argmax(0)
    column = np.arange(course.shape[1])
    low, high = course[least, column], course[most, column]
    with np.errstate(invalid="ignore"):
        apart_by = (high - low) / np.sqrt(error[least, column] + error[most, column])
    plain = np.isfinite(low) & np.isfinite(high) & (apart_by > RAILS_APART)
    return np.where(plain, low, seen), np.where(plain, error[least, column], variance)


def weighted_medians(values: Reals, weight: Reals, axis: int) -> Reals:
    """Median by weight along an axis, of the finite values with a positive weight; else NaN."""
    values, weight = np.moveaxis(values, axis, 0), np.moveaxis(weight, axis, 0)
    known = np.isfinite(values) & (weight > 0)
    order = np.argsort(np.where(known, values, np.inf), axis=0)
    ordered = np.take_along_axis(values, order, axis=0)
    sum_to = np.cumsum(np.take_along_axis(np.where(known, weight, 0.0), order, axis=0), axis=0)
    half = 0.5 * sum_to[-1]
    place = np.argmax(sum_to >= half, axis=0)[None]
    middle = np.take_along_axis(ordered, place, axis=0)[0]
    following = np.minimum(place + 1, np.maximum(known.sum(axis=0), 1)[None] - 1)
    even = np.take_along_axis(sum_to, place, axis=0)[0] == half
    middle = np.where(even, 0.5 * (middle + np.take_along_axis(ordered, following, axis=0)[0]),
                      middle)
    out: Reals = np.where(known.any(axis=0), middle, np.nan)
    return out
