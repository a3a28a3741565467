"""The one answer to "did it change, since when, from what to what, and how sure is that?".

Every detector of changes returns a :class:`Change`, whatever it looks at:

- :func:`~remanence.analytics.statistics.rates.change_of_rate` and
  :func:`~remanence.analytics.statistics.rates.rate_that_matters`: events counted per command;
- :func:`~remanence.analytics.statistics.level_change.change_of_level` and
  :func:`~remanence.analytics.statistics.level_change.level_change`: one level a day;
- :func:`~remanence.analytics.drift.change_model.fit_change`: one level a day whose noise and
  memory are known, and which may rise slowly;
- :func:`~remanence.analytics.timing.recent.present_since`: a lock's commands, by their answers.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from math import ceil, floor, nan

import numpy as np
from scipy import special

from remanence.analytics.statistics.arrays import Ints, Reals

TAIL_DEGREES = 4.0
"""Degrees of freedom of the t distribution that :meth:`Change.score` uses: days have a memory that
is not wholly known, so the tails are heavy."""
SCORE_LIMITS = 0.01, 0.99
"""A score is kept inside these: no log proves anything beyond doubt."""


@dataclass(frozen=True)
class Side:
    """One side of a change: what it was before, or what it is now.

    Attributes
    ----------
    level : float
        The level in the series' unit, or the rate (events per trial).
    low, high : float
        Its 95 % interval; NaN where the detector states none.
    n : int
        Values (days, or trials of a rate) that it rests on.
    """

    level: float
    low: float = nan
    high: float = nan
    n: int = 0

    @property
    def count(self) -> tuple[int, int]:
        """Of a rate: events, and the trials among which they came."""
        return (round(self.level * self.n) if self.n else 0), self.n


@dataclass(frozen=True)
class Change:
    """A change of a series: what changed, since when, from what to what, and how sure.

    Attributes
    ----------
    what : str
        What changed: ``level``, ``rate``, or the name that the caller gave the series.
    log_odds : float
        Natural log of the odds for a change against none; the detector says which prior is in it.
    since : float
        Day on which the change was first seen, in the count of the days given.
    since_low, since_high : float or None
        Its 95 % interval; None where the change is not dated by the series itself.
    before, now : Side
        Either side of it.
    shift_deviation : float
        Standard deviation of ``shift`` by which it is judged.
    shift_low, shift_high : float
        95 % interval of ``shift``.
    step_share : float
        Probability that it came at once and did not build up.
    index : int
        Position in the series of the first value after the change.
    scale : float
        How many times the stated variance the series scatters.
    window_days : int or None
        Of a rate: the last days in which ``now`` was counted; None: since the change.
    """

    what: str
    log_odds: float
    since: float
    since_low: float | None
    since_high: float | None
    before: Side
    now: Side
    shift_deviation: float = nan
    shift_low: float = nan
    shift_high: float = nan
    step_share: float = 1.0
    index: int = 0
    scale: float = 1.0
    window_days: int | None = None

    @property
    def shift(self) -> float:
        """Now less before."""
        return self.now.level - self.before.level

    @property
    def z(self) -> float:
        """The shift in its own standard deviations."""
        return self.shift / self.shift_deviation

    def score(self, gate: float) -> float:
        """Probability that the shift is beyond half of ``gate``, in the gate's direction.

        Parameters
        ----------
        gate : float
            In the unit of the levels; its sign is the direction asked for.

        Returns
        -------
        float
            Between 0.01 and 0.99; by a t distribution of four degrees of freedom.
        """
        beyond = (self.shift * np.sign(gate) - abs(gate) / 2) / self.shift_deviation
        return float(np.clip(special.stdtr(TAIL_DEGREES, beyond), *SCORE_LIMITS))

    def dates(self, day_zero: int = 0) -> tuple[date, date | None, date | None]:
        """``since`` with its interval as dates.

        Parameters
        ----------
        day_zero : int, default 0
            Proleptic ordinal of the day that the series counts as 0; 0 where it counts ordinals.

        Returns
        -------
        tuple of (date, date or None, date or None)
            The day, and the first and last day of its interval.
        """
        low, high = self.since_low, self.since_high
        return (
            date.fromordinal(day_zero + floor(self.since)),
            None if low is None else date.fromordinal(day_zero + floor(low)),
            None if high is None else date.fromordinal(day_zero + ceil(high)),
        )


@dataclass(frozen=True)
class Split:
    """Where a series is cut in two: the most likely place, and the 95 % interval of the place.

    ``since``, ``low`` and ``high`` are days in the series' own count, ``index`` the position of
    the first value after the cut, ``log_odds`` the natural log of how much likelier the series
    is with a cut somewhere than with none.
    """

    since: float
    low: float
    high: float
    index: int
    log_odds: float


def most_likely_split(days: Reals | Ints, log_weight: Reals, log_none: float) -> Split:
    """The posterior over all places to cut a series in two, every place as likely beforehand.

    The levels on either side have been integrated out by the caller. That keeps a cut near
    either end from winning by chance, as a maximum over them would.

    Parameters
    ----------
    days : array, shape (n,)
        Day of each value, not decreasing.
    log_weight : array, shape (n - 1,)
        Natural log of the likelihood with a cut ahead of value j + 1; minus infinity where that
        cut is not one that is looked for, but not everywhere.
    log_none : float
        The same without any cut.

    Notes
    -----
    A. F. M. Smith, Biometrika 62 (1975), 407-416.
    """
    top = float(log_weight.max())
    weight = np.exp(log_weight - top)
    cumulated = np.cumsum(weight) / weight.sum()
    places = log_weight.size

    def place(level: float) -> int:
        return min(int(np.searchsorted(cumulated, level)), places - 1) + 1

    middle = int(np.argmax(log_weight)) + 1
    # The change itself may have come at any time after the value before it.
    low, high = min(place(0.025), middle) - 1, max(place(0.975), middle)
    return Split(
        float(days[middle]), float(days[low]), float(days[high]), middle,
        top + float(np.log(weight.sum() / places)) - log_none,
    )
