"""How likely one of several alike is at fault, where only the others show what is usual."""

from __future__ import annotations

import numpy as np

from remanence.analytics.statistics.arrays import Reals
from remanence.analytics.statistics.intervals import (
    log_density_of_t,
    probability,
    robust_deviation,
)

BETWEEN_WEIGHT = 5.0
"""Siblings' worth of say that the stated spread has beside their own (assumption)."""
LEAST_BETWEEN = 0.1
"""Least spread of the siblings themselves (natural log), or what is stated of them where that is
less: a few that happen to lie together do not show that all do (assumption)."""
LEAST_DEVIATIONS_ABOVE = 2.5
"""One less than this many deviations above the others is as they are. Assumption."""
FAULTY_DEVIATIONS = 8.0
"""A faulty one lies anywhere up to this many deviations above. Assumption."""


def chance_above(
    own: float, others: Reals, *, between: float, prior: float, error: float = 0.0
) -> float | None:
    """Probability that one is at fault which lies above all that is like it.

    Parameters
    ----------
    own : float
        Its figure, on a scale on which sound ones are normal about each other (a logarithm).
    others : numpy.ndarray
        The others', two or more.
    between : float
        By how much sound ones are supposed to differ (standard deviation).
    prior : float
        Chance that it is at fault, before they are compared; between 0 and 1.
    error : float, optional
        Standard error of its own figure, where that is not small beside ``between``.

    Returns
    -------
    float or None
        None where it lies less than :data:`LEAST_DEVIATIONS_ABOVE` above them.

    Notes
    -----
    Where the next sound one would lie: Student's t of a normal distribution with a conjugate
    prior of its variance (any text on Bayesian statistics); middle and spread are robust, so that
    another faulty one moves them little.
    """
    count = others.size
    freedom = BETWEEN_WEIGHT + count - 1
    spread = max(robust_deviation(others), min(between, LEAST_BETWEEN))
    variance = (BETWEEN_WEIGHT * between**2 + (count - 1) * spread**2) / freedom
    off = (own - float(np.median(others))) / float(np.sqrt(
        variance * (1 + 1 / count) + error**2))
    if not np.isfinite(off) or off < LEAST_DEVIATIONS_ABOVE:
        return None
    return probability(float(
        np.log(prior / (1 - prior)) + np.log(1 / FAULTY_DEVIATIONS)
        - log_density_of_t(off, freedom)))
