"""What the year and the weather do to all locks of a group, and how well that is known.

A wave of one year whose height is bounded, a slow wander, and the weather of days, each as
large as a room's temperature and a coil's answer to it allow. Their sum is told from the
course that most locks share (Gaussian process regression, any text on kriging). A leap or a
steady rise that fits none of them is no season: see
:mod:`remanence.analytics.drift.shared_change`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy import linalg, special

from remanence.analytics.drift.common import SEASON_GAIN_AT_LOW, SEASON_GAIN_DEVIATION
from remanence.analytics.drift.panel import LEAST_SIBLINGS, Panel
from remanence.analytics.statistics.arrays import Reals
from remanence.analytics.statistics.intervals import MEDIAN_SQUARE, robust_deviation

PER_KELVIN = {"pulsed": 0.008, "held": -0.0025}
"""What a kelvin does to a latency: a latch pulls 0.7 to 1 % later, a magnet lets go 0.25 % sooner,
since less current flows in a warm coil (calculated)."""

YEAR_DAYS = 365.25
YEAR_KELVIN = 4.0
"""Standard deviation of either part (sine and cosine) of the year's wave: its height is some 8 K,
seldom more than 15 (assumption)."""
SLOW_KELVIN, SLOW_DAYS = 1.5, 45.0
"""What a room wanders by beside that over a month or two (assumption)."""
WEATHER_KELVIN, WEATHER_DAYS = 3.0, 6.0
"""What the weather adds, and how long it lasts: a heat wave of 12 K is beyond three deviations, and
its days are few (assumption)."""
JITTER = {"pulsed": 0.006, "held": 0.003}
"""What single days add to that (assumption)."""

COPPER_PER_KELVIN = 0.00393
"""Copper's resistance rises by this share per kelvin, and a coil's load on the rail falls so."""
SOURCE_DEVIATION, SOURCE_DAYS = 0.01, 120.0
"""What a rail's own resistance wanders by (natural log), which a coil's load shows as well.
Assumption."""
ANSWER_PER_KELVIN = 0.3
"""How far a group's answer to a kelvin may lie off the assumed one (share; calculated: 0.4 to 1 %
for a latch)."""
FEWEST_LOAD_DAYS = 10
"""Days with a known load that make a rail's coils a thermometer (assumption)."""
NO_SEASON = 0.001
"""A load that season, weather and chance would so seldom show is that of a rail which changed by
itself, and no thermometer (common practice, no source)."""
OFFSET = 1.0
"""Standard deviation of the unknown constant of each series that tells of a season: large."""

LEAST_SEASON_WEEKS = 6
"""Periods that a lock's own answer to the season is taken from, at least."""

GAIN_WEIGHT = 3.0
"""Locks' worth of say that the assumed deviation of answers has beside what the locks show."""

LEAST_GAIN_SHARE = 0.35
"""However alike they answer, one lock may work nearer to its stall than all the others: the
deviation stays this share of the assumed one at least."""

SEASON_UNKNOWN_SHARE = 0.5
"""Share of a season's deviation that is allowed for where too few locks tell it: less than the
whole, since a lock's own past holds a part of it (assumption)."""
UNKNOWN_DEVIATION, UNKNOWN_DAYS = {"pulsed": 0.08, "held": 0.02}, 60.0
"""That deviation, and how long such a season is remembered: in two months it turns (assumption)."""

LONGEST_PERIOD = 7.0
"""Days that a period stands for at most: the panel's longest are weeks."""

LEAST_TURN = 1e-12
"""Keeps a slope's error finite; it decides nothing."""


@dataclass(frozen=True)
class CommonCourse:
    """What each period did to all locks of a group, and how well that is known.

    ``effect`` is against its mean over time, ``covariance`` that of what remains uncertain of it.
    Without a ``panel`` too few locks could tell. ``gain_deviation`` is how much more or less than
    its siblings one lock answers a season (share).
    """

    group: str
    panel: Panel | None = None
    effect: Reals = field(default_factory=lambda: np.zeros(0))
    covariance: Reals = field(default_factory=lambda: np.zeros((0, 0)))
    gain_deviation: float = 0.0

    def over(self, day: Reals) -> tuple[Reals, Reals]:
        """Effect on each day (day 0 is the last week's Monday) and its covariance."""
        if self.panel is None:
            lag = day[:, None] - day[None, :]
            whole = (SEASON_UNKNOWN_SHARE * UNKNOWN_DEVIATION[self.group]) ** 2 * np.exp(
                -((lag / UNKNOWN_DAYS) ** 2)
            )
            return np.zeros(day.size), whole
        place = self.panel.place(day)
        return self.effect[place], self.covariance[np.ix_(place, place)]


def season_covariance(group: str, day: Reals) -> Reals:
    """Covariance of what season and weather may do on these days, before any data."""
    lag = np.abs(day[:, None] - day[None, :])
    kelvin = (
        YEAR_KELVIN**2 * np.cos(2 * np.pi * lag / YEAR_DAYS)
        + SLOW_KELVIN**2 * np.exp(-((lag / SLOW_DAYS) ** 2))
        + WEATHER_KELVIN**2 * np.exp(-lag / WEATHER_DAYS)
    )
    out: Reals = PER_KELVIN[group] ** 2 * kelvin
    return out + JITTER[group] ** 2 * np.eye(day.size)


@dataclass(frozen=True)
class Observation:
    """A series that tells of the season: one value a period (NaN: none) and its covariance."""

    value: Reals
    covariance: Reals


def thermometers(
    group: str, panel: Panel, loads: Sequence[tuple[Reals, Reals]]
) -> list[Observation]:
    """What the rails' loads tell of the season: warm copper draws less.

    Parameters
    ----------
    group : str
        ``pulsed`` or ``held``.
    panel : Panel
        Whose periods.
    loads : sequence of (array, array)
        By rail: day numbers, and the natural log of what its coils share of their load.

    Returns
    -------
    list of Observation
        In the unit of the latencies' natural log.
    """
    slope = PER_KELVIN[group] / COPPER_PER_KELVIN
    lag = np.abs(panel.day[:, None] - panel.day[None, :])
    drift = (slope * SOURCE_DEVIATION) ** 2 * np.exp(-lag / SOURCE_DAYS) + OFFSET**2
    out = []
    for day, load in loads:
        inside = (day >= panel.number[0]) & (day < panel.day[-1] + 1)
        day, load = day[inside], load[inside]
        if day.size < FEWEST_LOAD_DAYS:
            continue
        noise = robust_deviation(np.diff(load)) ** 2 / 2
        place = panel.place(day)
        count = np.bincount(place, minlength=panel.day.size)
        total = np.bincount(place, load, minlength=panel.day.size)
        value = np.where(count > 0, -slope * total / np.maximum(count, 1), np.nan)
        told = Observation(value, drift + np.diag(slope**2 * noise / np.maximum(count, 1)))
        if _may_be_season(group, panel.day, told):
            out.append(told)
    return out


def _may_be_season(group: str, day: Reals, told: Observation) -> bool:
    """Whether a series is what season and weather may do, by the sum of its squares."""
    known = np.isfinite(told.value)
    covariance = (season_covariance(group, day) + told.covariance)[np.ix_(known, known)]
    factor = linalg.cho_factor(covariance, check_finite=False)
    value = told.value[known]
    squares = float(value @ linalg.cho_solve(factor, value, check_finite=False))
    return squares <= float(special.chdtri(value.size, NO_SEASON))


def told_season(
    group: str, day: Reals, observations: Sequence[Observation]
) -> tuple[Reals, Reals]:
    """Season and weather as several series tell them: effect and its covariance.

    Both are against the mean over the days told of, whatever the periods' lengths: what a lock
    takes without them it takes at the warmth that it had on average.

    One series after the other: each is off by itself, so the order does not matter, and the work
    grows with their number and not with its cube (conditioning of a normal distribution, any text).
    """
    effect, covariance = np.zeros(day.size), season_covariance(group, day)
    for item in observations:
        known = np.isfinite(item.value)
        if not known.any():
            continue
        cross = covariance[known]
        part = cross[:, known] + item.covariance[np.ix_(known, known)]
        gain = linalg.solve(part, cross, assume_a="pos", check_finite=False).T
        effect = effect + gain @ (item.value[known] - effect[known])
        covariance = covariance - gain @ cross
    apart = np.eye(day.size) - _lengths(day)
    return apart @ effect, apart @ (0.5 * (covariance + covariance.T)) @ apart.T


def _lengths(day: Reals) -> Reals:
    """Share of the whole time that each period stands for; a closed fortnight for no more."""
    length = np.minimum(np.gradient(day), LONGEST_PERIOD) if day.size > 1 else np.ones(1)
    out: Reals = length / length.sum()
    return out


def common_course(group: str, panel: Panel | None) -> CommonCourse:
    """Season and weather from the course that most locks share.

    Parameters
    ----------
    group : str
        ``pulsed`` or ``held``.
    panel : Panel or None
        Its locks; None or fewer than four of them: nothing is told.

    Returns
    -------
    CommonCourse
    """
    if panel is None or len(panel.locks) < LEAST_SIBLINGS:
        return CommonCourse(group)
    known = np.isfinite(panel.course)
    if not known.any():
        return CommonCourse(group)
    own = Observation(panel.course, np.diag(np.where(known, panel.course_variance, 0.0)))
    effect, covariance = told_season(group, panel.day, [own])
    return CommonCourse(group, panel, effect, covariance, _gain_deviation(group, effect, panel))


def _gain_deviation(group: str, effect: Reals, panel: Panel) -> float:
    """How far apart the locks' answers to the season lie, drawn towards what is expected.

    Each lock's answer beyond the common one is the slope of its own periods on the season; the
    median of its square, less what chance gives, is not moved by a faulty minority.
    """
    weight = 1.0 / panel.variance
    known = np.isfinite(panel.level) & (weight > 0)
    heft = np.where(known, weight, 0.0)
    total = np.maximum(heft.sum(axis=1, keepdims=True), LEAST_TURN)
    turned = np.where(known, effect - (heft @ effect)[:, None] / total, 0.0)
    line = np.where(known, panel.level - effect, 0.0)
    error = 1.0 / np.maximum((heft * turned**2).sum(axis=1), LEAST_TURN)
    slope = error * (heft * turned * line).sum(axis=1)
    prior = SEASON_GAIN_DEVIATION[group] ** 2
    told = (known.sum(axis=1) >= LEAST_SEASON_WEEKS) & (error < prior)
    if told.sum() < LEAST_SIBLINGS:
        return SEASON_GAIN_DEVIATION[group]
    found = max(float(np.median(slope[told] ** 2)) / MEDIAN_SQUARE
                - float(np.median(error[told])), 0.0)
    drawn = (GAIN_WEIGHT * prior + told.sum() * found) / (GAIN_WEIGHT + told.sum())
    return float(np.sqrt(np.clip(drawn, LEAST_GAIN_SHARE**2 * prior, prior)))


def season_uncertainty(common: CommonCourse, effect: Reals) -> Reals:
    """Covariance of how much more or less than its siblings a lock answers the season."""
    gain = (common.gain_deviation if common.panel is not None
            else SEASON_GAIN_DEVIATION[common.group])
    turned = gain * effect
    out: Reals = np.outer(turned, turned)
    return out


def season_at_low(effect: Reals, volts: Reals) -> Reals:
    """Covariance of how much more a latch answers the season at volts below rated ones."""
    steeper = SEASON_GAIN_AT_LOW * volts * effect
    out: Reals = np.outer(steeper, steeper)
    return out
