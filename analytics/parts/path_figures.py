"""The unknown figures of a path that wears, and what is believed of them before any data.

Four families of path are believed in, since no one of them holds for all that wears: straight on;
with a power of the time since its onset (wear that has a running-in slows, wear that feeds on its
own debris gathers pace: the textbook form, Whitmore and Schenkelberg, Lifetime Data Analysis 3
(1997) 27); with a drift that wanders; and by leaps of exponential size at random times (a compound
Poisson process, close to a gamma process where leaps are small and many). What a fleet's own locks
say of these beliefs is learned in :mod:`remanence.analytics.parts.fleet_belief`.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields

import numpy as np
from scipy import special

from remanence.analytics.statistics.arrays import Ints, Reals

TIME_CONSTANT = 0.55
"""A coil's time constant, as a share of a latch's healthy latency. Its current rises as
1 - exp(-t / constant) (textbook), so that a latch which has used a share of its margin releases
after 1 - 0.55 ln(1 - share) of its healthy latency. A calculated table (12 V, 20 degrees Celsius;
dependable in shape, not in absolute value) says so: friction in equal steps gives 23, 25, 28, 31,
36, 44, 82 ms, and each of these takes 0.14 to 0.18 of the margin."""
CONSTANT_SPREAD = 0.25
"""Standard deviation of the constant's logarithm from latch to latch: parts of calculated latches'
courses gave 0.46 to 0.65 in 17 of 18 cases."""
BEND = (0.3, 0.1)
"""The power by which another figure than a latch's is bent for its path to go straight on (Box and
Cox, J. R. Stat. Soc. B 26 (1964) 211): 0 is the logarithm of the latency, 1 the latency itself. It
is 0.3 z + 0.1 z cubed of a standard normal z: two of three lie within 0.4 of the logarithm, and
one of twenty beyond 1.34."""
LEAST_AGE = 0.5
"""Weeks: no path is taken to be younger, for its clock to have a unit."""
DRIFTS = (0.01, 0.12)
"""Drift per week is normal about 0; its standard deviation lies between these, every factor as
likely as another: latches wear out within two months or within years."""
WALKS = (0.002, 0.12)
"""Random walk per square root of a week, every factor as likely as another."""
MOODS = (0.002, 0.04)
"""Standard deviation of moods, as a share of the latency: 1 to 3 % between weeks are common."""
MOOD_WEEKS = (0.15, 8.0)
"""How long a mood lasts: from a day to months."""
EARLIEST = 0.1
"""Chance that the drift had begun before the first week seen."""
STRAIGHT, POWER, WANDERING, LEAPING = range(4)
FAMILIES = (0.3, 0.3, 0.15, 0.25)
"""Belief in each family of path, before any data."""
TIME_EXPONENT_SPREAD = 0.8
"""The power of time has a logarithm that is normal about 0 with this standard deviation: half of
these powers lie between 0.58 and 1.7, nine of ten between 0.27 and 3.7."""
CHANGES = (0.01, 0.15)
"""How much a wandering drift changes in the square root of a week, as a share of the usual drift,
every factor as likely as another: by a fifth to the whole of itself within the year."""
LEAPS_A_WEEK = (0.03, 3.0)
"""Leaps, every factor as likely as another: from two a year to one a game night."""
LEAP_SIZES = (0.01, 0.5)
"""Mean size of a leap, every factor as likely as another."""

ONSET, WALK, DRIFT, MOOD, MOOD_LASTS, CURVE, FORM, FAMILY, SIZE = range(9)
FIGURES = 9
"""Unknown figures in a set, each a standard normal draw (columns named above): ``FORM`` is the
power of time, the change of drift or the rate of leaps, as the family has it."""
_FORMS = 6
CURVE_ENDS = np.array([-2.0, -1.5, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5, 2.0])
"""Ends of the curve's classes, as normal draws: alike in width and not in chance, so that a kind
whose curve is a rare one can say so."""
TRAITS = ((FAMILY, len(FAMILIES) * _FORMS), (WALK, 4), (DRIFT, 4), (CURVE, CURVE_ENDS.size + 1))
"""What locks of one kind may have in common, with the number of classes in which it is told: the
family with six classes of its form, the walk, the size of drifts and the curve."""


@dataclass(frozen=True)
class Tried:
    """Sets of unknown figures and what the weeks seen say of each; one entry a set.

    Attributes
    ----------
    last : float
        Now, in weeks.
    onset, walk, drift_prior, mood, mood_weeks : numpy.ndarray
        When wear began, its random walk, the standard deviation of drifts, moods and their length.
    curve, time_exponent, change : numpy.ndarray
        The curve from the figure to the path (a latch's time constant, another's bend), the
        power of time, and how much the drift changes.
    rate, size : numpy.ndarray
        Leaps a week and their mean size. Sets with leaps stand first.
    log_likelihood : numpy.ndarray
        Of the weeks seen.
    mean, variance : numpy.ndarray
        Of level and drift now, given the set.
    """

    last: float
    onset: Reals
    walk: Reals
    drift_prior: Reals
    mood: Reals
    mood_weeks: Reals
    curve: Reals
    time_exponent: Reals
    change: Reals
    rate: Reals
    size: Reals
    log_likelihood: Reals = field(default_factory=lambda: np.empty(0))
    mean: Reals = field(default_factory=lambda: np.empty((2, 0)))
    variance: Reals = field(default_factory=lambda: np.empty((2, 2, 0)))

    @property
    def age(self) -> Reals:
        """Weeks from onset to now."""
        return np.maximum(self.last - self.onset, LEAST_AGE)

    def clock(self, week: float) -> Reals:
        """What the path's clock shows in a week: 0 until the onset, its age now.

        Parameters
        ----------
        week : float
            When.

        Returns
        -------
        numpy.ndarray
            Weeks.
        """
        share = np.maximum(week - self.onset, 0.0) / self.age
        return np.asarray(self.age * share**self.time_exponent)

    def part(self, which: slice | Ints) -> Tried:
        """Some of the sets.

        Parameters
        ----------
        which : slice or numpy.ndarray
            Which, by place.

        Returns
        -------
        Tried
        """
        return Tried(
            self.last, *(getattr(self, item.name)[..., which] for item in fields(self)[1:]))


def joined(*parts: Tried) -> Tried:
    """Several groups of sets as one.

    Parameters
    ----------
    *parts : Tried
        Of the same weeks.

    Returns
    -------
    Tried
    """
    return Tried(parts[0].last, *(
        np.concatenate([getattr(part, item.name) for part in parts], axis=-1)
        for item in fields(Tried)[1:]
    ))


def families(normal: Reals) -> Ints:
    """Which family each set belongs to.

    Parameters
    ----------
    normal : numpy.ndarray, shape (sets, 9)
        Standard normal draws.

    Returns
    -------
    numpy.ndarray of int
        Leaps where the draw is lowest, so that sorting by it puts these first.
    """
    ends = np.cumsum(FAMILIES[::-1])[:-1]
    return np.asarray(LEAPING - np.searchsorted(ends, special.ndtr(normal[:, FAMILY])))


def classes(normal: Reals) -> Ints:
    """The class of each trait of :data:`TRAITS`, for each set.

    Parameters
    ----------
    normal : numpy.ndarray, shape (sets, 9)
        Standard normal draws.

    Returns
    -------
    numpy.ndarray of int, shape (traits, sets)
        Their chances before any data are those of :func:`class_beliefs`.
    """
    def nth(column: int, count: int) -> Ints:
        place = (special.ndtr(normal[:, column]) * count).astype(np.int64)
        return np.asarray(np.minimum(place, count - 1))

    family = families(normal)
    return np.stack([family * _FORMS + nth(FORM, _FORMS),
                     *(nth(column, count) for column, count in TRAITS[1:3]),
                     np.searchsorted(CURVE_ENDS, normal[:, CURVE])])


def class_beliefs() -> list[Reals]:
    """Chance of each class of each trait before any data.

    Returns
    -------
    list of numpy.ndarray
        One a trait of :data:`TRAITS`.
    """
    return [np.repeat(FAMILIES, _FORMS) / _FORMS,
            *(np.full(count, 1 / count) for _, count in TRAITS[1:3]),
            np.diff(special.ndtr(CURVE_ENDS), prepend=0.0, append=1.0)]


def figures(normal: Reals, first: float, last: float, moving: bool, latch: bool) -> Tried:
    """Standard normal draws brought to the priors of the unknown figures.

    Parameters
    ----------
    normal : numpy.ndarray, shape (sets, 9)
        Sorted by ``FAMILY``, so that sets with leaps stand first.
    first, last : float
        Weeks seen, from and to.
    moving : bool
        Whether the path ever leaves its flat stretch.
    latch : bool
        Whether the curve is a latch's.

    Returns
    -------
    Tried
        Nothing of the weeks seen in it yet.
    """
    even = special.ndtr(normal)

    def factor(column: int, bounds: tuple[float, float]) -> Reals:
        low, high = np.log(bounds[0]), np.log(bounds[1])
        return np.asarray(np.exp(low + (high - low) * even[:, column]))

    late = (even[:, ONSET] - EARLIEST) / (1 - EARLIEST)
    span = max(last - 1.0 - first, 0.0)
    # Of those that had begun, half began with the log (a new lock), half at any time before it.
    before = np.minimum(late * (1 - EARLIEST) / EARLIEST + 0.5, 0.0)
    onset = first + np.where(late < 0, before, late) * span
    family = families(normal)
    nothing = np.zeros(len(normal))
    curve = normal[:, CURVE]
    return Tried(
        last,
        onset if moving else nothing + last,
        factor(WALK, WALKS) if moving else nothing,
        factor(DRIFT, DRIFTS) if moving else nothing,
        factor(MOOD, MOODS), factor(MOOD_LASTS, MOOD_WEEKS),
        (np.exp(np.log(TIME_CONSTANT) + CONSTANT_SPREAD * curve) if latch
         else BEND[0] * curve + BEND[1] * curve**3),
        np.where((family == POWER) & moving,
                 np.exp(TIME_EXPONENT_SPREAD * normal[:, FORM]), 1.0),
        np.where((family == WANDERING) & moving, factor(FORM, CHANGES), 0.0),
        np.where((family == LEAPING) & moving, factor(FORM, LEAPS_A_WEEK), 0.0),
        np.where((family == LEAPING) & moving, factor(SIZE, LEAP_SIZES), 0.0),
    )
