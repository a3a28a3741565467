"""The course of one coil's temperature over time, for a figure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from remanence.analytics.physics.coil_heat import FORGET_S, heated
from remanence.analytics.physics.coil_thermal import pulse_heat, thermal_of
from remanence.analytics.physics.on_times import ON_TIMES
from remanence.shared.table import require
from remanence.shared.venue import Venue


@dataclass(frozen=True)
class HeatCurve:
    """Temperature of a coil over time, for a figure: exact at each switching, filled in between.

    Attributes
    ----------
    time : list of datetime
        Rising.
    celsius : list of float
        Of the winding at those times, modelled.
    limit_celsius : float
        Limit of the winding.
    estimated : bool
        True where thermal data or the limit are assumed.
    """

    time: list[datetime]
    celsius: list[float]
    limit_celsius: float
    estimated: bool


def heat_curve(
    times: pl.DataFrame, venue: Venue, lock_id: str, start: datetime, end: datetime,
    *, volts: Mapping[str, float] | None = None, step_s: float = 120.0, most: int = 4000,
) -> HeatCurve | None:
    """Temperature of one coil from ``start`` to ``end``, for a figure.

    Parameters
    ----------
    times : polars.DataFrame
        Schema ON_TIMES, sorted by lock and start; other locks' rows, and those of unknown length,
        are passed over.
    venue : Venue
        Coils, ratings and limits.
    lock_id : str
        The lock.
    start, end : datetime
        Aware; what was on in the four hours before ``start`` still warms the coil.
    volts : mapping of str to float, optional
        As in :func:`remanence.analytics.physics.coil_heat.coil_heat`.
    step_s : float, default 120.0
        Spacing of the points that fill in the cooling. [s]
    most : int, default 4000
        At most so many such points; the corners come on top.

    Returns
    -------
    HeatCurve or None
        None where the coil's data are not stated, or heat does not matter to it.

    Raises
    ------
    KeyError
        The venue has no lock ``lock_id``.
    TableError
        A column of ``times`` is missing or has another type.
    """
    lock = venue.locks_by_id[lock_id]
    require(times, ON_TIMES)
    thermal = thermal_of(lock, venue.limits, (volts or {}).get(lock_id))
    if thermal is None or not heated(lock):
        return None
    rows = times.filter(
        (pl.col("lock") == lock_id) & pl.col("on_ms").is_not_null()
        & pl.col("start").is_between(start - timedelta(seconds=FORGET_S), end)
    )
    origin = start.timestamp()
    begin = rows["start"].dt.epoch("us").to_numpy() / 1e6 - origin
    on = rows["on_ms"].to_numpy() / 1e3
    before, after, split = pulse_heat(thermal, begin, on)
    span = (end - start).total_seconds()
    grid = np.linspace(0.0, span, int(min(most, max(2, span / step_s))))
    ends = begin + np.minimum(on, np.append(np.diff(begin), np.inf))
    last = np.searchsorted(ends, grid, side="right") - 1
    rise = np.zeros(grid.size)
    if begin.size:
        since = grid - ends[np.maximum(last, 0)]
        for term, (_, tau) in enumerate(thermal.terms):
            rise += np.where(
                last >= 0, split[np.maximum(last, 0), term] * np.exp(-np.maximum(since, 0) / tau), 0
            )
    inside = (begin >= 0) & (ends <= span)
    busy = np.zeros(grid.size, dtype=bool)
    if begin.size:
        following = np.minimum(last + 1, begin.size - 1)
        busy = (begin[following] < grid) & (grid < ends[following])
    time = np.concatenate([grid[~busy], begin[inside], ends[inside]])
    value = np.concatenate([
        thermal.ambient_celsius + rise[~busy], before[inside], after[inside]
    ])
    order = np.argsort(time, kind="stable")
    return HeatCurve(
        [start + timedelta(seconds=float(item)) for item in time[order]],
        [float(item) for item in value[order]], thermal.limit_celsius, thermal.estimated,
    )
