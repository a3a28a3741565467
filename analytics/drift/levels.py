"""How high a lock's level stands now, how high it stood before, and how far apart the two are.

The daily levels are the sum of two levels (before a change, and now), of effects whose size
is known only about (rail volts, warmth, season, company on the rail), of a wander with
memory, and of the scatter of single releases. All days speak at once of what they share: a
past in which the volts rose and fell tells how this lock answers to them, and so narrows
down what of the difference is theirs (generalised least squares; the levels themselves are
the best linear predictions that go with it, see any text on kriging or mixed models).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import linalg, special

from remanence.analytics.drift.change_model import daily_covariance
from remanence.analytics.drift.common import (
    OTHERS_DEVIATION,
    WANDER_AT_LOW,
    WARMTH_DEVIATION,
    Wander,
    explained,
    group_of,
)
from remanence.analytics.drift.daily_series import LockDays
from remanence.analytics.drift.neighbours import NeighboursCourse, answer_to_volts
from remanence.analytics.drift.polls import LEAST_DAILY_SCATTER, rounding_error
from remanence.analytics.drift.season import CommonCourse, season_at_low, season_uncertainty
from remanence.analytics.drift.shared_change import SharedChange
from remanence.analytics.statistics.arrays import Reals
from remanence.analytics.statistics.intervals import robust_deviation

CLOCK_WANDER_MS = (1.0, 10.0)
"""How far two controllers' clocks wander against each other from day to day, where a latency is
across them: at least, and where too few days show it. Assumption (a time daemon lets stand what
is under its step, and network stamps jitter by some milliseconds)."""

FEWEST_CLOCK_DAYS = 20
"""Days of a lock that show how far its clocks wander against each other (assumption)."""
CLOCK_SAFETY = 2
"""How many times what the days show is allowed for: a lock's own days tell it roughly
(assumption)."""

STRAGGLING_NOISE = 1.1
"""Variance of a straggling day's mean over what its releases' scatter gives: one release more or
fewer counts for half a scatter (assumption)."""

LEAST_VARIANCE = 1e-9
"""Added to every day's variance, so that the covariance can be inverted; it decides nothing."""

LEAST_RESOLUTION_MS = 1e-9
"""Keeps a poll of no length from dividing by nought; it decides nothing."""

LEAST_SHARE_OF_LEVEL = 0.05
"""Polls may hide a level down to this share of it, where a change is divided by it (assumption)."""

T_FREEDOM = 12
T_QUANTILE = float(special.stdtrit(T_FREEDOM, 0.975))
"""Half width of 95 % intervals in standard deviations: Student's t with twelve degrees of freedom,
the weight that a family's scatter and wander are shared with."""


@dataclass(frozen=True)
class DailyNoise:
    """A lock's daily levels with what is known taken out, and the covariance of what is left.

    ``level`` has one entry a day; ``total`` is the whole covariance, ``wander`` the part of it
    that is the lock's own doing and stays in what a level means: it is how the lock was on
    those days.
    """

    level: Reals
    total: Reals
    wander: Reals


@dataclass(frozen=True)
class TwoLevels:
    """Two levels and their standard deviations, in the series' unit; ``change`` is now less before.

    ``now`` and ``before`` are the levels as they were on those days, with the wander that
    they had; ``change`` is what is lasting in their difference, so that the wander is noise.
    """

    before: float
    before_deviation: float
    now: float
    now_deviation: float
    change: float
    change_deviation: float


def daily_noise(
    days: LockDays, common: CommonCourse, wander: Wander,
    neighbours: NeighboursCourse | None = None, shared: Sequence[SharedChange] = (),
    *, across_clocks: bool,
) -> DailyNoise:
    """Take out what is known of each day, and say how uncertain the rest is.

    Parameters
    ----------
    days : LockDays
        The lock's days.
    common : CommonCourse
        What season and weather did to its group.
    wander : Wander
        How far its days wander.
    neighbours : NeighboursCourse, optional
        What its neighbours tell of a failing rail.
    shared : sequence of SharedChange, optional
        What it shares with other locks, which is none of its own.
    across_clocks : bool
        Whether its command and its feedback are stamped by different clocks.
    """
    group = group_of(days.lock)
    effect, unsure = common.over(days.day)
    level = days.level - explained(days) - effect
    # From rated volts on: what stands at other volts is told at rated ones the less surely.
    volts = days.log_volts - days.rated_log_volts if group == "pulsed" else np.zeros(level.size)
    noise = days.noise * STRAGGLING_NOISE
    extra = _clock_wander(days, noise) if across_clocks else 0.0
    own = daily_covariance(
        days.day, np.zeros(days.day.size), float(np.hypot(wander.daily, extra)),
        wander.memory_days, wander.slow, wander.slow_memory_days,
    )
    louder = 1.0 + WANDER_AT_LOW * np.minimum(volts, 0.0) ** 2
    own *= np.outer(louder, louder)
    total = own + unsure + season_uncertainty(common, effect)
    total[np.diag_indices_from(total)] += noise
    offset = days.offset
    if offset is not None:
        total += offset
    for change in shared:
        course = change.over(days.day)
        level = level - course
        total += change.uncertainty(course)
    if group == "pulsed":
        warmth = days.warmth_kelvin - np.median(days.warmth_kelvin)
        answer = answer_to_volts(volts) + season_at_low(effect, volts)
        if neighbours is not None:
            from_rail, left = neighbours.over(days.day)
            level = level - from_rail
            answer *= np.outer(left, left)
        total += answer
        total += WARMTH_DEVIATION**2 * np.outer(warmth, warmth)
    if days.others.any():
        total += OTHERS_DEVIATION**2 * np.outer(days.others, days.others)
    return DailyNoise(level, total, own)


def _clock_wander(days: LockDays, noise: Reals) -> float:
    """How far its clocks wander (share of the latency), by what its days show beyond ``noise``."""
    least, most = (bound / days.reference_ms for bound in CLOCK_WANDER_MS)
    if days.day.size < FEWEST_CLOCK_DAYS:
        return most
    # Neighbouring days differ by both their noises and by both their clocks' wander.
    apart = np.diff(days.level) / np.sqrt((noise[1:] + noise[:-1]) / 2)
    beyond = max(robust_deviation(apart) ** 2 / 2 - 1.0, 0.0) * float(np.median(noise))
    return float(np.clip(CLOCK_SAFETY * np.sqrt(beyond), least, most))


def two_levels(
    noise: DailyNoise, before: np.ndarray, now: np.ndarray, scale: float = 1.0
) -> TwoLevels | None:
    """The two levels that one series has on two sets of its days.

    Parameters
    ----------
    noise : DailyNoise
        The series and its covariance.
    before, now : array of int
        Places of the days of either level; days in between are left out.
    scale : float, default 1.0
        By how much more than its covariance the series scatters (variance).

    Returns
    -------
    TwoLevels or None
        None where either has no day.
    """
    if not before.size or not now.size:
        return None
    rows = np.concatenate([before, now])
    design = np.zeros((rows.size, 2))
    design[:before.size, 0] = 1.0
    design[before.size:, 1] = 1.0
    part = noise.total[np.ix_(rows, rows)]
    part = part + LEAST_VARIANCE * np.eye(rows.size)
    solve = _solver(part)
    whitened = solve(np.column_stack([design, noise.level[rows]]))
    covariance = np.linalg.pinv(design.T @ whitened[:, :2])
    level = covariance @ (design.T @ whitened[:, 2])
    left = noise.level[rows] - design @ level
    found = []
    for column, chosen in enumerate((before, now)):
        # The wander of just these days, predicted from all of them.
        reach = noise.wander[np.ix_(rows, chosen)].mean(axis=1)
        own = float(noise.wander[np.ix_(chosen, chosen)].mean())
        weights = solve(reach)
        wandered = float(weights @ left)
        off = np.eye(2)[column] - design.T @ weights
        variance = own - float(reach @ weights) + float(off @ covariance @ off)
        found.append((float(level[column]) + wandered, np.sqrt(scale * max(variance, 0.0))))
    between = np.array([-1.0, 1.0])
    return TwoLevels(
        found[0][0], float(found[0][1]), found[1][0], float(found[1][1]),
        float(level[1] - level[0]), float(np.sqrt(scale * (between @ covariance @ between))),
    )


def _solver(matrix: Reals) -> Callable[[Reals], Reals]:
    factor = linalg.cho_factor(matrix, lower=True, check_finite=False)

    def solve(right: Reals) -> Reals:
        out: Reals = linalg.cho_solve(factor, right, check_finite=False)
        return out

    return solve


def spans(
    days: LockDays, levels: TwoLevels | None
) -> tuple[float, float, float, float, float, float]:
    """Before and now, each with its 95 % interval; NaN where there are no two levels. [ms]

    Parameters
    ----------
    days : LockDays
        The lock's days, with their poll.
    levels : TwoLevels or None
        What :func:`two_levels` found.
    """
    if levels is None:
        return np.nan, np.nan, np.nan, np.nan, np.nan, np.nan
    return (*_span(days, levels.before, levels.before_deviation),
            *_span(days, levels.now, levels.now_deviation))


def _span(days: LockDays, level: float, deviation: float) -> tuple[float, float, float]:
    """Level and its 95 % interval in ms: in the middle of its poll, not when it was read."""
    half = T_QUANTILE * deviation
    hidden = _between_polls(days)
    return (
        days.as_ms(level), max(days.as_ms(level - half) - hidden, 0.0),
        days.as_ms(level + half) + hidden,
    )


def seen_change(days: LockDays, levels: TwoLevels | None) -> tuple[float, float, float]:
    """This week's change, as a share of before, with its 95 % interval.

    Each level may lie anywhere between two polls, and the one knows nothing of the other.

    Parameters
    ----------
    days : LockDays
        The lock's days, with their poll.
    levels : TwoLevels or None
        What :func:`two_levels` found; without it all is NaN.
    """
    if levels is None:
        return np.nan, np.nan, np.nan
    half, hidden = T_QUANTILE * levels.change_deviation, _between_polls(days)
    of_now, of_before = (hidden / max(days.as_ms(level), LEAST_RESOLUTION_MS)
                         for level in (levels.now, levels.before))
    least = max(1.0 - of_now, 0.0) / (1.0 + of_before)
    most = (1.0 + of_now) / max(1.0 - of_before, LEAST_SHARE_OF_LEVEL)
    return (days.as_share(levels.change), np.exp(levels.change - half) * least - 1.0,
            np.exp(levels.change + half) * most - 1.0)


def _between_polls(days: LockDays) -> float:
    """How far polls in step with the command may shift a mean latency, either way. [ms]"""
    if not days.phase_tied:
        return 0.0
    poll = max(days.resolution_ms / days.reference_ms, LEAST_RESOLUTION_MS)
    # The scatter of single releases has the poll's own in it: a twelfth of its square where the
    # rest is wide, and up to a quarter where releases stand on two neighbouring polls.
    own = LEAST_DAILY_SCATTER
    if days.deviation > poll / 2:
        own = max(own, float(np.sqrt(days.deviation**2 - poll**2 / 12)))
    return days.resolution_ms * rounding_error(own / poll)
