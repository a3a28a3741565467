"""When a path that drifts meets its limit, as draws of the weeks."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from remanence.analytics.parts.wear_path import Path
from remanence.analytics.statistics.arrays import Reals

FARTHEST = 208.0
"""Weeks that are walked step by step; beyond, the drift is taken to stay as it then is."""
STEPS = 64
"""Steps to there, each longer than the last by the same factor."""
FIRST_STEP = 0.1
"""Weeks."""
MOST_CHANGE = 2.3
"""The drift gets at most ten times, at least a tenth of what it is (a logarithm): no data say
more."""


def first_passage(
    level: Reals, drift: Reals, walk: Reals, limit: npt.ArrayLike, rng: np.random.Generator
) -> Reals:
    """Draws of the time at which level + drift t + walk W(t) first meets ``limit``.

    Parameters
    ----------
    level, drift : numpy.ndarray, shape (n,)
        Draws of where the path stands and of its drift per week.
    walk : numpy.ndarray, shape (n,)
        Draws of the standard deviation of the random walk over one week.
    limit : float or numpy.ndarray, shape (n,)
        The level to meet.
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Weeks; 0 where the level is beyond the limit, infinite where it is never met.

    References
    ----------
    .. [1] First passage of a Wiener process with drift is inverse Gaussian with mean
       distance / drift and shape (distance / walk) ** 2; with drift away from the limit it is met
       with probability exp(2 drift distance / walk**2). Textbook result; for degradation see
       doi:10.1080/00401706.2013.830074.
    """
    distance = np.asarray(limit, dtype=np.float64) - level
    weeks = np.full(level.shape, np.inf)
    weeks[distance <= 0] = 0.0
    ahead = distance > 0
    straight = ahead & (walk <= 0) & (drift > 0)
    weeks[straight] = distance[straight] / drift[straight]
    wide = np.where(walk > 0, walk, 1.0)
    meets = rng.random(level.size) < np.exp(np.minimum(2 * drift * distance / wide**2, 0.0))
    moving = ahead & (walk > 0) & meets & (np.abs(drift) > 1e-9)
    weeks[moving] = rng.wald(
        distance[moving] / np.abs(drift[moving]), (distance[moving] / walk[moving]) ** 2
    )
    return weeks


def arrival(path: Path, rng: np.random.Generator) -> Reals:
    """Draws of the weeks in which a fitted path meets its level.

    Parameters
    ----------
    path : Path
        From :func:`remanence.analytics.parts.wear_path.fit_path`.
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    numpy.ndarray, shape (draws,)
        Weeks; 0 where the level is met already, infinite where it is never met.

    Notes
    -----
    The path runs by its clock: age * ((age + weeks) / age) ** exponent. A drift that wanders is
    multiplied by the exponential of a random walk; leaps are exponential. Between two steps a path
    that is below the level at both has met it with probability
    exp(-2 distance * distance / walk variance) (the Brownian bridge, textbook); a step is longer
    than the last by a constant factor.
    """
    ends = np.concatenate([[0.0], np.geomspace(FIRST_STEP, FARTHEST, STEPS)])
    age, exponent = path.age[:, None], path.time_exponent[:, None]
    clock = age * ((age + ends) / age) ** exponent
    passed = np.diff(clock, axis=1)
    drift = np.repeat(path.drift[:, None], passed.shape[1], axis=1)
    wanders = np.flatnonzero(path.change > 0)
    wander = np.cumsum(
        rng.standard_normal((wanders.size, STEPS)) * np.sqrt(passed[wanders]), axis=1)
    drift[wanders] *= np.exp(
        np.clip(path.change[wanders, None] * wander, -MOST_CHANGE, MOST_CHANGE))
    step = drift * passed + path.walk[:, None] * np.sqrt(passed) * rng.standard_normal(passed.shape)
    leaps = np.flatnonzero(path.rate > 0)
    number = rng.poisson(path.rate[leaps, None] * passed[leaps])
    # A sum of so many exponential sizes is gamma.
    step[leaps] += path.size[leaps, None] * np.where(
        number > 0, rng.standard_gamma(np.maximum(number, 1)), 0.0)
    gap = np.empty(clock.shape)
    gap[:, 0] = path.end - path.level
    gap[:, 1:] = gap[:, :1] - np.cumsum(step, axis=1)
    variance = np.maximum(path.walk[:, None] ** 2 * passed, 1e-18)
    before, after = np.maximum(gap[:, :-1], 0.0), np.maximum(gap[:, 1:], 0.0)
    meets = (gap[:, 1:] <= 0) | (
        rng.random(passed.shape) < np.exp(-2 * before * after / variance))
    within = meets.any(axis=1)
    at = meets.argmax(axis=1)
    rows = np.arange(at.size)
    fell = np.maximum(before[rows, at] - gap[rows, at + 1], 1e-12)
    share = np.clip(before[rows, at] / fell, 0.0, 1.0)
    weeks = ends[at] + share * (ends[at + 1] - ends[at])
    later = first_passage(
        -gap[:, -1], drift[:, -1] + path.rate * path.size, path.walk, 0.0, rng)
    last = clock[:, -1] + later
    with np.errstate(over="ignore"):
        beyond = path.age * (last / path.age) ** (1 / path.time_exponent) - path.age
    weeks = np.where(within, weeks, np.maximum(beyond, FARTHEST))
    return np.where(gap[:, 0] <= 0, 0.0, weeks)
