"""How often does a lock not answer at all, when few commands ever went unanswered?

Each lock of a part misses at its own rate, and the rates of a part have a spread of their own:
a beta distribution whose mean and strength are not known. All three are weighed over a grid
(a hierarchical beta-binomial model), so that a part whose locks behave alike lends strength,
and one whose locks differ lends little.

References
----------
A. Gelman et al., "Bayesian Data Analysis", 3rd ed. (2013), sec. 5.3 (the same model, its
hyperparameters on a grid). The prior is this program's: flat in the mean, so that a lock
without misses is bounded much as Clopper and Pearson's limit bounds it, and flat in the log of
the strength; spreads more pointed at zero than Jeffreys' prior (shape below one half) are left
out, since they would take a lock without misses for a perfect one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import special

from remanence.analytics.statistics.arrays import Reals
from remanence.analytics.statistics.root import rising_root

MEANS = np.exp(np.linspace(np.log(1e-5), np.log(0.5), 45))
STRENGTHS = np.exp(np.linspace(np.log(1.0), np.log(1e5), 31))


@dataclass(frozen=True)
class MissRate:
    """Share of commands that a lock leaves unanswered.

    Attributes
    ----------
    commands, missed : int
        Commands, and those unanswered.
    mean : float
        Chance that the next command goes unanswered.
    upper : float
        Upper bound of the share, one-sided.
    """

    commands: int
    missed: int
    mean: float
    upper: float


@lru_cache(maxsize=1)
def _grid() -> tuple[Reals, Reals, Reals]:
    """Shapes of the beta distributions that are weighed, and their means."""
    grids = np.meshgrid(MEANS, STRENGTHS, indexing="ij")
    mean, strength = grids[0].ravel(), grids[1].ravel()
    mean, strength = mean[mean * strength >= 0.5], strength[mean * strength >= 0.5]
    return mean * strength, (1 - mean) * strength, mean


@lru_cache(maxsize=1024)
def _log_likelihood(missed: float, commands: float) -> Reals:
    """Of one lock's counts, on the grid. Every lock is a sibling of all others, so it is kept."""
    a, b, _ = _grid()
    out: Reals = special.betaln(a + missed, b + commands - missed) - special.betaln(a, b)
    return out


def miss_rate(
    missed: int, commands: int, others: Sequence[tuple[int, int]] = (), *,
    confidence: float = 0.95, inflation: float = 1.0,
) -> MissRate:
    """One lock's share of unanswered commands, in the light of its siblings'.

    Parameters
    ----------
    missed, commands : int
        This lock's unanswered commands, and all its commands.
    others : sequence of (missed, commands), default ()
        Its siblings'.
    confidence : float, default 0.95
        One-sided, of ``upper``.
    inflation : float, default 1.0
        Design effect: every count is divided by it.

    Returns
    -------
    MissRate
        ``mean`` is the chance that the next command goes unanswered.

    Raises
    ------
    ValueError
        ``missed`` is negative or more than ``commands``.
    """
    if missed < 0 or commands < missed:
        raise ValueError(f"missed must lie between 0 and commands, got {missed} of {commands}")
    own = (missed / inflation, commands / inflation)
    a, b, mean = _grid()
    log_weight = np.log(mean)  # The grid is even in log mean; this makes the prior flat in it.
    for x, n in [own, *((x / inflation, n / inflation) for x, n in others)]:
        if n > 0:
            log_weight += _log_likelihood(x, n)
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    post_a, post_b = a + own[0], b + own[1] - own[0]
    keep = weight > 1e-9
    weight, post_a, post_b = weight[keep] / weight[keep].sum(), post_a[keep], post_b[keep]
    expected = float((weight * post_a / (post_a + post_b)).sum())
    upper = _mixture_quantile(weight, post_a, post_b, confidence)
    return MissRate(commands, missed, expected, upper)


def _mixture_quantile(
    weight: npt.NDArray[np.float64], a: npt.NDArray[np.float64], b: npt.NDArray[np.float64],
    level: float,
) -> float:
    scale = special.betaln(a, b)

    def gap(log_rate: float) -> tuple[float, float]:
        """How far the level is passed at a rate, and how fast that rises with its logarithm."""
        rate = np.exp(log_rate)
        density = np.exp(a * log_rate + (b - 1) * np.log(-np.expm1(log_rate)) - scale)
        return (float((weight * special.betainc(a, b, rate)).sum()) - level,
                float((weight * density).sum()))

    low, high = float(np.log(1e-12)), -1e-12
    if gap(low)[0] >= 0:
        return float(np.exp(low))
    return float(np.exp(rising_root(gap, low, high)))
