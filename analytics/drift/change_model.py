"""Has a level changed, since when, by how much: one series against days that have a memory.

The series is a lock's daily mean of log latency. Under the null hypothesis it
is a constant plus noise with the covariance that the caller states: the
scatter of single releases, a daily wander with memory, the lock's uncertain
answer to rail volts and season. Against it stand changes that begin on any one
day: a step, a straight rise, and a rise that gathers pace. Each is fitted by
generalised least squares, and the evidence of all of them is added up with the
weight that such a change has before any data (Bayesian model averaging); the
same weights date the change.

The sum runs over every possible onset, so looking at many days is paid for.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import linalg

from remanence.analytics.statistics.arrays import Reals
from remanence.analytics.statistics.change import Change, Side
from remanence.analytics.statistics.intervals import NORMAL_95

SLOW_MEMORY_DAYS = 45.0
"""Days after which the slower wander is forgotten to 1/e: a season's quarter. Assumption."""
LONGEST_SPAN_DAYS = 14.0
"""A gap without data counts for no more days on which a change may have begun."""
LEAST_SCALE = 0.8
"""A series that scatters less than its stated covariance is believed by so much at most."""
SHIFT_PRIOR = 0.3
"""Standard deviation of changes to be expected (natural log): a third either way (assumption)."""
SHAPES = ("step", "rise", "quickening rise", "hastening rise")
_POWER = (0.0, 1.0, 1.5, 2.0)
"""Powers of the days since the onset. A rise that lies between two of them is fitted with a wrong
onset: friction that grows by 1.5 was dated 20 days early while only 1 and 2 were here."""


def daily_covariance(
    days: Reals, variance: Reals, wander: float, memory_days: float,
    slow_wander: float = 0.0, slow_memory_days: float = SLOW_MEMORY_DAYS,
) -> Reals:
    """Covariance of daily means: own scatter, wander with memory, slower wander.

    Parameters
    ----------
    days : array, shape (n,)
        Day numbers.
    variance : array, shape (n,)
        Variance of each day's mean from the scatter of single releases.
    wander, slow_wander : float
        Standard deviations of the two components.
    memory_days, slow_memory_days : float
        Days after which their correlation has fallen to 1/e.
    """
    lag = np.abs(days[:, None] - days[None, :])
    covariance: Reals = (
        wander**2 * np.exp(-lag / max(memory_days, 1e-3))
        + slow_wander**2 * np.exp(-lag / slow_memory_days)
    )
    covariance[np.diag_indices_from(covariance)] += variance
    return covariance


def _shapes(days: Reals, onsets: Reals, end: float, out: Reals) -> None:
    """Put every shape and onset into ``out`` (shapes, onsets, n): 0 before, 1 at the end."""
    since = days[None, :] - onsets[:, None]
    after, elapsed = since >= 0, since
    elapsed += 1.0
    elapsed /= (end - onsets + 1.0)[:, None]
    elapsed[~after] = 0.0
    for course, power in zip(out, _POWER, strict=True):
        if power:
            np.power(elapsed, power, out=course)
        else:
            course[:] = after


def level_log_likelihood(level: Reals, covariance: Reals, scale: float) -> float:
    """Restricted log likelihood of a series about a constant, up to what all covariances share.

    Parameters
    ----------
    level : array, shape (n,)
        The series.
    covariance : array, shape (n, n)
        Of the series; times ``scale``.
    scale : float
        By how much more than its covariance it scatters (variance).
    """
    factor = linalg.cholesky(covariance, lower=True, check_finite=False)
    white = linalg.solve_triangular(
        factor, np.column_stack([np.ones(level.size), level]), lower=True, check_finite=False)
    ones = float(white[:, 0] @ white[:, 0])
    squares = float(white[:, 1] @ white[:, 1]) - float(white[:, 0] @ white[:, 1]) ** 2 / ones
    return float(
        -np.log(np.diag(factor)).sum() - 0.5 * np.log(ones) - 0.5 * squares / scale)


def step_power(covariance: Reals, step: Reals) -> float:
    """Squared length of a step in units of a series' noise, a constant level taken out."""
    factor = linalg.cholesky(covariance, lower=True, check_finite=False)
    white = linalg.solve_triangular(
        factor, np.column_stack([np.ones(step.size), step]), lower=True, check_finite=False)
    return float(white[:, 1] @ white[:, 1]
                 - (white[:, 0] @ white[:, 1]) ** 2 / (white[:, 0] @ white[:, 0]))


def shape_at(change: Change, day: Reals, end: float) -> Reals:
    """The fitted course on each day as a share of the shift: 0 before, 1 from day ``end`` on.

    A step and a rise, each by its probability.
    """
    elapsed = np.clip((day - change.since + 1.0) / (end - change.since + 1.0), 0.0, 1.0)
    rise = np.where(day >= change.since, elapsed, 0.0)
    out: Reals = np.where(day >= change.since, change.step_share, 0.0) + (
        1.0 - change.step_share) * rise
    return out


@dataclass(frozen=True)
class ChangeLikelihood:
    """How much likelier a series is with a change than without, for every beginning and course.

    Of a change of size ``s`` that begins on ``onset[j]`` and takes course ``k``
    (:data:`SHAPES`) the natural log of that ratio is
    ``cross[k, j] * s - power[k, j] * s**2 / 2``.

    Attributes
    ----------
    onset, span : array, shape (n,)
        Days on which it may begin, and how many days each stands for.
    cross, power : array, shape (shapes, n)
        As above; ``power`` is positive.
    scale : float
        By how much more than its stated covariance the series scatters (variance).
    """

    onset: Reals
    span: Reals
    cross: Reals
    power: Reals
    scale: float
    share: Reals
    level: float
    norm: float

    def log_factors(self, shift_prior: float = SHIFT_PRIOR) -> Reals:
        """Natural log of the same ratio with the size drawn from its prior (shapes, n)."""
        out: Reals = 0.5 * self.cross**2 / (self.power + shift_prior**-2) - 0.5 * np.log1p(
            self.power * shift_prior**2)
        return out


def change_likelihood(
    days: Reals, level: Reals, covariance: Reals, *, least_days_before: int = 3,
    least_days_after: int = 2, prior_days: float = 40.0,
) -> ChangeLikelihood | None:
    """Likelihood of a change that still stands at the end of the series, against none.

    Parameters
    ----------
    days, level, covariance, least_days_before, least_days_after, prior_days
        As of :func:`fit_change`.

    Returns
    -------
    ChangeLikelihood or None
        None where there are too few days to tell.
    """
    count = days.size
    if count < least_days_before + least_days_after:
        return None
    factor = linalg.cholesky(covariance, lower=True, check_finite=False)
    onsets = days[least_days_before : count - least_days_after + 1]
    # One block of memory for all of it: a new one for each step costs more than the step.
    white = np.empty((2 + len(SHAPES) * onsets.size, count))
    white[0], white[1] = 1.0, level
    _shapes(days, onsets, float(days[-1]), white[2:].reshape(len(SHAPES), onsets.size, count))
    white = linalg.solve_triangular(
        factor, white.T, lower=True, check_finite=False, overwrite_b=True).T
    norm = float(np.linalg.norm(white[0]))
    constant = white[0] / norm
    series = white[1] - constant * (constant @ white[1])
    shapes = white[2:]
    level_of = shapes @ constant
    for shape, part in zip(*(np.split(all_, len(SHAPES)) for all_ in (shapes, level_of)),
                           strict=True):
        shape -= np.outer(part, constant)
    cross = shapes @ series
    power = np.maximum(np.einsum("ij,ij->i", shapes, shapes), 1e-12)
    gain = cross**2 / power
    best = int(np.argmax(gain))
    residual = float(series @ series - gain[best])
    scale = max((residual + prior_days) / (count - 2 + prior_days), LEAST_SCALE)
    # An onset on a day without data is told by the next day with data; it carries their weight.
    spans = np.diff(days, prepend=days[0] - 1.0)[least_days_before : count - least_days_after + 1]
    spans = np.minimum(spans, LONGEST_SPAN_DAYS)
    return ChangeLikelihood(
        onsets, spans, (cross / scale).reshape(len(SHAPES), -1),
        (power / scale).reshape(len(SHAPES), -1), scale, level_of, float(constant @ white[1]), norm)


def fit_change(
    days: Reals, level: Reals, covariance: Reals, *,
    hazard_per_day: float, shift_prior: float = SHIFT_PRIOR, least_days_before: int = 3,
    least_days_after: int = 2, prior_days: float = 40.0,
) -> Change | None:
    """Weigh a change that still stands at the end of the series against none.

    Parameters
    ----------
    days : array, shape (n,)
        Day numbers, rising.
    level : array, shape (n,)
        The series.
    covariance : array, shape (n, n)
        Its covariance if nothing changed; the constant itself is free.
    hazard_per_day : float
        Probability of a change beginning on a given day, before any data.
    shift_prior : float
        Standard deviation of changes to be expected, in the series' unit.
    least_days_before, least_days_after : int
        Days with data that a change needs on either side.
    prior_days : float
        The weight, in days, of the stated covariance against the series' own
        scatter about the best fit: the covariance is scaled up where the series
        scatters more than it says.

    Returns
    -------
    Change or None
        None where there are too few days to tell. ``log_odds`` include the hazard as prior; the
        shift is that at the end of the series.
    """
    told = change_likelihood(
        days, level, covariance, least_days_before=least_days_before,
        least_days_after=least_days_after, prior_days=prior_days)
    if told is None:
        return None
    count, onsets, spans = days.size, told.onset, told.span
    log_factor, cross, power = told.log_factors(shift_prior), told.cross.ravel(), told.power.ravel()
    log_prior = np.log(hazard_per_day * spans / len(SHAPES))
    log_weight = (log_factor + log_prior).ravel()
    top = log_weight.max()
    weight = np.exp(log_weight - top)
    log_odds = float(top + np.log(weight.sum()))
    weight /= weight.sum()
    shift = cross / (power + shift_prior**-2)
    deviation = np.sqrt(1.0 / (power + shift_prior**-2))
    mean = float(weight @ shift)
    spread = float(np.sqrt(weight @ (deviation**2 + (shift - mean) ** 2)))
    by_shape = weight.reshape(len(SHAPES), -1)
    by_onset = by_shape.sum(axis=0)
    running = np.cumsum(by_onset)
    onset = float(onsets[np.searchsorted(running, 0.5)])
    last = onsets.size - 1
    first = min(int(np.searchsorted(running, 0.025)), last)
    low = float(onsets[first] - spans[first] + 1.0)
    final = min(int(np.searchsorted(running, 0.975)), last)
    # A beginning on the days that are left looks as one on the last day that is tried.
    high = float(onsets[final] if final < last else days[-1])
    before = (told.level - float(told.share @ (weight * shift))) / told.norm
    error = NORMAL_95 * float(np.sqrt(told.scale)) / told.norm
    half = NORMAL_95 * spread
    place = int(np.searchsorted(days, onset))
    return Change(
        "level", log_odds, onset, low, high,
        Side(before, before - error, before + error, place),
        Side(before + mean, before + mean - half, before + mean + half, count - place),
        spread, mean - half, mean + half, float(by_shape[0].sum()), place, told.scale,
    )
