"""Polls: which one each release was measured by, and what it leaves uncertain of a latency.

A polled input is an interval, not an instant. Its width may change from one day to the next, when
somebody sets another period or fits another controller; the lock has not changed then. So each
release carries the variance of its own poll, and the days of one poll share an uncertain offset.
"""

from __future__ import annotations

import numpy as np

from remanence.analytics.statistics.arrays import Ints, Reals
from remanence.analytics.statistics.intervals import robust_deviation
from remanence.analytics.statistics.medians import grouped_medians
from remanence.analytics.statistics.settings import settings

LEAST_DAILY_SCATTER = 0.03
"""No lock's releases scatter by less than this share (common practice: 3 to 12 %)."""

_HARMONICS = np.arange(1, 21)
"""Harmonics of the rounding's saw tooth that are summed: from a scatter of 0.03 polls on, the later
ones are nought (calculated)."""
_PLACES_BETWEEN_POLLS = 101
"""Places between two polls at which the saw tooth is looked at: half a poll in steps of 0.5 %."""


def rounding_error(scatter: float) -> float:
    """The most that a mean of values rounded up to whole polls is off, beside half a poll.

    Parameters
    ----------
    scatter : float
        Standard deviation of the values before rounding, in polls; 0 or more.

    Returns
    -------
    float
        In polls: half a poll without any scatter, soon nothing with it.

    Notes
    -----
    The error is a saw tooth over the place between two polls, which normal scatter smooths:
    its k-th harmonic by exp(-2 (pi k scatter)^2) (characteristic function of the normal
    distribution; B. Widrow and I. Kollar, Quantization Noise, 2008, chapter 5).
    """
    if scatter <= 0.0:
        return 0.5
    height = np.exp(-2.0 * (np.pi * _HARMONICS * scatter) ** 2) / (np.pi * _HARMONICS)
    place = np.linspace(0.0, 0.5, _PLACES_BETWEEN_POLLS)
    return float(min((height * np.sin(2 * np.pi * np.outer(place, _HARMONICS))).sum(1).max(), 0.5))


def least_change_ms(reference_ms: float, resolution_ms: float, beyond_ms: float) -> float:
    """Change of a mean that no place between two polls can feign, and ``beyond_ms`` more. [ms]

    A change of a whole poll is one in any case.
    """
    off = 2 * rounding_error(LEAST_DAILY_SCATTER * reference_ms / resolution_ms) * resolution_ms
    return min(off + beyond_ms, resolution_ms)


FEWEST_FOR_SCATTER, FEWEST_STEPS_IN_DAYS = 6, 8
"""Releases that have a scatter, and steps from one release to the next of the same day; where these
are fewer, steps from day to day count too (assumption)."""
CAP_DEVIATIONS = 4.0
"""Deviations beyond which a step of polled values counts as no more than that (assumption)."""
LEAST_VALUE_DEVIATION = 1e-3
"""Least scatter of single values (natural log): keeps weights finite."""

FULL_DAY = 6.0
"""Releases from which a day shows its poll's period as surely as any (assumption)."""
POLL_MODEL_ERROR = 0.05
"""How far the half poll that is taken off may itself be off, as a share of the poll: its period is
read from the stamps, and inputs have filters (assumption)."""


def _scatter(value: Reals, day: Reals, floor: float) -> float:
    """Scatter of single releases about their day, blind to slow change and to stragglers."""
    if value.size < FEWEST_FOR_SCATTER:
        return float("nan")
    steps = np.diff(value)[np.diff(day) == 0]
    if steps.size < FEWEST_STEPS_IN_DAYS:
        steps = np.diff(value)
    robust = robust_deviation(steps) / np.sqrt(2)
    if floor > 0:
        # Polled values sit on few levels, where the median of differences may be nought.
        cap = CAP_DEVIATIONS * max(robust, floor)
        robust = max(robust, float(np.sqrt(np.mean(np.clip(steps, -cap, cap) ** 2) / 2)))
    return float(max(robust, floor, LEAST_VALUE_DEVIATION))


def polls(resolution_ms: Reals, ordinal: Reals) -> tuple[Ints, Reals]:
    """Which poll each release was measured by, counted from 0, and that poll's period. [ms]

    A controller keeps its poll's period until somebody changes it: one odd day does not.
    """
    resolution = np.clip(resolution_ms.astype(float), 0.0, None)
    _, count = np.unique(ordinal, return_counts=True)
    _, daily = grouped_medians(resolution, ordinal.astype(np.int64))
    regime = np.repeat(settings(daily, count / FULL_DAY), count)
    period = np.zeros(resolution.size)
    for one in np.unique(regime):
        period[regime == one] = np.median(resolution[regime == one])
    return regime, period


def release_variance(value: Reals, ordinal: Reals, regime: Ints, poll: Reals) -> Reals:
    """Variance of single releases about their day: the lock's own, and their poll's.

    The lock's own is read where the poll is finest. A value may lie anywhere within a poll
    (``poll``, as a share of the latency): uniform, whose variance is a twelfth.
    """
    enough = np.bincount(regime) >= FEWEST_FOR_SCATTER
    chosen = enough[regime] if enough.any() else np.ones(value.size, dtype=np.bool_)
    finest = regime[chosen][int(np.argmin(poll[chosen]))]
    mine = regime == finest
    least = float(poll[mine][0]) / np.sqrt(12)
    whole = _scatter(value[mine], ordinal[mine], least)
    own = whole**2 - least**2
    out: Reals = np.where(mine, whole**2, max(own, LEAST_DAILY_SCATTER**2) + poll**2 / 12)
    return out if np.isfinite(whole) else np.full(value.size, np.nan)


def offset_deviation(regime: Ints, poll: Reals, tied: np.ndarray, variance: Reals) -> Reals:
    """How far the levels of each release's regime may all be off; nought where there is but one.

    Half a poll is taken off every latency. Of polls in step with the command it may be too much
    or too little by as much as rounding leaves (:func:`rounding_error`).
    """
    out = np.zeros(poll.size)
    if regime[0] == regime[-1]:
        return out
    for one in np.unique(regime):
        place = int(np.argmax(regime == one))
        wide = float(poll[place])
        own = np.sqrt(max(float(variance[place]) - wide**2 / 12, LEAST_DAILY_SCATTER**2))
        off = POLL_MODEL_ERROR * wide
        if tied[place]:
            off = float(np.hypot(off, rounding_error(own / wide) * wide))
        out[regime == one] = off
    return out
