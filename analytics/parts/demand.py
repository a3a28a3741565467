"""When units will be wanted: futures of all locks of a part, drawn together.

Each future draws the lives of the part, one a cause, from what is held of them, and lets every lock
live by them. So what is not known of the life makes the needs of all locks large together or small
together, and the range of their sum is as wide as it must be. A lock given a new part may need
another.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from remanence.analytics.parts.cause_lives import PartLives
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

    Attributes
    ----------
    age, pace : float
        Cycles of the running unit, and cycles a week.
    drift : numpy.ndarray
        Draws of the weeks until its measures meet their limit; empty where they do not drift.
    due : float
        The chance that a new unit is wanted today.
    watched : bool
        Whether its releases are observed, so that wear is looked for in them.
    shown : float or None
        Cycles since wear began to show; None where it does not.
    """

    age: float
    pace: float
    drift: Reals
    due: float = 0.0
    watched: bool = False
    shown: float | None = None


@dataclass(frozen=True)
class Futures:
    """Times at which units are wanted.

    Attributes
    ----------
    future, weeks : numpy.ndarray
        Number of the draw, and when; a row a unit.
    first : tuple of numpy.ndarray
        When each place wants its first, draw by draw; infinite where it is beyond the horizon.
    """

    future: Ints
    weeks: Reals
    first: tuple[Reals, ...]

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


@dataclass(frozen=True)
class _Law:
    """One Weibull life a future, drawn from what is held of it."""

    scale: Reals
    shape: Reals

    @classmethod
    def drawn(cls, life: LifePosterior, rng: np.random.Generator) -> _Law:
        running = np.cumsum(life.probability)
        spread = (np.arange(FUTURES) + 0.5) / FUTURES * running[-1]
        cell = rng.permutation(np.minimum(np.searchsorted(running, spread), running.size - 1))
        return cls(life.scale[cell], life.shape[cell])

    def end(self, rng: np.random.Generator, who: Ints, beyond: float = 0.0) -> Reals:
        """Cycles at which units end, in these futures, that have done ``beyond`` already."""
        scale, shape = self.scale[who], self.shape[who]
        used = (beyond / scale) ** shape + rng.standard_exponential(who.size)
        return np.maximum(scale * used ** (1 / shape), beyond)


class _Laws:
    """The laws of all causes, the same for every place of the part."""

    def __init__(self, lives: PartLives, rng: np.random.Generator) -> None:
        self.rng = rng
        self.whole = _Law.drawn(lives.whole, rng)
        self.causes = None
        if lives.age is not None and lives.sign is not None and lives.showing is not None:
            self.causes = tuple(
                _Law.drawn(life, rng) for life in (lives.age, lives.sign, lives.showing))
        # What is held of a constant rate after so many events in so much use.
        self.advice = (rng.standard_gamma(lives.advised, FUTURES) / lives.shown_cycles
                       if lives.advised else np.zeros(FUTURES))

    def end(
        self, who: Ints, watched: bool, beyond: float = 0.0, shown: float | None = None
    ) -> Reals:
        """Cycles at which units end that have done ``beyond``, and ``shown`` since wear shows."""
        if self.causes is None or not watched:
            return self.whole.end(self.rng, who, beyond)
        age, sign, showing = self.causes
        worn = (sign.end(self.rng, who, beyond) + showing.end(self.rng, who) if shown is None
                else beyond - shown + showing.end(self.rng, who, shown))
        return np.minimum(age.end(self.rng, who, beyond), worn)

    def end_of_worn(self, who: Ints, watched: bool, beyond: float) -> Reals:
        """The same for units whose drift is followed: by age, or on advice."""
        if self.causes is None or not watched:
            return self.whole.end(self.rng, who, beyond)
        with np.errstate(divide="ignore"):
            advised = beyond + self.rng.standard_exponential(who.size) / self.advice[who]
        return np.minimum(self.causes[0].end(self.rng, who, beyond), advised)


def draw_futures(
    places: Sequence[Place], lives: PartLives | LifePosterior, horizon: float
) -> Futures:
    """Draw what a part's locks will want.

    Parameters
    ----------
    places : sequence of Place
        The locks that hold the part.
    lives : PartLives or LifePosterior
        What is held of its lives, cause by cause, or of one life for all causes; the same data give
        the same draws.
    horizon : float
        Weeks ahead.

    Returns
    -------
    Futures

    Notes
    -----
    A running unit of age a under a Weibull life of scale s and shape k ends at
    s ((a / s)**k + E)**(1 / k), E standard exponential. Of several causes the first ends it: age,
    and wear, which takes its time to show and then to the end; where it shows already, and is not
    sure enough for a date, the rest of that. Where its measures drift, these draws stand for its
    wear, and it may be replaced on advice before. It is replaced at once,
    and the new unit starts at age 0 (a renewal process). The lives have seen the running units
    already, so nothing is weighted by their survival.
    """
    rng = np.random.default_rng(SEED)
    laws = _Laws(lives if isinstance(lives, PartLives) else PartLives(lives), rng)
    futures: list[Ints] = []
    times: list[Reals] = []
    first: list[Reals] = []
    every = np.arange(FUTURES)
    for place in places:
        when = np.full(FUTURES, np.inf)
        if place.pace > 0:
            end = (laws.end_of_worn(every, place.watched, place.age) if place.drift.size
                   else laws.end(every, place.watched, place.age, place.shown))
            when = (end - place.age) / place.pace
        if place.drift.size:
            when = np.minimum(when, rng.choice(place.drift, FUTURES))
        when = np.where(rng.random(FUTURES) < place.due, 0.0, when)
        first.append(np.where(when <= horizon, when, np.inf))
        who = every[when <= horizon]
        when = when[who]
        for _ in range(MOST_RENEWALS):
            if not who.size:
                break
            futures.append(who)
            times.append(when)
            if place.pace <= 0:
                break
            when = when + laws.end(who, place.watched) / place.pace
            stays = when <= horizon
            who, when = who[stays], when[stays]
    if not futures:
        return Futures(np.empty(0, np.int64), np.empty(0), tuple(first))
    return Futures(np.concatenate(futures), np.concatenate(times), tuple(first))


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
