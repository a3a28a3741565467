"""What does each rail read while no pulsed coil is on, and how does that level drift?

Intervals rest on the days' medians, not on the hours: the hours of one day share its temperature
and its charge.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from remanence.analytics.history import (
    FIRST_WEEKS,
    History,
    day_ordinals,
    once_per_history,
    with_weeks,
)
from remanence.analytics.statistics.arrays import Flags, Ints, Reals
from remanence.analytics.statistics.intervals import median_interval
from remanence.analytics.statistics.medians import grouped_medians
from remanence.analytics.statistics.robust import Line, huber_line
from remanence.shared.venue import Supply

OFF_SHARE = 0.5
"""Below this share of rated volts a rail is switched off, not low."""

SWITCHED_SHARE = 0.08
"""An hour whose readings scatter by more than this share of rated volts has no level: the rail was
switched on or off in it. Ripple and drift stay under 2 % (trade practice)."""

FEWEST_READINGS = 10
"""An hour with fewer idle readings than this has no level: half a minute of a slow meter."""

DRIFT_WEEKS = 12
"""Drift is fitted over so many weeks: 1 mV a week then shows in a daily scatter of 20 mV."""

DRIFT_DAYS = 14
"""Fewer days than this give no drift: two weeks are the least that can differ."""


@dataclass(frozen=True)
class Level:
    """A rail's idle level over some days.

    Attributes
    ----------
    volts, low_volts, high_volts : float
        Median of the days' medians and its 95 % interval; with fewer than six days that is
        their range.
    days : int
        How many.
    """

    volts: float
    low_volts: float
    high_volts: float
    days: int


@dataclass(frozen=True)
class IdleVolts:
    """Idle volts of one rail hour by hour, the hours in which it was switched off left out.

    Attributes
    ----------
    day : numpy.ndarray
        Proleptic ordinals of the venue's calendar.
    ago : numpy.ndarray
        Weeks before the week asked for; 0 is that week.
    volts : numpy.ndarray
        Median reading of the hour. [V]
    """

    day: Ints
    ago: Ints
    volts: Reals

    def daily(self) -> tuple[Ints, Reals]:
        """Median of each day.

        Returns
        -------
        days, volts : numpy.ndarray, shape (days,)
            The days as ordinals, rising, and their medians. [V]
        """
        return grouped_medians(self.volts, self.day)

    def level(self, which: Flags) -> Level | None:
        """Level of some of the hours.

        Parameters
        ----------
        which : numpy.ndarray of bool, shape (hours,)
            The hours that count.

        Returns
        -------
        Level or None
            None where no hour counts.
        """
        if not which.any():
            return None
        _, volts = IdleVolts(self.day[which], self.ago[which], self.volts[which]).daily()
        return Level(*median_interval(volts), days=volts.size)

    @property
    def now(self) -> Level | None:
        """Level of the week asked for."""
        return self.level(self.ago == 0)

    @property
    def before(self) -> Level | None:
        """Level of the first weeks of the rail's record, the week asked for left out."""
        weeks = np.unique(self.ago[self.ago > 0])
        return self.level(np.isin(self.ago, weeks[-FIRST_WEEKS:]))


@once_per_history
def idle_volts(history: History) -> Mapping[str, IdleVolts]:
    """Idle volts of every rail: from its own record, else from before each command.

    Parameters
    ----------
    history : History
        ``rail_hours``; where a rail has none, ``volts_before`` of ``actuations``.

    Returns
    -------
    mapping of str to IdleVolts
        By supply; all of the venue's.
    """
    return {supply.id: _idle_volts(history, supply) for supply in history.venue.supplies}


def _idle_volts(history: History, supply: Supply) -> IdleVolts:
    hours = history.rail_hours.filter(
        (pl.col("supply") == supply.id) & (pl.col("idle_samples") >= FEWEST_READINGS)
        & pl.col("idle_median").is_finite()
        & ~(pl.col("idle_deviation") > SWITCHED_SHARE * supply.rated_volts).fill_null(False)
    ).select("hour", volts="idle_median")
    if hours.is_empty():
        locks = [lock.id for lock in history.venue.locks_on(supply.id)]
        hours = history.actuations.filter(
            pl.col("lock").is_in(locks) & pl.col("volts_before").is_finite()
        ).group_by(pl.col("command_time").dt.truncate("1h").alias("hour")).agg(
            pl.col("volts_before").median().alias("volts")
        )
    hours = with_weeks(hours, "hour", history).sort("hour").filter(
        pl.col("volts") >= OFF_SHARE * supply.rated_volts
    )
    return IdleVolts(
        day_ordinals(hours["day"]), hours["weeks_ago"].to_numpy(), hours["volts"].to_numpy(),
    )


def idle_drift(idle: IdleVolts) -> tuple[Line, int] | None:
    """Drift of a rail's idle volts, from a robust line through the days' medians.

    Parameters
    ----------
    idle : IdleVolts
        The rail; its last twelve weeks count.

    Returns
    -------
    tuple of (Line, int) or None
        A line whose slope is volts per week, with a 95 % interval that takes weeks as
        independent; and the number of days. None with fewer than 14 days.

    Notes
    -----
    Huber's robust regression, weeks as clusters.
    """
    days, volts = idle.daily()
    if not days.size:
        return None
    age = days[-1] - days
    recent: NDArray[np.bool_] = age < 7 * DRIFT_WEEKS
    if recent.sum() < DRIFT_DAYS:
        return None
    line = huber_line(-age[recent] / 7.0, volts[recent], groups=age[recent] // 7)
    return None if line is None else (line, int(recent.sum()))
