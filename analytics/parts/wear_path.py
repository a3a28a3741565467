"""A path that was flat and began to drift: where it stands, how fast it goes, when it arrives.

The path is a constant until an unknown onset, then a straight drift with a random walk. What is
seen of it, week by week, is a latency (or another figure) with three kinds of noise: the scatter
of single releases, moods that last for days or weeks, and what the rail's volts do. None of these
is known beforehand, so all are averaged over, each by how well it explains the weeks seen.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, fields

import numpy as np
import numpy.typing as npt
from scipy import special

from remanence.analytics.statistics.arrays import Flags, Ints, Reals

WeeklyLevels = Callable[[Reals], tuple[Reals, Reals, Reals]]

MARGIN_EXPONENT = 0.54
"""Latency over healthy latency = (1 - share of margin used) ** -0.54. Fitted to a calculated
table for a 12 V latch at 20 degrees Celsius: friction in seven equal steps to stalling gives
23, 25, 28, 31, 36, 44, 82 ms (dependable in shape, not in absolute value)."""
EXPONENT_SPREAD = 0.2
"""Standard deviation of the exponent's logarithm from latch to latch: other calculated latches
gave 0.42 to 0.60 over parts of their course."""
CURVE_SPREAD = 0.07
"""How far the rest of the way to a limit may be longer or shorter than the exponent's curve says,
as a standard deviation of its logarithm: between the calculated tables it was 0.8 to 1.1 times."""
DRAWS = 4000
"""Draws of the path that a forecast rests on."""
CELLS = 3000
"""Sets of unknown figures tried in each of the fit's two rounds."""
LEVEL_PRIOR = 0.5
"""Standard deviation, before any data, of the healthy level about 0."""
SURE, LIKELY = 0.99, 0.8
"""Chance that a path has moved, and that it goes on upward, from which a date is told."""
DRIFTS = (0.01, 0.12)
"""Drift per week is normal about 0; its standard deviation lies between these, every factor as
likely as another: latches wear out within two months or within years."""
WALKS = (0.002, 0.06)
"""Random walk per square root of a week, every factor as likely as another."""
MOODS = (0.002, 0.04)
"""Standard deviation of moods, as a share of the latency: 1 to 3 % between weeks are common."""
MOOD_WEEKS = (0.15, 8.0)
"""How long a mood lasts: from a day to months."""
EARLIEST = 0.1
"""Chance that the drift had begun before the first week seen."""
VOLTS_DEVIATION = 1.0
"""How much steeper or flatter than the inverse square a latch's latency may answer volts."""


@dataclass(frozen=True)
class Path:
    """A fitted path: draws of where it stands, how it goes on and what it must meet.

    Attributes
    ----------
    level, drift, walk, end : numpy.ndarray
        Draws of its level now, its drift per week, its random walk over one week and the level to
        meet.
    moved, upward : float
        Probability that it left its flat stretch, and that it goes on upward if it did.
    since_weeks : float
        How long ago it began.
    """

    level: Reals
    drift: Reals
    walk: Reals
    end: Reals
    moved: float
    upward: float
    since_weeks: float

    @property
    def rising(self) -> bool:
        """Whether the path surely left its flat stretch, and most likely goes on upward."""
        return self.moved >= SURE and self.upward >= LIKELY


@dataclass(frozen=True)
class _Tried:
    """Sets of unknown figures and what the weeks seen say of each; one entry a set."""

    onset: Reals
    walk: Reals
    drift_prior: Reals
    mood: Reals
    mood_weeks: Reals
    exponent: Reals
    log_likelihood: Reals = field(default_factory=lambda: np.empty(0))
    mean: Reals = field(default_factory=lambda: np.empty((2, 0)))
    variance: Reals = field(default_factory=lambda: np.empty((2, 2, 0)))

    def part(self, which: slice) -> _Tried:
        """Some of the sets."""
        return _Tried(*(getattr(self, item.name)[..., which] for item in fields(self)))


def margin_used(latency_ratio: npt.ArrayLike, exponent: npt.ArrayLike = MARGIN_EXPONENT) -> Reals:
    """Share of a latch's force margin used up, from its latency over its healthy latency.

    Parameters
    ----------
    latency_ratio : array_like
        1 when healthy; below 1 gives a negative share.
    exponent : array_like, default 0.54
        How the latency answers the margin.

    Returns
    -------
    numpy.ndarray
        1 - ratio ** (-1 / exponent), below 1.
    """
    ratio = np.asarray(latency_ratio, dtype=np.float64)
    return np.asarray(1.0 - ratio ** (-1.0 / np.asarray(exponent, dtype=np.float64)))


def first_passage(
    level: Reals, drift: Reals, walk: Reals, limit: npt.ArrayLike, rng: np.random.Generator
) -> Reals:
    """Draws of the time at which level + drift t + walk W(t) first meets ``limit``.

    Parameters
    ----------
    level, drift : numpy.ndarray, shape (n,)
        Draws of where the path stands and of its drift per week.
    walk : numpy.ndarray, shape (n,)
        Draws of the standard deviation of the random walk over one week.
    limit : float or numpy.ndarray, shape (n,)
        The level to meet.
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Weeks; 0 where the level is beyond the limit, infinite where it is never met.

    References
    ----------
    .. [1] First passage of a Wiener process with drift is inverse Gaussian with mean
       distance / drift and shape (distance / walk) ** 2; with drift away from the limit it is met
       with probability exp(2 drift distance / walk**2). Textbook result; for degradation see
       doi:10.1080/00401706.2013.830074.
    """
    distance = np.asarray(limit, dtype=np.float64) - level
    weeks = np.full(level.shape, np.inf)
    weeks[distance <= 0] = 0.0
    ahead = distance > 0
    straight = ahead & (walk <= 0) & (drift > 0)
    weeks[straight] = distance[straight] / drift[straight]
    wide = np.where(walk > 0, walk, 1.0)
    meets = rng.random(level.size) < np.exp(np.minimum(2 * drift * distance / wide**2, 0.0))
    moving = ahead & (walk > 0) & meets & (np.abs(drift) > 1e-9)
    weeks[moving] = rng.wald(
        distance[moving] / np.abs(drift[moving]), (distance[moving] / walk[moving]) ** 2
    )
    return weeks


def fit_path(
    weeks: Reals, seen: Reals, deviation: Reals, rng: np.random.Generator, *,
    limit: float = np.inf, latch: bool = False, volts: Reals | None = None,
) -> Path:
    """Fit a flat stretch followed by a drift with a random walk to weekly figures.

    This is a forecast, not a detector of change: it asks how wear goes on, so that it returns
    draws of the path from now on and no :class:`~remanence.analytics.statistics.change.Change`.

    Parameters
    ----------
    weeks : numpy.ndarray, shape (n,)
        When, in weeks of use, rising; the last is now.
    seen : numpy.ndarray, shape (n,)
        The figure: for latencies, the logarithm of latency over healthy latency.
    deviation : numpy.ndarray, shape (n,)
        Standard deviation of each figure from the scatter of single releases.
    rng : numpy.random.Generator
        Source of chance for the draws.
    limit : float, default infinity
        The figure at which the path has arrived.
    latch : bool, default False
        Whether the path runs in the share of force margin used (see :func:`margin_used`)
        instead of in the figure itself.
    volts : numpy.ndarray, shape (n,), optional
        Logarithm of the rail's volts against its usual ones, to which ``seen`` has been brought
        by the inverse square; how far the lock's own answer differs is fitted.

    Returns
    -------
    Path

    Notes
    -----
    Given onset, walk, spread of drifts, size and memory of moods, and exponent, the weeks are a
    linear Gaussian state space: level, drift, mood and answer to volts; a Kalman filter gives
    the likelihood and the state now. The figures it is given are drawn from their priors,
    then once more around those that explained the weeks best, and weighted by prior times
    likelihood over the density they were drawn with (adaptive importance sampling, textbook).
    Half of the belief lies with no drift before any data is seen.
    """
    luck = _Luck.drawn(rng, latch)
    answer = np.zeros(weeks.size) if volts is None else volts
    first, last = float(weeks[0]), float(weeks[-1])

    def levels(exponent: Reals) -> tuple[Reals, Reals, Reals]:
        """Level, its slope by the figure, and the logarithm of that slope, weeks by sets."""
        if not latch:
            flat = np.ones((weeks.size, 1))
            return seen[:, None] * flat, flat, 0.0 * flat
        # The slope on which noise acts is the path's, not the noise's own.
        slope = np.exp(-_smooth(seen)[:, None] / exponent[None, :]) / exponent[None, :]
        log_slope = -seen[:, None] / exponent[None, :] - np.log(exponent)[None, :]
        return margin_used(np.exp(seen[:, None]), exponent[None, :]), slope, log_slope

    def try_out(tried: _Tried) -> _Tried:
        return _filter(weeks, deviation, answer, levels, tried)

    prior = luck.prior
    # In one go with the sets that do not move: small arrays cost as much as large ones.
    every = try_out(_joined(_figures(prior, first, last, True),
                            _figures(luck.still, first, last, False)))
    tried, still = every.part(slice(CELLS)), every.part(slice(CELLS, None))
    weight = np.exp(tried.log_likelihood - tried.log_likelihood.max())
    weight /= weight.sum()
    middle = weight @ prior
    away = prior - middle
    spread = 1.5 * (away.T * weight) @ away + 0.05 * np.eye(6)
    root = np.linalg.cholesky(spread)
    near = middle + luck.near @ root.T
    again = try_out(_figures(near, first, last, True))
    both = np.vstack([prior, near])
    log_prior = -0.5 * (both**2).sum(axis=1)
    scaled = np.linalg.solve(root, (both - middle).T)
    log_near = -0.5 * (scaled**2).sum(axis=0) - np.log(np.diag(root)).sum()
    log_drawn = np.logaddexp(log_prior, log_near) - np.log(2.0)
    cells = _joined(tried, again, still)
    log_weight = cells.log_likelihood + np.concatenate([
        log_prior - log_drawn - np.log(2 * CELLS), np.full(CELLS // 3, -np.log(CELLS // 3)),
    ])
    chance = np.exp(log_weight - special.logsumexp(log_weight))
    # Evenly spaced through the running sum: the draws fall where the chance is, without more luck.
    running = np.cumsum(chance)
    place = (np.arange(DRAWS) + luck.place) / DRAWS * running[-1]
    chosen = np.minimum(np.searchsorted(running, place), chance.size - 1)
    moves = chosen < 2 * CELLS
    return _drawn(cells, chosen, moves, last, limit, luck)


@dataclass(frozen=True)
class _Luck:
    """All the chance that one fit rests on; ``curve`` only where the path is a latch's."""

    prior: Reals
    near: Reals
    still: Reals
    place: float
    ends: Reals
    curve: Reals | None

    @classmethod
    def drawn(cls, rng: np.random.Generator, latch: bool) -> _Luck:
        return cls(
            rng.standard_normal((CELLS, 6)), rng.standard_normal((CELLS, 6)),
            rng.standard_normal((CELLS // 3, 6)), rng.random(),
            rng.standard_normal((2, DRAWS)), rng.standard_normal(DRAWS) if latch else None,
        )


def pass_over(rng: np.random.Generator, *, latch: bool = False) -> None:
    """Leave ``rng`` as :func:`fit_path` does, for a path that nobody will look at.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance: what is drawn next does not hang on whether the path was fitted.
    latch : bool, default False
        As it would be fitted.
    """
    _Luck.drawn(rng, latch)


def _smooth(seen: Reals) -> Reals:
    """Mean of each week and its two neighbours on either side."""
    window = np.ones(min(5, seen.size))
    total = np.convolve(seen, window, mode="same")
    return np.asarray(total / np.convolve(np.ones(seen.size), window, mode="same"))


def _figures(normal: Reals, first: float, last: float, moving: bool) -> _Tried:
    """Standard normal draws brought to the priors of the unknown figures."""
    even = special.ndtr(normal)

    def factor(column: int, bounds: tuple[float, float]) -> Reals:
        low, high = np.log(bounds[0]), np.log(bounds[1])
        return np.asarray(np.exp(low + (high - low) * even[:, column]))

    late = (even[:, 0] - EARLIEST) / (1 - EARLIEST)
    onset = np.where(late < 0, first, first + late * max(last - 1.0 - first, 0.0))
    nothing = np.zeros(len(normal))
    return _Tried(
        onset if moving else nothing + last,
        factor(1, WALKS) if moving else nothing,
        factor(2, DRIFTS) if moving else nothing,
        factor(3, MOODS), factor(4, MOOD_WEEKS),
        np.exp(np.log(MARGIN_EXPONENT) + EXPONENT_SPREAD * normal[:, 5]),
    )


def _filter(
    weeks: Reals, deviation: Reals, volts: Reals, levels: WeeklyLevels, tried: _Tried
) -> _Tried:
    """Likelihood of the weeks under each set of figures, and level and drift now."""
    level, slope, log_slope = levels(tried.exponent)
    size = tried.onset.size
    states = 4 if volts.any() else 3
    mean = np.zeros((states, size))
    spread = np.zeros((states, states, size))
    spread[0, 0] = LEVEL_PRIOR**2
    spread[1, 1] = tried.drift_prior**2
    spread[2, 2] = tried.mood**2
    if states == 4:
        spread[3, 3] = VOLTS_DEVIATION**2
    log_likelihood = np.zeros(size)
    room = np.empty_like(spread)  # asking for new memory each week takes as long as the sums
    before = weeks[0]
    for i, now in enumerate(weeks):
        if i:
            moved = np.maximum(now - np.maximum(before, tried.onset), 0.0)
            stays = np.exp(-(now - before) / tried.mood_weeks)
            mean[0] += moved * mean[1]
            mean[2] *= stays
            spread[0] += moved * spread[1]
            spread[:, 0] += moved * spread[:, 1]
            spread[0, 0] += tried.walk**2 * moved
            spread[2] *= stays
            spread[:, 2] *= stays
            spread[2, 2] += (1 - stays**2) * tried.mood**2
        gain = spread[:, 0] + slope[i] * spread[:, 2]
        if states == 4:
            gain = gain + slope[i] * volts[i] * spread[:, 3]
        total = gain[0] + slope[i] * gain[2] + (slope[i] * deviation[i]) ** 2
        expected = mean[0] + slope[i] * mean[2]
        if states == 4:
            total = total + slope[i] * volts[i] * gain[3]
            expected = expected + slope[i] * volts[i] * mean[3]
        off = level[i] - expected
        log_likelihood += -0.5 * (off**2 / total + np.log(total)) + log_slope[i]
        mean += gain * (off / total)
        spread -= np.multiply(gain[:, None], (gain / total)[None, :], out=room)
        before = now
    return _Tried(
        tried.onset, tried.walk, tried.drift_prior, tried.mood, tried.mood_weeks, tried.exponent,
        log_likelihood, mean[:2], spread[:2, :2],
    )


def _joined(*parts: _Tried) -> _Tried:
    return _Tried(*(
        np.concatenate([getattr(part, item.name) for part in parts], axis=-1)
        for item in fields(_Tried)
    ))


def _drawn(
    cells: _Tried, chosen: Ints, moves: Flags, last: float,
    limit: float, luck: _Luck,
) -> Path:
    """Draws of level and drift now from the chosen sets."""
    mean, spread = cells.mean[:, chosen], cells.variance[:, :, chosen]
    normal = luck.ends
    first = np.sqrt(np.maximum(spread[0, 0], 1e-18))
    tie = spread[1, 0] / first
    rest = np.sqrt(np.maximum(spread[1, 1] - tie**2, 0.0))
    level = mean[0] + first * normal[0]
    drift = np.where(moves, mean[1] + tie * normal[0] + rest * normal[1], 0.0)
    rises = drift > 0
    since = last - cells.onset[chosen]
    end = np.full(chosen.size, limit)
    if luck.curve is not None:
        end = margin_used(np.exp(limit), cells.exponent[chosen])
        end = level + (end - level) * np.exp(CURVE_SPREAD * luck.curve)
    return Path(
        level, drift, cells.walk[chosen], end, float(moves.mean()),
        float(rises.sum() / max(moves.sum(), 1)),
        float(np.median(since[rises])) if rises.any() else 0.0,
    )
