"""A path that was flat and began to drift: where it stands, how fast it goes, when it arrives.

The path is a constant until an unknown onset, then a drift with a random walk, straight on, by a
power of time, wandering, or in leaps (:mod:`remanence.analytics.parts.path_figures`). What is seen
of it, week by week, is a latency (or another figure) with four kinds of noise: the scatter of
single releases, moods that last for days or weeks, a season of the year, and what the rail's volts
do. None of these is known beforehand, so all are averaged over, each by how well it explains the
weeks seen (:mod:`remanence.analytics.parts.path_filter`) and by how other locks of its kind wear
(:mod:`remanence.analytics.parts.fleet_belief`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from remanence.analytics.parts.fleet_belief import shared_weights
from remanence.analytics.parts.path_figures import (
    FAMILY,
    FIGURES,
    TIME_CONSTANT,
    Tried,
    classes,
    figures,
    joined,
)
from remanence.analytics.parts.path_filter import weigh
from remanence.analytics.statistics.arrays import Flags, Ints, Reals

CURVE_SPREAD, CURVE_SPREAD_OTHERS, CURVE_TAILS = 0.1, 0.05, 4
"""How far the rest of the way to a limit may be longer or shorter than the fitted curve says: the
scale and degrees of freedom of a Student t of its logarithm, for latches and for others. The best
curve through the first half, or 85 %, of a calculated latch's way told 0.84 to 1.16 times the rest
in 13 of 18 cases, and 0.35 to 1.44 times in the others."""
DRAWS = 4000
"""Draws of the path that a forecast rests on."""
WEEKS_A_YEAR = 365.25 / 7
CELLS, STILL_CELLS = 1500, 600
"""Sets of unknown figures tried in each of a fit's rounds, and of paths that never move."""
ROUNDS = 2
"""Rounds after the first, each around what the rounds before found likely; one more follows when
other locks have had their say."""
LEAST_SETS = 60
"""Sets that a round's likely ones are to rest on at least."""
TEMPERS = 0.8 ** np.arange(60)
"""Powers that weights are flattened by, one after another: by the last, all sets weigh alike."""
WIDER, LEAST_SPREAD = 1.5, 0.002
"""Sets are drawn anew with so many times the covariance of the likely ones, and so much more."""
HOPELESS = 16.0
"""Sets whose weight is so much smaller than the largest (a logarithm) are not asked again."""
SURE, LIKELY = 0.99, 0.8
"""Chance that a path has moved, and that it goes on upward, from which a date is told."""
VOLTS_DEVIATION = 1.0
"""How much steeper or flatter than the inverse square a latch's latency may answer volts."""
SEASON = 0.02
"""Standard deviation of a season's two parts, its sine and cosine over a year, as a share of the
latency: copper's resistance and with it a coil's pull change by 4 % in 10 kelvin."""


@dataclass(frozen=True)
class Path:
    """A fitted path: draws of where it stands, how it goes on and what it must meet.

    Attributes
    ----------
    level, drift, walk, end : numpy.ndarray
        Draws of its level now, its drift per week, its random walk over one week and the level to
        meet.
    age, time_exponent, change : numpy.ndarray
        Draws of the weeks since its onset, of the power of time by which it runs, and of how much
        its drift changes in the square root of a week, as a share.
    rate, size : numpy.ndarray
        Draws of its leaps a week and their mean size; 0 where it has none.
    moved, upward : float
        Probability that it left its flat stretch, and that it goes on upward if it did.
    since_weeks : float
        How long ago it began.
    """

    level: Reals
    drift: Reals
    walk: Reals
    end: Reals
    age: Reals
    time_exponent: Reals
    change: Reals
    rate: Reals
    size: Reals
    moved: float
    upward: float
    since_weeks: float

    @property
    def rising(self) -> bool:
        """Whether the path surely left its flat stretch, and most likely goes on upward."""
        return self.moved >= SURE and self.upward >= LIKELY


@dataclass(frozen=True)
class Weeks:
    """What was seen of one thing, week by week, for a path to be held against.

    Attributes
    ----------
    weeks : numpy.ndarray, shape (n,)
        When, in weeks of use, rising; the last is now.
    seen : numpy.ndarray, shape (n,)
        The figure: for latencies, the logarithm of latency over healthy latency.
    deviation : numpy.ndarray, shape (n,)
        Standard deviation of each figure from the scatter of single releases.
    limit : float, default infinity
        The figure at which the path has arrived.
    latch : bool, default False
        Whether the path runs in the share of force margin used (see :func:`margin_used`)
        instead of in the figure itself.
    volts : numpy.ndarray, shape (n,), optional
        Logarithm of the rail's volts against its usual ones, to which ``seen`` has been brought
        by the inverse square; how far the lock's own answer differs is fitted.
    calendar : numpy.ndarray, shape (n,), optional
        The same weeks by the calendar, from any day; given where the figure may have a season.
    """

    weeks: Reals
    seen: Reals
    deviation: Reals
    limit: float = np.inf
    latch: bool = False
    volts: Reals | None = None
    calendar: Reals | None = None

    def tried(self, moving: Reals, still: Reals) -> Tried:
        """Paths that move, and paths that never do, held against the weeks.

        In one go: small arrays cost as much as large ones.

        Parameters
        ----------
        moving, still : numpy.ndarray, shape (sets, 9)
            Standard normal draws of the unknown figures, the moving ones with leaps first.

        Returns
        -------
        Tried
            The moving ones, then the others.
        """
        answers: list[tuple[Reals, float]] = []
        if self.volts is not None:
            answers.append((self.volts, VOLTS_DEVIATION))
        if self.calendar is not None:
            angle = 2 * np.pi * self.calendar / WEEKS_A_YEAR
            answers += [(np.cos(angle), SEASON), (np.sin(angle), SEASON)]
        span = float(self.weeks[0]), float(self.weeks[-1])
        sets = joined(figures(moving, *span, True, self.latch),
                      figures(still, *span, False, self.latch))
        return weigh(self.weeks, self.deviation, answers, self._levels, sets)

    def _levels(self, curve: Reals) -> tuple[Reals, Reals, Reals]:
        seen, smooth = self.seen[:, None], _smooth(self.seen)[:, None]
        if not self.latch:
            return bent(seen, curve), np.exp(curve * smooth), curve * seen
        # The slope on which noise acts is the path's, not the noise's own.
        slope = np.exp(smooth - np.expm1(smooth) / curve) / curve
        return (margin_used(np.exp(seen), curve), slope,
                seen - np.expm1(seen) / curve - np.log(curve))


@dataclass(frozen=True)
class PathFit:
    """Many possible paths, held against one thing's own weeks.

    Attributes
    ----------
    weeks : Weeks
        What they are held against.
    sets : Tried
        Sets of unknown figures.
    normal : numpy.ndarray, shape (sets, 9)
        The same as standard normal draws.
    moves : numpy.ndarray of bool
        Whether the set's path ever leaves its flat stretch.
    drawn_from : tuple of (numpy.ndarray, numpy.ndarray)
        Normal densities that the moving sets were drawn from, besides their prior, as many from
        each: mean and Cholesky root.
    """

    weeks: Weeks
    sets: Tried
    normal: Reals
    moves: Flags
    drawn_from: tuple[tuple[Reals, Reals], ...] = ()

    @property
    def log_weight(self) -> Reals:
        """Of each set by its own weeks alone: prior times likelihood over density drawn from.

        Half of the belief lies with paths that never move.
        """
        densities = [_log_normal(self.normal, np.zeros(FIGURES), np.eye(FIGURES))]
        densities += [_log_normal(self.normal, *one) for one in self.drawn_from]
        count = len(densities)
        drawn = special.logsumexp(densities, axis=0) - np.log(count)
        return np.asarray(self.sets.log_likelihood + np.where(
            self.moves, densities[0] - drawn - np.log(count * CELLS), -np.log(STILL_CELLS)))

    @property
    def classes(self) -> Ints:
        """Of each set, what locks of one kind may have in common; -1 where it never moves."""
        return np.where(self.moves, classes(self.normal), -1)

    def tried_again(self, log_weight: Reals, rng: np.random.Generator) -> PathFit:
        """With as many sets more, drawn around those that are likely.

        Parameters
        ----------
        log_weight : numpy.ndarray
            How likely each set is.
        rng : numpy.random.Generator
            Source of chance.

        Returns
        -------
        PathFit
        """
        normal = self.normal[self.moves]
        weight = _tempered(log_weight[self.moves])
        middle = weight @ normal
        away = normal - middle
        root = np.asarray(np.linalg.cholesky(
            WIDER * (away.T * weight) @ away + LEAST_SPREAD * np.eye(FIGURES)), dtype=np.float64)
        near = _leaps_first(middle + rng.standard_normal((CELLS, FIGURES)) @ root.T)
        tried = self.weeks.tried(near, np.empty((0, FIGURES)))
        return PathFit(
            self.weeks, joined(self.sets, tried), np.vstack([self.normal, near]),
            np.append(self.moves, np.ones(CELLS, dtype=np.bool_)),
            (*self.drawn_from, (middle, root)))


def margin_used(
    latency_ratio: npt.ArrayLike, time_constant: npt.ArrayLike = TIME_CONSTANT
) -> Reals:
    """Share of a latch's force margin used up, from its latency over its healthy latency.

    Parameters
    ----------
    latency_ratio : array_like
        1 when healthy; below 1 gives a negative share.
    time_constant : array_like, default 0.55
        Of the coil, as a share of the healthy latency.

    Returns
    -------
    numpy.ndarray
        1 - exp((1 - ratio) / constant), below 1.
    """
    ratio = np.asarray(latency_ratio, dtype=np.float64)
    return np.asarray(-np.expm1((1.0 - ratio) / np.asarray(time_constant, dtype=np.float64)))


def bent(figure: Reals, power: Reals) -> Reals:
    """(exp(power * figure) - 1) / power; the figure itself where the power is 0.

    Parameters
    ----------
    figure : numpy.ndarray
        A logarithm, 0 when healthy.
    power : numpy.ndarray
        Of the latency's, broadcast against ``figure``.

    Returns
    -------
    numpy.ndarray
        With slope 1 where the figure is 0.
    """
    safe = np.where(np.abs(power) < 1e-6, 1e-6, power)
    return np.asarray(np.expm1(safe * figure) / safe)


def weigh_path(weeks: Weeks, rng: np.random.Generator) -> PathFit:
    """Hold many possible paths, flat and then rising or falling, against one thing's own weeks.

    This is a forecast, not a detector of change: it asks how wear goes on, so that it returns
    no :class:`~remanence.analytics.statistics.change.Change`.

    Parameters
    ----------
    weeks : Weeks
        What was seen.
    rng : numpy.random.Generator
        Source of chance for the sets tried.

    Returns
    -------
    PathFit

    Notes
    -----
    Sets of unknown figures are drawn from their priors, then around those that explained the
    weeks best, and weighted by prior times likelihood over the density they were drawn with
    (adaptive importance sampling with deterministic mixture weights; Owen and Zhou, J. Am. Stat.
    Assoc. 95 (2000) 135).
    """
    prior = _leaps_first(rng.standard_normal((CELLS, FIGURES)))
    still = rng.standard_normal((STILL_CELLS, FIGURES))
    fit = PathFit(weeks, weeks.tried(prior, still), np.vstack([prior, still]),
                  np.arange(CELLS + STILL_CELLS) < CELLS)
    for _ in range(ROUNDS):
        fit = fit.tried_again(fit.log_weight, rng)
    return fit


def drawn_paths(
    fits: Sequence[PathFit], chances: Sequence[np.random.Generator], ended: Sequence[PathFit] = (),
) -> list[Path]:
    """Paths of locks of one kind, each after its own weeks and the others' ways.

    Parameters
    ----------
    fits : sequence of PathFit
        One a lock, all of one kind.
    chances : sequence of numpy.random.Generator
        Source of chance of each.
    ended : sequence of PathFit, default ()
        Of units of the kind that have come to their end: they tell how the others may go on.

    Returns
    -------
    list of Path
        One a lock of ``fits``.
    """
    weights = _shared([*fits, *ended])[: len(fits)]
    again = [fit.tried_again(weight, rng)
             for fit, weight, rng in zip(fits, weights, chances, strict=True)]
    weights = _shared([*again, *ended])[: len(fits)]
    return [_drawn(fit, weight, rng)
            for fit, weight, rng in zip(again, weights, chances, strict=True)]


def fit_path(weeks: Weeks, rng: np.random.Generator) -> Path:
    """The path of one thing by itself.

    Parameters
    ----------
    weeks : Weeks
        What was seen.
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    Path
    """
    return drawn_paths([weigh_path(weeks, rng)], [rng])[0]


def _shared(fits: Sequence[PathFit]) -> list[Reals]:
    """Each lock's weights once the others have had their say; hopeless sets keep their own."""
    weights = [fit.log_weight for fit in fits]
    kept = [np.flatnonzero(weight > weight.max() - HOPELESS) for weight in weights]
    told = shared_weights([weight[of] for weight, of in zip(weights, kept, strict=True)],
                          [fit.classes[:, of] for fit, of in zip(fits, kept, strict=True)])
    # Not none at all: where few sets have hope, those drawn next still need somewhere to look.
    out = [weight - weight.max() + heard.max() for weight, heard in zip(weights, told, strict=True)]
    for full, of, weight in zip(out, kept, told, strict=True):
        full[of] = weight
    return out


def _tempered(log_weight: Reals) -> Reals:
    """Weights, flattened by a power until they rest on :data:`LEAST_SETS` sets.

    A few lucky sets say nothing of how wide the likely ones lie (textbook: tempering).
    """
    for power in TEMPERS:
        weight = np.exp(power * log_weight - special.logsumexp(power * log_weight))
        if 1 / np.sum(weight**2) >= LEAST_SETS:
            break
    return np.asarray(weight)


def _leaps_first(normal: Reals) -> Reals:
    return np.asarray(normal[np.argsort(normal[:, FAMILY])])


def _log_normal(normal: Reals, mean: Reals, root: Reals) -> Reals:
    """Logarithm of a normal density, less a constant."""
    scaled = np.linalg.solve(root, (normal - mean).T)
    return np.asarray(-0.5 * (scaled**2).sum(axis=0) - np.log(np.diag(root)).sum())


def _smooth(seen: Reals) -> Reals:
    """Mean of each week and its two neighbours on either side."""
    window = np.ones(min(5, seen.size))
    total = np.convolve(seen, window, mode="same")
    return np.asarray(total / np.convolve(np.ones(seen.size), window, mode="same"))


def _drawn(fit: PathFit, log_weight: Reals, rng: np.random.Generator) -> Path:
    """Draws of level and drift now from sets chosen by their weight."""
    running = np.cumsum(np.exp(log_weight - special.logsumexp(log_weight)))
    # Evenly spaced through the running sum: the draws fall where the chance is, without more luck.
    place = (np.arange(DRAWS) + rng.random()) / DRAWS * running[-1]
    chosen = np.minimum(np.searchsorted(running, place), running.size - 1)
    moves = fit.moves[chosen]
    sets = fit.sets.part(chosen)
    mean, spread = sets.mean, sets.variance
    normal = rng.standard_normal((2, DRAWS))
    first = np.sqrt(np.maximum(spread[0, 0], 1e-18))
    tie = spread[1, 0] / first
    rest = np.sqrt(np.maximum(spread[1, 1] - tie**2, 0.0))
    level = mean[0] + first * normal[0]
    drift = np.where(moves, mean[1] + tie * normal[0] + rest * normal[1], 0.0)
    rises = drift + sets.rate * sets.size > 0
    if fit.weeks.latch:
        end, doubt = margin_used(np.exp(fit.weeks.limit), sets.curve), CURVE_SPREAD
    else:
        end = bent(np.full(DRAWS, fit.weeks.limit), sets.curve)
        doubt = CURVE_SPREAD_OTHERS
    end = level + (end - level) * np.exp(doubt * rng.standard_t(CURVE_TAILS, DRAWS))
    return Path(
        level, drift, sets.walk, end, sets.age, sets.time_exponent, sets.change, sets.rate,
        sets.size, float(moves.mean()), float((rises & moves).sum() / max(moves.sum(), 1)),
        float(np.median(sets.age[rises])) if rises.any() else 0.0,
    )
