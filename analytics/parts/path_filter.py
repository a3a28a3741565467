"""What the weeks seen say of sets of unknown figures: a Kalman filter over all sets at once.

Given a set, the weeks are a linear Gaussian state space: level, drift, mood, season and answer to
volts. Leaps are told week by week: a week with leaps and one without are both followed, and what
is believed of the state after it is one Gaussian with the moments of the two, weighted (the
generalised pseudo-Bayesian filter of order 1; Bar-Shalom, Li and Kirubarajan, Estimation with
Applications to Tracking and Navigation (2001), section 11.6).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from remanence.analytics.parts.path_figures import Tried
from remanence.analytics.statistics.arrays import Reals

WeeklyLevels = Callable[[Reals], tuple[Reals, Reals, Reals]]
LEVEL_PRIOR = 0.5
"""Standard deviation, before any data, of the healthy level about 0."""


def weigh(
    weeks: Reals, deviation: Reals, answers: Sequence[tuple[Reals, float]],
    levels: WeeklyLevels, tried: Tried,
) -> Tried:
    """Likelihood of the weeks under each set of figures, and level and drift now.

    Parameters
    ----------
    weeks, deviation : numpy.ndarray, shape (n,)
        When, and the standard deviation of each week's figure.
    answers : sequence of (numpy.ndarray, float)
        What the figure may answer to (volts, the season), week by week, each with the deviation of
        its answer before any data.
    levels : callable
        From the sets' curves: level, its slope by the figure and the logarithm of that slope,
        weeks by sets.
    tried : Tried
        Those with leaps first.

    Returns
    -------
    Tried
        The same with likelihood, mean and variance.
    """
    level, slope, log_slope = levels(tried.curve)
    size = tried.onset.size
    leaping = slice(int(np.count_nonzero(tried.rate)))
    rest = slice(leaping.stop, None)
    states = 3 + len(answers)
    mean = np.zeros((states, size))
    spread = np.zeros((states, states, size))
    spread[0, 0] = LEVEL_PRIOR**2
    spread[1, 1] = tried.drift_prior**2
    spread[2, 2] = tried.mood**2
    for k, (_, doubt) in enumerate(answers, start=3):
        spread[k, k] = doubt**2
    log_likelihood = np.zeros(size)
    room = np.empty_like(spread)  # asking for new memory each week takes as long as the sums
    before, shown = weeks[0], tried.clock(float(weeks[0]))
    for i, now in enumerate(weeks):
        moved = np.zeros(size)
        if i:
            shows = tried.clock(float(now))
            moved = shows - shown
            stays = np.exp(-(now - before) / tried.mood_weeks)
            mean[0] += moved * mean[1]
            mean[2] *= stays
            spread[0] += moved * spread[1]
            spread[:, 0] += moved * spread[:, 1]
            spread[0, 0] += tried.walk**2 * moved
            spread[1, 1] += (tried.change * tried.drift_prior) ** 2 * moved
            spread[2] *= stays
            spread[:, 2] *= stays
            spread[2, 2] += (1 - stays**2) * tried.mood**2
            shown = shows
        noise, expects = spread[:, 2].copy(), mean[2].copy()
        for k, (answer, _) in enumerate(answers, start=3):
            noise += answer[i] * spread[:, k]
            expects += answer[i] * mean[k]
        gain = spread[:, 0] + slope[i] * noise
        seen = gain[2].copy()
        for k, (answer, _) in enumerate(answers, start=3):
            seen += answer[i] * gain[k]
        total = gain[0] + slope[i] * seen + (slope[i] * deviation[i]) ** 2
        off = level[i] - mean[0] - slope[i] * expects
        log_flat = -0.5 * (off**2 / total + np.log(total))
        log_likelihood += log_slope[i]
        log_likelihood[rest] += log_flat[rest]
        leap = _leap(tried.rate[leaping] * moved[leaping], tried.size[leaping], gain[:, leaping],
                     off[leaping], total[leaping], log_flat[leaping])
        log_likelihood[leaping] += leap.log_likelihood
        mean += gain * (off / total)
        mean[:, leaping] += leap.chance * leap.away
        spread -= np.multiply(gain[:, None], (gain / total)[None, :], out=room)
        spread[:, :, leaping] += leap.spread
        before = now
    return replace(tried, log_likelihood=log_likelihood, mean=mean[:2], variance=spread[:2, :2])


@dataclass(frozen=True)
class _Leap:
    """A week that may have leapt: its likelihood, the chance that it did, what that changes."""

    log_likelihood: Reals
    chance: Reals
    away: Reals
    spread: Reals


def _leap(
    expected: Reals, size: Reals, gain: Reals, off: Reals, total: Reals, log_flat: Reals,
) -> _Leap:
    """``expected`` leaps in the week; the rest as the filter has them without leaps."""
    some = np.maximum(-np.expm1(-expected), 1e-12)
    # Of a compound Poisson sum that is not 0: exponential sizes have mean and deviation alike.
    number = np.maximum(expected / some, 1.0)
    rise = size * number
    variance = size**2 * np.maximum(
        number + (expected + expected**2) / some - number**2, 1.0)
    gain_leapt = gain.copy()
    gain_leapt[0] += variance
    total_leapt, off_leapt = total + variance, off - rise
    log_stays = log_flat - expected
    log_leapt = -0.5 * (off_leapt**2 / total_leapt + np.log(total_leapt)) + np.log(some)
    log_both = np.logaddexp(log_stays, log_leapt)
    chance = np.exp(log_leapt - log_both)
    away = gain_leapt * (off_leapt / total_leapt) - gain * (off / total)
    away[0] += rise
    spread = (chance / total) * gain[:, None] * gain[None]
    spread -= (chance / total_leapt) * gain_leapt[:, None] * gain_leapt[None]
    spread[0, 0] += chance * variance
    spread += (chance * (1 - chance)) * away[:, None] * away[None]
    return _Leap(log_both, chance, away, spread)
