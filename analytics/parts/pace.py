"""How often a lock will be commanded from now on, where its pace may have changed of late."""

from __future__ import annotations

import numpy as np
from scipy import special

from remanence.analytics.statistics.arrays import Reals

CHANGE_WEEKS = 52.0
"""A pace changes once in so many weeks (common practice, no source)."""
ROUGH_MEDIAN = 0.455
"""Median of a chi-square with one degree of freedom (textbook)."""
LEAST_RATE = 1e-3
"""Commands a week below which no pace is drawn."""


def paces(commands: Reals, rng: np.random.Generator, size: int) -> Reals:
    """Draws of the commands a week from now on.

    Parameters
    ----------
    commands : numpy.ndarray, shape (n,)
        In each week with games, newest first; one at least above 0.
    rng : numpy.random.Generator
        Source of chance.
    size : int
        Draws.

    Returns
    -------
    numpy.ndarray, shape (size,)

    Notes
    -----
    Counts of Poisson weeks whose mean changed once, or never: the place of the change and the mean
    since it have their exact posteriors (gamma prior with the mean of all weeks and weight of one
    week; textbook). Weeks that scatter more than Poisson's count for as much less: by the squared
    differences of neighbouring weeks, whose median a single change does not move.
    """
    steps = np.diff(commands) ** 2 / np.maximum(commands[1:] + commands[:-1], 1.0)
    rough = max(float(np.median(steps)) / ROUGH_MEDIAN, 1.0) if steps.size else 1.0
    counts = commands / rough
    prior = 1.0 / float(counts.mean())
    number = np.arange(1.0, counts.size + 1)
    sums = np.cumsum(counts)

    def evidence(total: Reals, weeks: Reals) -> Reals:
        return np.asarray(special.gammaln(1.0 + total) + np.log(prior)
                          - (1.0 + total) * np.log(prior + weeks))

    log_chance = np.append(
        evidence(sums[:-1], number[:-1]) + evidence(sums[-1] - sums[:-1], number[-1] - number[:-1])
        - np.log(CHANGE_WEEKS),
        evidence(sums[-1:], number[-1:])
        + np.log1p(-min(counts.size - 1, CHANGE_WEEKS - 1) / CHANGE_WEEKS))
    chance = np.exp(log_chance - special.logsumexp(log_chance))
    since = rng.choice(counts.size, size=size, p=chance)
    rate = rng.standard_gamma(1.0 + sums[since]) / (prior + number[since])
    return np.asarray(np.maximum(rate * rough, LEAST_RATE))
