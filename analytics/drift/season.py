"""What each week did to all locks of a group: a season that turns slowly, and the mood of weeks.

The locks' weekly levels are polished to one course that they share (weighted medians, so
that a faulty minority does not move it), and the course is smoothed as what it is: a season,
which cannot leap, and a small jitter of single weeks (Gaussian process regression, any text on
kriging). So a leap that most locks share stays in each of them: it is no season.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from remanence.analytics.drift.common import (
    SEASON_GAIN_AT_LOW,
    SEASON_GAIN_DEVIATION,
    VOLTS_BEND_DEVIATION,
    VOLTS_EXPONENT_DEVIATION,
    explained,
)
from remanence.analytics.drift.daily_series import LockDays
from remanence.analytics.statistics.arrays import Reals
from remanence.analytics.statistics.intervals import (
    DEVIATION_OVER_MAD,
    MEDIAN_SQUARE,
    MEDIAN_VARIANCE,
)

LEAST_SIBLINGS = 4
"""Fewer locks than this do not show what a week did to all of them (assumption)."""

SEASON_DEVIATION = {"pulsed": 0.08, "held": 0.02}
"""How far a season may move a latency: some 8 K either way at 0.7 to 1 % per kelvin for a latch,
0.25 % for a magnet (calculated)."""

FURTHEST = 2.5
"""Deviations of a season beyond which a week is not the season's doing: what several locks show so
strongly is a fault that they share, and none of them is excused by it."""

SEASON_MEMORY_DAYS = 60.0
"""Days over which a season is remembered: within some two months it turns (assumption)."""
WEEK_JITTER = {"pulsed": 0.012, "held": 0.006}
"""What a warm or a wet week adds to its season. Assumption."""

RAILS_APART = 4.0
"""Standard errors between the weekly medians of two rails' locks that are no chance."""

LEAST_SEASON_WEEKS = 6
"""Weeks that a lock's own answer to the season is taken from, at least."""

GAIN_WEIGHT = 3.0
"""Locks' worth of say that the assumed deviation of answers has beside what the locks show."""

LEAST_GAIN_SHARE = 0.35
"""However alike they answer, one lock may work nearer to its stall than all the others: the
deviation stays this share of the assumed one at least."""

SEASON_UNKNOWN_SHARE = 0.5
"""Share of a season's deviation that is allowed for where too few locks tell it: less than the
whole, since a lock's own past holds a part of it (assumption)."""

SEASON_ROUNDS, SEASON_SETTLED = 8, 1e-5
"""Rounds of polishing at most, and the step (natural log) from which the course has settled."""

LEAST_AWAY_VARIANCE, LEAST_TURN, LEAST_HEFT = 1e-6, 1e-12, 1e-9
"""Keep weights finite; they decide nothing."""

BEND_ERRORS = 2
"""Deviations of the bend that a week at unusual volts is discounted by (assumption)."""

LEAST_RAILS = 2
"""Rails that can disagree."""

LEAST_EXCESS = 0.25
"""However well the locks agree, their variances are taken for a quarter of what each says, no less
(assumption)."""

LOCK_WEEK_DEVIATION = 0.03
"""What a lock's week strays by itself, beside the scatter of its releases. Assumption; it keeps
locks that are used often from speaking for all."""


@dataclass(frozen=True)
class CommonWeeks:
    """What each week did to all locks of a group, and how well that is known.

    ``week`` are week numbers, 0 the week asked for; ``effect`` is about 0, ``covariance`` that
    of what remains uncertain of it. Empty where too few locks could tell. ``gain_deviation``
    is how much more or less than its siblings one lock answers a season (share).
    """

    group: str
    week: Reals = field(default_factory=lambda: np.zeros(0))
    effect: Reals = field(default_factory=lambda: np.zeros(0))
    covariance: Reals = field(default_factory=lambda: np.zeros((0, 0)))
    gain_deviation: float = 0.0

    def over(self, day: Reals) -> tuple[Reals, Reals]:
        """Effect on each day (day 0 is the last week's Monday) and its covariance."""
        if not self.week.size:
            lag = day[:, None] - day[None, :]
            whole = (SEASON_UNKNOWN_SHARE * SEASON_DEVIATION[self.group]) ** 2 * np.exp(
                -((lag / SEASON_MEMORY_DAYS) ** 2)
            )
            return np.zeros(day.size), whole
        place = np.searchsorted(self.week, np.floor_divide(day, 7))
        place = np.clip(place, 0, self.week.size - 1)
        return self.effect[place], self.covariance[np.ix_(place, place)]


def common_weeks(group: str, every: Sequence[LockDays]) -> CommonWeeks:
    """The course that a group's locks share; day 0 must mean the same for all of them."""
    every = [days for days in every if days.day.size]
    parts = [_weekly(days) for days in every]
    if len(parts) < LEAST_SIBLINGS:
        return CommonWeeks(group)
    first = int(min(week[0] for week, _, _ in parts))
    last = int(max(max(week[-1] for week, _, _ in parts), 0))
    weeks = np.arange(first, last + 1, dtype=float)
    table = np.full((len(parts), weeks.size), np.nan)
    weight = np.zeros(table.shape)
    for row, (week, level, variance) in enumerate(parts):
        place = (week - first).astype(int)
        table[row, place] = level
        weight[row, place] = 1.0 / variance
    prior = _season(group, weeks)
    effect = np.zeros(weeks.size)
    covariance = prior
    for _ in range(SEASON_ROUNDS):
        own = np.array([
            weighted_median(line - effect, heft) for line, heft in zip(table, weight, strict=True)
        ])
        apart = table - own[:, None]
        seen = np.array([weighted_median(apart[:, c], weight[:, c]) for c in range(weeks.size)])
        variance = _median_variance(apart - seen, weight)
        if group == "pulsed":
            seen, variance = _without_failing_rails(
                apart, weight, seen, variance, [days.lock.supply for days in every])
        known = np.isfinite(seen) & np.isfinite(variance)
        if not known.any():
            return CommonWeeks(group)
        gain = np.linalg.solve(
            prior[np.ix_(known, known)] + np.diag(variance[known]), prior[known]
        ).T
        limit = FURTHEST * SEASON_DEVIATION[group]
        new = gain @ np.clip(seen[known] - np.median(seen[known]), -limit, limit)
        covariance = prior - gain @ prior[known]
        step = float(np.abs(new - effect).max())
        effect = new
        if step < SEASON_SETTLED:
            break
    effect = effect - np.median(effect)
    return CommonWeeks(group, weeks, effect, 0.5 * (covariance + covariance.T),
                       _gain_deviation(group, effect, table, weight))


def _gain_deviation(group: str, effect: Reals, table: Reals, weight: Reals) -> float:
    """How far apart the locks' answers to the season lie, drawn towards what is expected.

    Each lock's answer beyond the common one is the slope of its own weeks on the season; the
    median of its square, less what chance gives, is not moved by a faulty minority.
    """
    squares, errors = [], []
    for line, heft in zip(table - effect, weight, strict=True):
        known = np.isfinite(line) & (heft > 0)
        if known.sum() < LEAST_SEASON_WEEKS:
            continue
        turned = effect[known] - np.average(effect[known], weights=heft[known])
        error = 1.0 / max(float(heft[known] @ turned**2), LEAST_TURN)
        if error < SEASON_GAIN_DEVIATION[group] ** 2:
            squares.append((error * float(heft[known] @ (turned * line[known]))) ** 2)
            errors.append(error)
    prior = SEASON_GAIN_DEVIATION[group] ** 2
    if len(squares) < LEAST_SIBLINGS:
        return SEASON_GAIN_DEVIATION[group]
    found = max(float(np.median(squares)) / MEDIAN_SQUARE - float(np.median(errors)), 0.0)
    drawn = (GAIN_WEIGHT * prior + len(squares) * found) / (GAIN_WEIGHT + len(squares))
    return float(np.sqrt(np.clip(drawn, LEAST_GAIN_SHARE**2 * prior, prior)))


def _season(group: str, weeks: Reals) -> Reals:
    lag = 7.0 * (weeks[:, None] - weeks[None, :])
    out: Reals = SEASON_DEVIATION[group] ** 2 * np.exp(-((lag / SEASON_MEMORY_DAYS) ** 2))
    return out + WEEK_JITTER[group] ** 2 * np.eye(weeks.size)


def _weekly(days: LockDays) -> tuple[Reals, Reals, Reals]:
    """Weeks, levels and variances of one lock; days at unusual volts count for little."""
    level = days.level - explained(days)
    away = np.zeros(days.day.size)
    if days.lock.pulsed:
        volts = days.log_volts - np.median(days.log_volts)
        away = (VOLTS_EXPONENT_DEVIATION * volts) ** 2 + (
            BEND_ERRORS * VOLTS_BEND_DEVIATION * volts**2) ** 2
    heft = 1.0 / (days.noise + days.offset_deviation**2 + away + LEAST_AWAY_VARIANCE)
    number = np.floor_divide(days.day, 7)
    weeks, start = np.unique(number, return_index=True)
    total = np.add.reduceat(heft, start)
    mean = np.add.reduceat(heft * level, start) / total
    # Days of one week are off by the same volts: the least of it stays, however many there are.
    left = np.minimum.reduceat(away, start)
    return weeks, mean, 1.0 / total + left + LOCK_WEEK_DEVIATION**2


def _without_failing_rails(
    apart: Reals, weight: Reals, seen: Reals, variance: Reals, rails: Sequence[str]
) -> tuple[Reals, Reals]:
    """Where rails plainly disagree in a week, the course of the one whose locks are soonest.

    A season comes to all rails alike. A rail that fails makes its locks slower, and where its
    volts are not logged nothing else tells it from a season.
    """
    courses, errors = [], []
    for rail in sorted(set(rails)):
        rows = np.array([name == rail for name in rails])
        if rows.sum() < LEAST_SIBLINGS:
            continue
        course = np.array([
            weighted_median(apart[rows, c], weight[rows, c]) for c in range(apart.shape[1])])
        courses.append(course)
        errors.append(_median_variance(apart[rows] - course, weight[rows]))
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
    return (np.where(plain, low, seen), np.where(plain, error[least, column], variance))


def weighted_median(values: Reals, weight: Reals) -> float:
    """Median by weight of the finite ones with a positive weight; NaN where there is none."""
    known = np.isfinite(values) & (weight > 0)
    if not known.any():
        return float("nan")
    order = np.argsort(values[known])
    sum_to = np.cumsum(weight[known][order])
    place = int(np.searchsorted(sum_to, 0.5 * sum_to[-1]))
    ordered = values[known][order]
    if sum_to[place] == 0.5 * sum_to[-1] and place + 1 < ordered.size:
        return float(ordered[place : place + 2].mean())
    return float(ordered[place])


def _median_variance(apart: Reals, weight: Reals) -> Reals:
    """Variance of each week's weighted median; infinite with fewer than four locks."""
    count = np.isfinite(apart).sum(axis=0)
    known = np.isfinite(apart) & (weight > 0)
    # How much more than their variances the locks stray about the course, robustly.
    ratio = np.abs(apart[known]) * np.sqrt(weight[known])
    excess = 1.0
    if ratio.size:
        excess = max((DEVIATION_OVER_MAD * float(np.median(ratio))) ** 2, LEAST_EXCESS)
    total = np.where(np.isfinite(apart), weight, 0.0).sum(axis=0)
    return np.where(
        count >= LEAST_SIBLINGS, MEDIAN_VARIANCE * excess / np.maximum(total, LEAST_HEFT), np.inf
    )


def season_uncertainty(common: CommonWeeks, effect: Reals) -> Reals:
    """Covariance of how much more or less than its siblings a lock answers the season."""
    gain = common.gain_deviation if common.week.size else SEASON_GAIN_DEVIATION[common.group]
    turned = gain * (effect - np.median(effect))
    out: Reals = np.outer(turned, turned)
    return out


def season_at_low(effect: Reals, volts: Reals) -> Reals:
    """Covariance of how much more a latch answers the season at volts below rated ones."""
    steeper = SEASON_GAIN_AT_LOW * volts * (effect - np.median(effect))
    out: Reals = np.outer(steeper, steeper)
    return out

