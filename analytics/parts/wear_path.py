"""A path that was flat and began to drift: where it stands, how fast it goes, when it arrives.

The path is a constant until an unknown onset, then a drift with a random walk. Both run by a clock
that is a power of the time since the onset, so that wear may gather pace or lose it, and the drift
itself wanders. What is seen of the path, week by week, is a latency (or another figure) with four
kinds of noise: the scatter of single releases, moods that last for days or weeks, a season of the
year, and what the rail's volts do. None of these is known beforehand, so all are averaged over,
each by how well it explains the weeks seen.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, fields, replace

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
BEND_SPREAD = 0.5
"""Standard deviation of the power by which another figure than a latch's is bent for its path to
go straight on (Box and Cox, J. R. Stat. Soc. B 26 (1964) 211): 0 is the logarithm of the latency,
1 the latency itself."""
DRAWS = 4000
"""Draws of the path that a forecast rests on."""
FIGURES = 8
"""Unknown figures in a set."""
LEAST_AGE = 0.5
"""Weeks: no path is taken to be younger, for its clock to have a unit."""
WEEKS_A_YEAR = 365.25 / 7
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
STRAIGHT = 0.5
"""Belief, before any data, that wear goes straight on with time."""
TIME_EXPONENT_SPREAD = 0.6
"""Otherwise it goes with a power of the time since its onset; the power's logarithm is normal
about 0 with this standard deviation: half of these powers lie between 0.67 and 1.5, nine of ten
between 0.37 and 2.7. Wear that has a running-in slows, wear that feeds on its own debris gathers
pace; the power law of time is the textbook form (Whitmore and Schenkelberg, Lifetime Data Analysis
3 (1997) 27)."""
CHANGES = (0.003, 0.15)
"""How much the drift changes in the square root of a week, as a share of the usual drift, every
factor as likely as another."""
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

    last: float
    onset: Reals
    walk: Reals
    drift_prior: Reals
    mood: Reals
    mood_weeks: Reals
    exponent: Reals
    time_exponent: Reals
    change: Reals
    log_likelihood: Reals = field(default_factory=lambda: np.empty(0))
    mean: Reals = field(default_factory=lambda: np.empty((2, 0)))
    variance: Reals = field(default_factory=lambda: np.empty((2, 2, 0)))

    @property
    def age(self) -> Reals:
        """Weeks from onset to now."""
        return np.maximum(self.last - self.onset, LEAST_AGE)

    def clock(self, week: float) -> Reals:
        """What the path's clock shows: 0 until the onset, its age now."""
        share = np.maximum(week - self.onset, 0.0) / self.age
        return np.asarray(self.age * share**self.time_exponent)

    def part(self, which: slice) -> _Tried:
        """Some of the sets."""
        return _Tried(
            self.last, *(getattr(self, item.name)[..., which] for item in fields(self)[1:]))


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


def fit_path(
    weeks: Reals, seen: Reals, deviation: Reals, rng: np.random.Generator, *,
    limit: float = np.inf, latch: bool = False, volts: Reals | None = None,
    calendar: Reals | None = None,
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
    calendar : numpy.ndarray, shape (n,), optional
        The same weeks by the calendar, from any day; given where the figure may have a season.

    Returns
    -------
    Path

    Notes
    -----
    Given onset, walk, spread and change of drifts, size and memory of moods, and both exponents,
    the weeks are a linear Gaussian state space: level, drift, mood, season and answer to volts;
    a Kalman filter gives the likelihood and the state now. The figures it is given are drawn from
    their priors, then once more around those that explained the weeks best, and weighted by prior
    times likelihood over the density they were drawn with (adaptive importance sampling, textbook).
    Half of the belief lies with no drift before any data is seen.
    """
    luck = _Luck.drawn(rng)
    answers: list[tuple[Reals, float]] = []
    if volts is not None:
        answers.append((volts, VOLTS_DEVIATION))
    if calendar is not None:
        angle = 2 * np.pi * calendar / WEEKS_A_YEAR
        answers += [(np.cos(angle), SEASON), (np.sin(angle), SEASON)]
    first, last = float(weeks[0]), float(weeks[-1])

    def levels(exponent: Reals) -> tuple[Reals, Reals, Reals]:
        """Level, its slope by the figure, and the logarithm of that slope, weeks by sets."""
        if not latch:
            return (bent(seen[:, None], exponent[None, :]),
                    np.exp(exponent[None, :] * _smooth(seen)[:, None]),
                    exponent[None, :] * seen[:, None])
        # The slope on which noise acts is the path's, not the noise's own.
        slope = np.exp(-_smooth(seen)[:, None] / exponent[None, :]) / exponent[None, :]
        log_slope = -seen[:, None] / exponent[None, :] - np.log(exponent)[None, :]
        return margin_used(np.exp(seen[:, None]), exponent[None, :]), slope, log_slope

    def figures(normal: Reals, moving: bool) -> _Tried:
        return _figures(normal, first, last, moving, latch)

    def try_out(tried: _Tried) -> _Tried:
        return _filter(weeks, deviation, answers, levels, tried)

    prior = luck.prior
    # In one go with the sets that do not move: small arrays cost as much as large ones.
    every = try_out(_joined(figures(prior, True), figures(luck.still, False)))
    tried, still = every.part(slice(CELLS)), every.part(slice(CELLS, None))
    weight = np.exp(tried.log_likelihood - tried.log_likelihood.max())
    weight /= weight.sum()
    middle = weight @ prior
    away = prior - middle
    spread = 1.5 * (away.T * weight) @ away + 0.05 * np.eye(FIGURES)
    root = np.linalg.cholesky(spread)
    near = middle + luck.near @ root.T
    again = try_out(figures(near, True))
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
    return _drawn(cells, chosen, moves, limit, latch, luck)


@dataclass(frozen=True)
class _Luck:
    """All the chance that one fit rests on."""

    prior: Reals
    near: Reals
    still: Reals
    place: float
    ends: Reals
    curve: Reals

    @classmethod
    def drawn(cls, rng: np.random.Generator) -> _Luck:
        return cls(
            rng.standard_normal((CELLS, FIGURES)), rng.standard_normal((CELLS, FIGURES)),
            rng.standard_normal((CELLS // 3, FIGURES)), rng.random(),
            rng.standard_normal((2, DRAWS)), rng.standard_normal(DRAWS),
        )


def pass_over(rng: np.random.Generator) -> None:
    """Leave ``rng`` as :func:`fit_path` does, for a path that nobody will look at.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance: what is drawn next does not hang on whether the path was fitted.
    """
    _Luck.drawn(rng)


def _smooth(seen: Reals) -> Reals:
    """Mean of each week and its two neighbours on either side."""
    window = np.ones(min(5, seen.size))
    total = np.convolve(seen, window, mode="same")
    return np.asarray(total / np.convolve(np.ones(seen.size), window, mode="same"))


def _figures(normal: Reals, first: float, last: float, moving: bool, latch: bool) -> _Tried:
    """Standard normal draws brought to the priors of the unknown figures."""
    even = special.ndtr(normal)

    def factor(column: int, bounds: tuple[float, float]) -> Reals:
        low, high = np.log(bounds[0]), np.log(bounds[1])
        return np.asarray(np.exp(low + (high - low) * even[:, column]))

    late = (even[:, 0] - EARLIEST) / (1 - EARLIEST)
    span = max(last - 1.0 - first, 0.0)
    # Of those that had begun, half began with the log (a new lock), half at any time before it.
    before = np.minimum(late * (1 - EARLIEST) / EARLIEST + 0.5, 0.0)
    onset = first + np.where(late < 0, before, late) * span
    side = even[:, 6] - 0.5
    off = np.maximum(np.abs(side) - STRAIGHT / 2, 0.0) / (1 - STRAIGHT)
    bend = np.sign(side) * special.ndtri(np.minimum(0.5 + off, 1 - 1e-12))
    nothing = np.zeros(len(normal))
    return _Tried(
        last,
        onset if moving else nothing + last,
        factor(1, WALKS) if moving else nothing,
        factor(2, DRIFTS) if moving else nothing,
        factor(3, MOODS), factor(4, MOOD_WEEKS),
        (np.exp(np.log(MARGIN_EXPONENT) + EXPONENT_SPREAD * normal[:, 5]) if latch
         else BEND_SPREAD * normal[:, 5]),
        np.exp(TIME_EXPONENT_SPREAD * bend),
        factor(7, CHANGES) if moving else nothing,
    )


def _filter(
    weeks: Reals, deviation: Reals, answers: Sequence[tuple[Reals, float]],
    levels: WeeklyLevels, tried: _Tried,
) -> _Tried:
    """Likelihood of the weeks under each set of figures, and level and drift now.

    ``answers``: what the figure may answer to (volts, the season), week by week, each with the
    deviation of its answer before any data.
    """
    level, slope, log_slope = levels(tried.exponent)
    size = tried.onset.size
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
        log_likelihood += -0.5 * (off**2 / total + np.log(total)) + log_slope[i]
        mean += gain * (off / total)
        spread -= np.multiply(gain[:, None], (gain / total)[None, :], out=room)
        before = now
    return replace(tried, log_likelihood=log_likelihood, mean=mean[:2], variance=spread[:2, :2])


def _joined(*parts: _Tried) -> _Tried:
    return _Tried(parts[0].last, *(
        np.concatenate([getattr(part, item.name) for part in parts], axis=-1)
        for item in fields(_Tried)[1:]
    ))


def _drawn(
    cells: _Tried, chosen: Ints, moves: Flags, limit: float, latch: bool, luck: _Luck,
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
    age = cells.age[chosen]
    shape = cells.exponent[chosen]
    end = (margin_used(np.exp(limit), shape) if latch
           else bent(np.full(shape.size, limit), shape))
    end = level + (end - level) * np.exp(CURVE_SPREAD * luck.curve)
    return Path(
        level, drift, cells.walk[chosen], end, age, cells.time_exponent[chosen],
        cells.change[chosen], float(moves.mean()), float(rises.sum() / max(moves.sum(), 1)),
        float(np.median(age[rises])) if rises.any() else 0.0,
    )
