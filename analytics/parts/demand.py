"""When units will be wanted: futures of all locks of a part, drawn together.

Each future draws one life of the part from what is held of it, and lets every lock live by it. So
what is not known of the life makes the needs of all locks large together or small together, and
the range of their sum is as wide as it must be. A lock given a new part may need another.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from remanence.analytics.statistics.arrays import Ints, Reals
from remanence.analytics.statistics.life import LifePosterior

FUTURES = 8000
"""Futures drawn: shares of 5 % are told to within a quarter of a point."""
SEED = 20260304
MOST_RENEWALS = 400
"""New units that one lock can get within the horizon."""


@dataclass(frozen=True)
class Place:
    """One lock as its part sees it.

    ``age`` and ``pace`` in cycles and cycles a week; ``drift`` draws of the weeks until its
    measures meet their limit (empty where they do not drift); ``due`` the chance that a new unit
    is wanted today.
    """

    age: float
    pace: float
    drift: Reals
    due: float = 0.0


@dataclass(frozen=True)
class Futures:
    """Times at which units are wanted: ``future`` numbers the draw, ``weeks`` is when."""

    future: Ints
    weeks: Reals

    def within(self, weeks: float) -> Demand:
        """How many are wanted within so many weeks, up to the horizon they were drawn for.

        Parameters
        ----------
        weeks : float
            How far ahead.

        Returns
        -------
        Demand
            The share of the draws in which so many were wanted.
        """
        counts = np.bincount(self.future[self.weeks <= weeks], minlength=FUTURES)
        return Demand(np.bincount(counts) / FUTURES)


def draw_futures(places: Sequence[Place], life: LifePosterior, horizon: float) -> Futures:
    """Draw what a part's locks will want.

    Parameters
    ----------
    places : sequence of Place
        The locks that hold the part.
    life : LifePosterior
        What is held of its life; the same data give the same draws.
    horizon : float
        Weeks ahead.

    Returns
    -------
    Futures

    Notes
    -----
    A running unit of age a under a Weibull life of scale s and shape k fails at
    s ((a / s)**k + E)**(1 / k), E standard exponential; it is replaced at once, and the new unit
    starts at age 0 (a renewal process). A unit whose measures drift goes when the first of the two
    comes. ``life`` has seen the running units already, so nothing is weighted by their survival.
    """
    rng = np.random.default_rng(SEED)
    running = np.cumsum(life.probability)
    spread = (np.arange(FUTURES) + 0.5) / FUTURES * running[-1]
    cell = rng.permutation(np.minimum(np.searchsorted(running, spread), running.size - 1))
    scale, shape = life.scale[cell], life.shape[cell]
    futures: list[Ints] = []
    times: list[Reals] = []
    every = np.arange(FUTURES)
    for place in places:
        if place.pace > 0:
            used = (place.age / scale) ** shape + rng.standard_exponential(FUTURES)
            when = np.maximum(scale * used ** (1 / shape) - place.age, 0.0) / place.pace
        else:
            when = np.full(FUTURES, np.inf)
        if place.drift.size:
            when = np.minimum(when, rng.choice(place.drift, FUTURES))
        when = np.where(rng.random(FUTURES) < place.due, 0.0, when)
        who = every[when <= horizon]
        when = when[who]
        for _ in range(MOST_RENEWALS):
            if not who.size:
                break
            futures.append(who)
            times.append(when)
            if place.pace <= 0:
                break
            new = scale[who] * rng.standard_exponential(who.size) ** (1 / shape[who])
            when = when + new / place.pace
            stays = when <= horizon
            who, when = who[stays], when[stays]
    if not futures:
        return Futures(np.empty(0, np.int64), np.empty(0))
    return Futures(np.concatenate(futures), np.concatenate(times))


def cost_range(
    demands: Sequence[tuple[Demand, float]], coverage: float = 0.9
) -> tuple[float, float]:
    """The range that holds the cost of several parts' needs with ``coverage``.

    Parameters
    ----------
    demands : sequence of (Demand, float)
        Each part's need and its unit cost; parts are taken for independent.
    coverage : float, default 0.9
        Chance that the cost lies within the range.

    Returns
    -------
    low, high : float
    """
    rng = np.random.default_rng(SEED)
    total = np.zeros(4 * FUTURES)
    for demand, cost in demands:
        held = np.cumsum(demand.probability)
        drawn = np.searchsorted(held / held[-1], rng.random(total.size))
        total += cost * np.minimum(drawn, held.size - 1)
    tail = (1 - coverage) / 2
    low, high = np.quantile(total, [tail, 1 - tail], method="inverted_cdf")
    return float(low), float(high)


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
        """Ints numbers between which the demand lies with at least ``coverage``.

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
