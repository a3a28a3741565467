"""How many to keep and when to order: demand over the lead time and the stock that meets it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import stats

Reals = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Demand:
    """How many of a part will be wanted in a stretch of time.

    Attributes
    ----------
    probability : numpy.ndarray
        Of 0, 1, 2, ... wanted; adds up to 1.
    """

    probability: Reals

    @property
    def mean(self) -> float:
        """Expected number."""
        return float(self.probability @ np.arange(self.probability.size))

    def quantile(self, level: float) -> int:
        """Smallest number that meets the demand with probability ``level`` or more.

        Parameters
        ----------
        level : float
            Between 0 and 1.

        Returns
        -------
        int
            Pieces.
        """
        return int(np.searchsorted(np.cumsum(self.probability), level - 1e-12))

    def interval(self, coverage: float = 0.9) -> tuple[int, int]:
        """Whole numbers between which the demand lies with at least ``coverage``.

        Parameters
        ----------
        coverage : float, default 0.9
            Between 0 and 1.

        Returns
        -------
        tuple of int
            Low and high; equal tails.
        """
        tail = (1 - coverage) / 2
        return self.quantile(tail), self.quantile(1 - tail)

    def chance_above(self, stock: int) -> float:
        """Chance that more than ``stock`` are wanted.

        Parameters
        ----------
        stock : int
            Pieces in stock; below 0 gives 1.

        Returns
        -------
        float
            Between 0 and 1.
        """
        return float(self.probability[stock + 1:].sum()) if stock >= 0 else 1.0

    def expected_short(self, stock: int) -> float:
        """Expected number wanted beyond ``stock`` (expected back-orders).

        Parameters
        ----------
        stock : int
            Pieces in stock.

        Returns
        -------
        float
            Pieces.
        """
        beyond = np.arange(self.probability.size) - stock
        return float(self.probability @ np.maximum(beyond, 0))


def demand_of_units(chances: npt.ArrayLike) -> Demand:
    """Demand where each unit fails at most once in the stretch, each with its own chance.

    Parameters
    ----------
    chances : array_like, shape (n_units,)
        Probability that the unit needs replacing.

    Returns
    -------
    Demand
        The exact distribution of the sum of independent trials, by convolution
        (Poisson-binomial).

    Raises
    ------
    ValueError
        A chance lies outside 0 to 1.
    """
    each = np.atleast_1d(np.asarray(chances, dtype=np.float64))
    if each.size and not ((each >= 0) & (each <= 1)).all():
        raise ValueError("chances must lie between 0 and 1")
    probability = np.ones(1)
    for chance in each:
        probability = np.convolve(probability, [1 - chance, chance])
    return Demand(probability)


def poisson_demand(mean: float) -> Demand:
    """Poisson demand of a given mean, cut where less than 1e-12 lies beyond.

    Parameters
    ----------
    mean : float
        Expected number, 0 or more.

    Returns
    -------
    Demand
        Of pieces.

    Raises
    ------
    ValueError
        The mean is negative.
    """
    if mean < 0:
        raise ValueError(f"the mean must not be negative, got {mean!r}")
    top = int(stats.poisson.isf(1e-12, mean)) + 1 if mean > 0 else 0
    return Demand(np.asarray(stats.poisson.pmf(np.arange(top + 1), mean)))


def expected_renewals(scale: float, shape: float, until: float, steps: int = 2000) -> float:
    """Expected number of replacements of one place up to ``until``, new at 0, each part new.

    Parameters
    ----------
    scale, shape : float
        Weibull life.
    until : float
        In the unit of ``scale``.
    steps : int, default 2000
        Steps of the discretised renewal equation.

    Returns
    -------
    float
        The renewal function M(until).

    Notes
    -----
    M(t) = F(t) + integral of M(t - x) dF(x), solved by the mid-point (RS) method of
    Xie, "On the solution of renewal-type integral equations", Communications in
    Statistics - Simulation 18 (1989) 281 (from memory).
    """
    if until <= 0:
        return 0.0
    grid = np.linspace(0.0, until, steps + 1)
    cumulative = -np.expm1(-((grid / scale) ** shape))
    half = -np.expm1(-(((grid[1:] - until / steps / 2) / scale) ** shape))
    renewal = np.zeros(steps + 1)
    first = half[0]
    increments = np.diff(renewal)
    for i in range(1, steps + 1):
        # sum over earlier increments of M times F at the mid-points
        past = float(increments[: i - 1] @ half[i - 1 : 0 : -1]) if i > 1 else 0.0
        renewal[i] = (cumulative[i] + past - first * renewal[i - 1]) / (1 - first)
        increments[i - 1] = renewal[i] - renewal[i - 1]
    return float(renewal[-1])
