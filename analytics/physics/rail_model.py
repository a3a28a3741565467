"""What will a rail read with any set of locks on, and how many can be on together?

Equation: all coils are resistances in parallel behind the source resistance. From an idle
reading with the resting locks on (conductance ``G_rest``),

    volts(on) = idle (1 + R G_rest) / (1 + R G_on)

Units: volts, ohms, siemens. Range: below the supply's rated current; beyond that a supply
folds back or restarts, and the equation does not hold (``over_rating``). Source:
Thevenin's theorem; R as in :func:`remanence.analytics.physics.source_resistance.source_resistance`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt
import polars as pl

from remanence.analytics.physics.on_times import ON_TIMES
from remanence.analytics.physics.source_resistance import coil_conductance
from remanence.shared.table import require
from remanence.shared.tables import ACTUATIONS
from remanence.shared.venue import Lock, Venue

FEWEST_CHECKS = 10
"""With fewer readings than this the error of the prediction is not known."""

ERROR_QUANTILES = (0.025, 0.5, 0.975)
"""The middle of the prediction's error, and the ends that hold 95 % of it."""

A_COMPANY = 2
"""Pulsed locks that must be on at once before it is told: one alone is no company."""


@dataclass(frozen=True)
class Prediction:
    """Volts of a rail with some locks on.

    Attributes
    ----------
    on : tuple of str
        The locks, by name.
    volts, low_volts, high_volts : float
        At the rail; low and high follow the interval of the source resistance.
    amps : float
        Current of those locks together.
    over_rating : bool
        Whether that is more than the supply is rated for: then the equation does not hold.
    """

    on: tuple[str, ...]
    volts: float
    low_volts: float
    high_volts: float
    amps: float
    over_rating: bool


@dataclass(frozen=True)
class RailModel:
    """One rail: its idle volts, its source resistance, and its locks.

    Attributes
    ----------
    supply : str
        Its id.
    idle_volts : float
        With the resting locks on and no other.
    ohms, low_ohms, high_ohms : float
        Source resistance and its interval.
    siemens : dict of str to float
        Conductance at the rail of each lock whose coil is stated.
    resting, pulsed : tuple of str
        Locks energised at rest, and locks energised to release; only those with a stated coil.
    unknown : tuple of str
        Locks whose coil is not stated: they are not in any prediction.
    window_volts : float
        Loaded volts below this are less than locks are tested with.
    rated_amps : float or None
        Of the supply.
    """

    supply: str
    idle_volts: float
    ohms: float
    low_ohms: float
    high_ohms: float
    siemens: dict[str, float]
    resting: tuple[str, ...]
    pulsed: tuple[str, ...]
    unknown: tuple[str, ...]
    window_volts: float
    rated_amps: float | None

    def _conductance(self, on: Iterable[str]) -> float:
        """Of locks in parallel, exactly summed: no order of the locks may change its last digit."""
        return math.fsum(self.siemens.get(name, 0.0) for name in on)

    def _volts(self, on: Iterable[str], ohms: float) -> float:
        # With the resting locks on the quotient is 1 whatever the resistance is: no whisker.
        return self.idle_volts * (
            (1 + ohms * self._conductance(self.resting)) / (1 + ohms * self._conductance(on)))

    def with_on(self, on: Iterable[str]) -> Prediction:
        """Volts with exactly these locks on; name the resting ones too where they are.

        Parameters
        ----------
        on : iterable of str
            Lock ids; those without a stated coil count as no load.

        Returns
        -------
        Prediction
            By the equation of this module.
        """
        names = tuple(sorted(set(on)))
        volts = self._volts(names, self.ohms)
        ends = sorted(self._volts(names, ohms) for ohms in (self.low_ohms, self.high_ohms))
        amps = volts * self._conductance(names)
        over = self.rated_amps is not None and amps > self.rated_amps
        return Prediction(names, volts, min(ends[0], volts), max(ends[1], volts), amps, over)

    def pulsed_together(self, most: int = 12) -> tuple[Prediction, ...]:
        """The heaviest 1, 2, 3, ... latches on together, over the locks that rest energised.

        Parameters
        ----------
        most : int, default 12
            At most so many latches.

        Returns
        -------
        tuple of Prediction
            The first with one latch on; empty where the rail has none with a stated coil.
        """
        heavy = sorted(self.pulsed, key=lambda name: (-self.siemens[name], name))
        return tuple(
            self.with_on((*self.resting, *heavy[:count]))
            for count in range(1, min(most, len(heavy)) + 1)
        )

    @property
    def safe_together(self) -> int:
        """How many latches, any of them, may be pulsed at once with the rail inside its window.

        Counted with the upper limit of the resistance and the heaviest latches first; 0 where
        one latch alone pulls the rail under; all of them where no number does.
        """
        safe = 0
        for count, prediction in enumerate(self.pulsed_together(len(self.pulsed)), start=1):
            if prediction.low_volts < self.window_volts or prediction.over_rating:
                break
            safe = count
        return safe

    @property
    def reset_together(self) -> int:
        """How many of the resting locks may be re-energised at once from none; heaviest first.

        Their current rises to the sum of the steady currents, without surge, so the sum
        against the supply's rating and the window decides.
        """
        heavy = sorted(self.resting, key=lambda name: (-self.siemens[name], name))
        safe = 0
        for count in range(1, len(heavy) + 1):
            prediction = self.with_on(heavy[:count])
            if prediction.low_volts < self.window_volts or prediction.over_rating:
                break
            safe = count
        return safe


def rail_model(
    venue: Venue, supply_id: str, idle_volts: float, ohms: float, low_ohms: float,
    high_ohms: float,
) -> RailModel:
    """Put a rail's measured figures and the venue file's coils together.

    Parameters
    ----------
    venue : Venue
        Coils, cables, the supply's ratings and ``supply_loaded_percent``.
    supply_id : str
        The rail.
    idle_volts : float
        With the resting locks on and no other. [V]
    ohms, low_ohms, high_ohms : float
        Source resistance and its interval
        (:func:`remanence.analytics.physics.source_resistance.source_resistance`).

    Returns
    -------
    RailModel
        Locks whose coil is not stated are in ``unknown`` and in no prediction.

    Raises
    ------
    KeyError
        The venue has no supply ``supply_id``.
    """
    supply = venue.supplies_by_id[supply_id]
    locks: tuple[Lock, ...] = venue.locks_on(supply_id)
    siemens = {
        lock.id: value for lock in locks if (value := coil_conductance(lock)) is not None
    }
    return RailModel(
        supply_id, idle_volts, ohms, low_ohms, high_ohms, siemens,
        tuple(lock.id for lock in locks if lock.fail_safe and lock.id in siemens),
        tuple(lock.id for lock in locks if lock.pulsed and lock.id in siemens),
        tuple(lock.id for lock in locks if lock.id not in siemens),
        supply.rated_volts * venue.limits.supply_loaded_percent / 100, supply.rated_amps,
    )


@dataclass(frozen=True)
class Sequence:
    """Pulsed locks that were on together.

    Attributes
    ----------
    pulsed : tuple of str
        The locks.
    prediction : Prediction
        What the rail reads then.
    times : int
        How often.
    last : datetime
        When last, UTC.
    under_window : bool
        Whether the low end of the prediction is under what the locks need.
    """

    pulsed: tuple[str, ...]
    prediction: Prediction
    times: int
    last: datetime
    under_window: bool


@dataclass(frozen=True)
class Company:
    """What was on together on one rail, and how well the predictions agree with the readings.

    Attributes
    ----------
    sequences : tuple of Sequence
        Sets of two or more pulsed locks that were on together, lowest volts first.
    checked : int
        Loads of which the lowest reading is known.
    error_volts, low_volts, high_volts : float or None
        Median of reading minus prediction, and the range that holds 95 % of them; None with
        too few of them.
    """

    sequences: tuple[Sequence, ...]
    checked: int
    error_volts: float | None
    low_volts: float | None
    high_volts: float | None


def company(
    rail: RailModel, times: pl.DataFrame, actuations: pl.DataFrame
) -> Company:
    """Which pulsed locks were on together, what the rail reads then, and how accurate that is.

    Parameters
    ----------
    rail : RailModel
        The rail.
    times : polars.DataFrame
        Schema ON_TIMES (:func:`remanence.analytics.physics.on_times.on_times`); those of known
        length count.
    actuations : polars.DataFrame
        Schema ACTUATIONS: the lowest reading of each command, to judge the prediction by.

    Returns
    -------
    Company
        Empty, with 0 ``checked``, where no pulsed lock's energising of known length is there.

    Raises
    ------
    TableError
        A column of either table is missing or has another type.

    Notes
    -----
    A resting lock is on except while a releasing command of it lasts (``pulse_ms``, or to the
    end of the table where that is not known).
    """
    require(times, ON_TIMES)
    require(actuations, ACTUATIONS)
    rows = times.filter(
        pl.col("lock").is_in(rail.pulsed) & pl.col("on_ms").is_not_null()
    ).sort("start", "lock")
    if rows.is_empty():
        return Company((), 0, None, None, None)
    start = rows["start"].dt.epoch("us").to_numpy()
    end = start + np.round(rows["on_ms"].to_numpy() * 1000).astype(np.int64)
    names = np.array(rail.pulsed, dtype=object)
    owner = rows["lock"].to_numpy()
    on = np.zeros((start.size, names.size), dtype=bool)
    for column, name in enumerate(names):
        mine = np.flatnonzero(owner == name)
        if mine.size:
            place = np.searchsorted(start[mine], start, side="right") - 1
            on[:, column] = (place >= 0) & (end[mine][np.maximum(place, 0)] > start)
        on[owner == name, column] = True
    resting = np.array(rail.resting, dtype=object)
    held = ~np.column_stack(
        [_released(actuations, name, start) for name in resting]
    ) if resting.size else np.zeros((start.size, 0), dtype=bool)
    sets, code, counts = np.unique(
        np.hstack([on, held]), axis=0, return_inverse=True, return_counts=True
    )
    code = code.ravel()
    every = np.concatenate([names, resting])
    predictions = [rail.with_on(every[row]) for row in sets]
    found = []
    for index, prediction in enumerate(predictions):
        if sets[index, :names.size].sum() < A_COMPANY:
            continue
        last = rows["start"][int(np.flatnonzero(code == index)[-1])]
        found.append(Sequence(
            tuple(str(name) for name in names[sets[index, :names.size]]), prediction,
            int(counts[index]), last, prediction.low_volts < rail.window_volts,
        ))
    found.sort(key=lambda item: (item.prediction.volts, item.prediction.on))
    volts = np.array([item.volts for item in predictions])[code]
    read = rows.select("lock", command_time="start").with_columns(
        predicted=pl.Series(volts)
    ).join(
        actuations.filter(pl.col("volts_min").is_not_null()).select(
            "lock", "command_time", "volts_min", "volts_samples"
        ), on=["lock", "command_time"], how="inner",
    )
    error = (read["volts_min"] - read["predicted"]).to_numpy()
    if error.size < FEWEST_CHECKS:
        return Company(tuple(found), int(error.size), None, None, None)
    low, middle, high = np.quantile(error, ERROR_QUANTILES)
    return Company(tuple(found), int(error.size), float(middle), float(low), float(high))


def _released(
    actuations: pl.DataFrame, lock: str, moments: npt.NDArray[np.int64]
) -> npt.NDArray[np.bool_]:
    """Whether a resting lock was de-energised at each moment (microseconds since 1970)."""
    rows = actuations.filter(pl.col("lock") == lock).sort("command_time")
    if rows.is_empty():
        return np.zeros(moments.size, dtype=bool)
    begin = rows["command_time"].dt.epoch("us").to_numpy()
    lasts = np.nan_to_num(rows["pulse_ms"].cast(pl.Float64).to_numpy(), nan=np.inf)
    place = np.searchsorted(begin, moments, side="right") - 1
    index = np.maximum(place, 0)
    released: npt.NDArray[np.bool_] = (place >= 0) & (
        moments - begin[index] < 1000.0 * lasts[index]
    )
    return released
