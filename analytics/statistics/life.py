"""How long parts live by use: Weibull lives from ended and still running ones.

A part's life is counted in cycles (releases asked of it). Lives that ended come
from the service log, lives still running are right-censored, and units that had
been in service when the log began enter late (left-truncated).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from remanence.analytics.statistics.arrays import Flags, Reals

SHAPE_MEDIAN, SHAPE_HIGH = 2.0, 4.0
"""Prior of the Weibull shape: log-normal, median 2, 90 % between 1 and 4. Public spring and
switch data gave shapes of 1.4 to 2.1 and 3.5 to 6.4."""
FAMILY_CYCLES, FAMILY_FACTOR = 100_000.0, 10.0
"""Where no rating is given: the life that 10 % do not reach lies within a factor of 10 of 100,000
cycles with 90 %: electric locking mechanisms are rated for 100,000 or 250,000 cycles (UL 1034,
6th ed. (2011), clause 1.2), unrated ones may do far less. Until three have failed."""
_NORMAL_95_ONE_SIDED = float(special.ndtri(0.95))
RATED_SPREAD = np.log(3.0) / _NORMAL_95_ONE_SIDED
"""Prior of the life by the maker's rating: the life that 10 % do not reach lies within a factor of
3 of the rated cycles with 90 % (common practice, no source: ratings are made at rated load)."""


@dataclass(frozen=True)
class Lives:
    """Lives of one kind of part, a unit each; arrays of one length.

    Attributes
    ----------
    cycles : numpy.ndarray
        How much each unit has done.
    ended : numpy.ndarray of bool
        Whether it failed there; else it still runs (right-censored).
    entry : numpy.ndarray
        What it had done when it came under observation (0: seen from new).
    weights : numpy.ndarray
        How many units a row stands for.
    """

    cycles: Reals
    ended: Flags
    entry: Reals
    weights: Reals

    @classmethod
    def of(
        cls, cycles: npt.ArrayLike, ended: npt.ArrayLike, entry: npt.ArrayLike | None = None,
        weights: npt.ArrayLike | None = None,
    ) -> Lives:
        """Build from any sequences; rows that saw no cycles carry nothing and are left out.

        Parameters
        ----------
        cycles : array_like, shape (n,)
            How much each unit has done.
        ended : array_like of bool, shape (n,)
            Whether it failed there.
        entry : array_like, shape (n,), optional
            Cycles done before it was watched; 0 where not given.
        weights : array_like, shape (n,), optional
            Units that a row stands for; 1 where not given.

        Returns
        -------
        Lives
            Rows whose ``cycles`` are no more than their ``entry`` are not in it.

        Raises
        ------
        ValueError
            Lengths differ, or a unit left before it entered.
        """
        total = np.asarray(cycles, dtype=np.float64)
        start = np.zeros_like(total) if entry is None else np.asarray(entry, dtype=np.float64)
        flags = np.asarray(ended, dtype=np.bool_)
        count = np.ones_like(total) if weights is None else np.asarray(weights, dtype=np.float64)
        if not total.shape == start.shape == flags.shape == count.shape:
            raise ValueError("cycles, ended, entry and weights must be of one length")
        if (total < start).any():
            raise ValueError("a unit cannot leave before it entered")
        keep = total > start
        return cls(total[keep], flags[keep], start[keep], count[keep])

    @property
    def failures(self) -> float:
        """How many lives ended."""
        return float(self.weights[self.ended].sum())

    @property
    def units(self) -> float:
        """How many lives there are."""
        return float(self.weights.sum())


def weibull_log_likelihood(log_scale: Reals, log_shape: Reals, lives: Lives) -> Reals:
    """Log-likelihood of Weibull lives, with those still running and those that entered late.

    Parameters
    ----------
    log_scale, log_shape : array, of one shape or broadcast to one
        Natural logs of the cycles by which 63.2 % have failed, and of the shape.
    lives : Lives
        Ended and running.

    Returns
    -------
    array
        Of the shape of the broadcast figures.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, sec. 8.4.1.3.
    """
    shape = np.exp(log_shape)[..., None]
    scaled = shape * (np.log(lives.cycles) - log_scale[..., None])
    with np.errstate(over="ignore", divide="ignore"):
        entered = np.where(
            lives.entry > 0,
            np.exp(shape * (np.log(np.maximum(lives.entry, 1e-300)) - log_scale[..., None])), 0.0,
        )
        hazard = np.log(shape) + scaled - np.log(lives.cycles)
        terms = np.where(lives.ended, hazard, 0.0) - np.exp(scaled) + entered
    return np.asarray((terms * lives.weights).sum(axis=-1))


def zero_failure_scale(lives: Lives, shape: float, confidence: float = 0.95) -> float:
    """Lower bound of the Weibull scale where nothing has failed yet.

    Parameters
    ----------
    lives : Lives
        None of them ended.
    shape : float
        Assumed Weibull shape.
    confidence : float, default 0.95
        One-sided, between 0 and 1.

    Returns
    -------
    float
        Cycles; 0 without any exposure.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook, sec. 8.4.5.1 (shape 1: exposure over -ln(1 - confidence)).
    """
    exposure = float((lives.weights * (lives.cycles**shape - lives.entry**shape)).sum())
    return float((exposure / -np.log1p(-confidence)) ** (1.0 / shape)) if exposure > 0 else 0.0


@dataclass(frozen=True)
class LifePosterior:
    """What is known of a part's life: a grid of Weibull lives with their probabilities.

    Attributes
    ----------
    scale, shape, probability : numpy.ndarray
        The grid, cell by cell; ``scale`` in cycles.
    failures, units : float
        Lives that ended, and all lives.
    basis : str
        ``your data`` from three failures on, else ``rating and your data`` or
        ``family assumption and your data``.
    """

    scale: Reals
    shape: Reals
    probability: Reals
    failures: float
    units: float
    basis: str

    def life_quantile(
        self, share: float = 0.1, confidence: float = 0.95
    ) -> tuple[float, float, float]:
        """Cycles by which ``share`` have failed.

        Parameters
        ----------
        share : float, default 0.1
            Between 0 and 1.
        confidence : float, default 0.95
            Of the interval.

        Returns
        -------
        tuple of float
            Median of what is held, lower and upper bound. [cycles]
        """
        values = self.scale * (-np.log1p(-share)) ** (1.0 / self.shape)
        order = np.argsort(values)
        held = np.cumsum(self.probability[order])
        tail = (1 - confidence) / 2
        low, middle, high = np.interp([tail, 0.5, 1 - tail], held, values[order])
        return float(middle), float(low), float(high)

    def failure_probability(self, age: npt.ArrayLike, further: npt.ArrayLike) -> Reals:
        """Chance that a unit of this age (cycles) fails within so many further cycles.

        Parameters
        ----------
        age, further : array_like, shape (n,)
            Cycles done, cycles to come.

        Returns
        -------
        numpy.ndarray, shape (n,)
            Each averaged over what is held of the life, given that the unit has lived so far.
            What is held has seen the running units as censored lives, so their survival weighs
            in already and is not counted again.
        """
        done = np.atleast_1d(np.asarray(age, dtype=np.float64))[:, None]
        more = np.atleast_1d(np.asarray(further, dtype=np.float64))[:, None]
        until_now = (done / self.scale) ** self.shape
        until_then = ((done + more) / self.scale) ** self.shape
        return np.asarray(-np.expm1(until_now - until_then) @ self.probability)


def life_posterior(
    lives: Lives, rated_cycles: float | None = None, *, longer: float = 1.0
) -> LifePosterior:
    """What ended and running lives, a shape prior and the maker's rating say of a part's life.

    Parameters
    ----------
    lives : Lives
        Ended and running, of one kind of part.
    rated_cycles : float, optional
        Taken as the life that 10 % do not reach, within a factor of 3.
    longer : float, default 1.0
        So many times longer than the rating, or the assumption, is the life taken to be: where it
        ends of one cause among several.

    Returns
    -------
    LifePosterior
        Never without a prior of the life: the rating's, or a wide assumption for all such parts
        where there is none, until three failures speak for themselves.

    Notes
    -----
    Grid of 60 shapes by 160 scales. From three failures on, the scale's prior is flat in its
    logarithm within a factor of 100 of the longest life seen: the venue's own data speak.
    """
    failures = lives.failures
    spread = np.log(SHAPE_HIGH / SHAPE_MEDIAN) / _NORMAL_95_ONE_SIDED
    log_shape = np.linspace(np.log(0.5), np.log(8.0), 60)
    by_data = failures >= 3
    assumed = longer * (FAMILY_CYCLES if rated_cycles is None else float(rated_cycles))
    factor = np.log(FAMILY_FACTOR) / _NORMAL_95_ONE_SIDED if rated_cycles is None else RATED_SPREAD
    reach = [float(lives.cycles.max())] if lives.cycles.size else []
    if not by_data:
        reach.append(assumed)
    log_scale = np.linspace(np.log(min(reach) / 20), np.log(max(reach) * 100), 160)
    scales, shapes = (a.ravel() for a in np.meshgrid(log_scale, log_shape))
    held = -0.5 * ((shapes - np.log(SHAPE_MEDIAN)) / spread) ** 2
    if not by_data:
        log_b10 = scales + np.log(-np.log(0.9)) / np.exp(shapes)
        held = held - 0.5 * ((log_b10 - np.log(assumed)) / factor) ** 2
    if lives.cycles.size:
        held = held + weibull_log_likelihood(scales, shapes, lives)
    probability = np.exp(held - special.logsumexp(held))
    basis = ("your data" if by_data else
             "family assumption and your data" if rated_cycles is None else "rating and your data")
    return LifePosterior(
        np.exp(scales), np.exp(shapes), probability, failures, lives.units, basis
    )
