"""How hot did each pulsed coil get, and how near to its limit?

The thermal model is that of :mod:`remanence.analytics.physics.coil_thermal`; here it is run over
the on-times of the log (:mod:`remanence.analytics.physics.on_times`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from remanence.analytics.history import History, in_lots, once_per_history, per_lock
from remanence.analytics.physics.coil_thermal import (
    ESTIMATE_FACTOR,
    Thermal,
    held_seconds,
    pulse_heat,
    thermal_of,
)
from remanence.analytics.physics.latency import with_week
from remanence.analytics.physics.on_times import ON_TIMES, times_of
from remanence.analytics.statistics.arrays import Reals
from remanence.shared.table import TIMESTAMP, require
from remanence.shared.tables import ACTUATIONS
from remanence.shared.venue import Lock, Venue

FORGET_S = 4 * 3600.0
"""A start this long before the period in view no longer matters to a latch coil: it is over 20 of
the longest time constants of the generic coils."""

HEAT_SCHEMA = pl.Schema({
    "lock": pl.String(), "pulses": pl.Int64(), "hottest_celsius": pl.Float64(),
    "hottest_low_celsius": pl.Float64(), "hottest_high_celsius": pl.Float64(),
    "hottest_time": TIMESTAMP, "limit_celsius": pl.Float64(), "margin_kelvin": pl.Float64(),
    "duty_percent": pl.Float64(),
    "longest_on_ms": pl.Float64(), "held_cold_s": pl.Float64(), "held_hot_s": pl.Float64(),
    "steady_celsius": pl.Float64(), "unknown_ends": pl.Int64(), "generic": pl.Boolean(),
    "estimated": pl.Boolean(),
})


def heated(lock: Lock) -> bool:
    """Whether a lock's coil is one that heat matters to: pulsed, or not rated for continuous.

    Parameters
    ----------
    lock : Lock
        Its coil and ratings.

    Returns
    -------
    bool
        False also where neither resistance nor current of the coil is stated.
    """
    return lock.ohms is not None and (lock.pulsed or not lock.continuous)


def coil_heat(
    times: pl.DataFrame,
    venue: Venue,
    by: Sequence[str] = ("lock",),
    *,
    volts: Mapping[str, float] | None = None,
    start: datetime | None = None,
) -> pl.DataFrame:
    """The hottest moment of each heated coil, its margin, and its duty.

    Parameters
    ----------
    times : polars.DataFrame
        Schema ON_TIMES (:func:`remanence.analytics.physics.on_times.on_times`), sorted by lock and
        start; locks that are not :func:`heated` are passed over.
    venue : Venue
        Coils, ratings and limits (``ambient_celsius``, ``coil_limit_celsius``,
        ``duty_window_s``).
    by : sequence of str, default ("lock",)
        ``("lock", "week")`` gives a row per ISO week of the venue's zone as well.
    volts : mapping of str to float, optional
        Rail volts of each lock while its coil is on (:func:`loaded_volts`); rated volts for
        those not in it.
    start : datetime, optional
        Report only what was switched on from then on; what was on in the four hours before
        still warms the coil.

    Returns
    -------
    polars.DataFrame
        One row per heated lock (and week) with energisings whose length is known, sorted.

        - ``lock`` (``week``), ``pulses``
        - ``hottest_celsius``, ``hottest_time`` : modelled; ``hottest_low_celsius``,
          ``hottest_high_celsius`` : half and twice the rise where thermal data are generic,
          the same value where the venue file states them
        - ``limit_celsius``, ``margin_kelvin`` : limit of the winding, and how far below it
          the hottest moment was
        - ``duty_percent`` : highest share of any ``duty_window_s`` that the coil was on
        - ``longest_on_ms``
        - ``held_cold_s``, ``held_hot_s`` : how long a button held down would take to bring
          the coil to its limit, from ambient and from the hottest moment; null: never
        - ``steady_celsius`` : temperature of a coil that stays on
        - ``unknown_ends`` : energisings of unknown length; they are not in the heat
        - ``generic`` : whether the thermal data are those of a generic coil
        - ``estimated`` : whether these or the limit are assumed

    Raises
    ------
    TableError
        A column of ``times`` is missing or has another type.

    Notes
    -----
    The thermal model is that of :mod:`remanence.analytics.physics.coil_thermal`; generic thermal
    data are good to a factor of two.
    """
    require(times, ON_TIMES)
    rows = times
    if start is not None:
        rows = rows.filter(pl.col("start") >= start - timedelta(seconds=FORGET_S))
    thermals = _thermals(venue, volts)
    rows = rows.filter(pl.col("lock").is_in(list(thermals)))
    keys = ["lock", "week"] if "week" in by else ["lock"]
    known = rows.filter(pl.col("on_ms").is_not_null())
    heats = {name: _pulse_heat(thermals[name], own) for name, own in per_lock(known).items()}
    table = known.with_columns(
        after=pl.Series(_joined([after for _, after, _ in heats.values()])),
        end=pl.col("start") + pl.duration(microseconds=(pl.col("on_ms") * 1000).round()),
        _row=pl.int_range(pl.len()).over("lock"),
    )
    unknown = rows.filter(pl.col("on_ms").is_null())
    if start is not None:
        table, unknown = (frame.filter(pl.col("start") >= start) for frame in (table, unknown))
    if "week" in keys:
        table, unknown = (with_week(frame, venue.zone, "start") for frame in (table, unknown))
    hottest = pl.col("after").arg_max()
    result = (
        table.group_by(keys)
        .agg(
            pulses=pl.len(), hottest_celsius=pl.col("after").max(),
            hottest_time=pl.col("end").get(hottest), _row=pl.col("_row").get(hottest),
            duty_percent=100 * pl.col("duty").max(),
            longest_on_ms=pl.col("on_ms").max(),
        )
        .join(unknown.group_by(keys).agg(unknown_ends=pl.len()), on=keys, how="left")
        .sort(keys)
    )
    models = [thermals[lock] for lock in result["lock"]]
    celsius, ambient = pl.col("hottest_celsius"), pl.col("_ambient")
    schema = {**dict.fromkeys(keys, pl.String()), **HEAT_SCHEMA}
    return result.with_columns(
        _ambient=pl.Series([model.ambient_celsius for model in models], dtype=pl.Float64),
        _factor=pl.Series([ESTIMATE_FACTOR if model.generic else 1.0 for model in models],
                          dtype=pl.Float64),
        limit_celsius=pl.Series([model.limit_celsius for model in models], dtype=pl.Float64),
        held_cold_s=pl.Series([held_seconds(model, model.limit_celsius) for model in models],
                              dtype=pl.Float64),
        held_hot_s=pl.Series([
            held_seconds(model, model.limit_celsius, heats[lock][2][row])
            for model, lock, row in zip(models, result["lock"], result["_row"], strict=True)
        ], dtype=pl.Float64),
        steady_celsius=pl.Series([model.steady_celsius for model in models], dtype=pl.Float64),
        unknown_ends=pl.col("unknown_ends").fill_null(0),
        generic=pl.Series([model.generic for model in models], dtype=pl.Boolean),
        estimated=pl.Series([model.estimated for model in models], dtype=pl.Boolean),
    ).with_columns(
        hottest_low_celsius=ambient + (celsius - ambient) / pl.col("_factor"),
        hottest_high_celsius=ambient + (celsius - ambient) * pl.col("_factor"),
        margin_kelvin=pl.col("limit_celsius") - celsius,
    ).select(pl.col(column).cast(kind) for column, kind in schema.items())


def _thermals(venue: Venue, volts: Mapping[str, float] | None) -> dict[str, Thermal]:
    """The model of each coil that heats, by lock, at the volts that were seen."""
    told = ((lock.id, thermal_of(lock, venue.limits, (volts or {}).get(lock.id)))
            for lock in venue.locks if heated(lock))
    return {name: thermal for name, thermal in told if thermal is not None}


def _joined(parts: Sequence[Reals]) -> Reals:
    return np.concatenate([np.empty(0), *parts])


def _pulse_heat(thermal: Thermal, rows: pl.DataFrame) -> tuple[Reals, Reals, Reals]:
    """:func:`pulse_heat` of a lock's energisings of known length."""
    return pulse_heat(thermal, rows["start"].cast(pl.Int64).to_numpy() / 1e6,
                      rows["on_ms"].to_numpy() / 1e3)


@once_per_history
def heat_of_week(history: History) -> pl.DataFrame:
    """:func:`coil_heat` of the week of a history, at the volts that its whole log shows.

    Parameters
    ----------
    history : History
        The venue's tables up to the end of the week.

    Returns
    -------
    polars.DataFrame
        The columns of :func:`coil_heat`, a row per lock.
    """
    return coil_heat(
        times_of(history), history.venue, volts=volts_of(history), start=history.start
    )


@once_per_history
def volts_of(history: History) -> dict[str, float]:
    """:func:`loaded_volts` of all actuations of a history.

    Parameters
    ----------
    history : History
        The venue's tables up to the end of the week.

    Returns
    -------
    dict of str to float
        Volts at the rail, by lock.
    """
    return loaded_volts(history.actuations)


def loaded_volts(actuations: pl.DataFrame) -> dict[str, float]:
    """Median rail volts of each lock while its releasing pulse was on, where they were seen.

    Parameters
    ----------
    actuations : polars.DataFrame
        Columns ``lock``, ``volts_before`` and ``sag_volts`` of ACTUATIONS. Rows without
        ``volts_before`` are passed over; a row without ``sag_volts`` counts as having no sag.

    Returns
    -------
    dict of str to float
        Volts at the rail, by lock; a lock without any reading is not in it.

    Raises
    ------
    TableError
        One of those columns is missing or has another type.
    """
    require(actuations, ACTUATIONS, ("lock", "volts_before", "sag_volts"))
    volts = pl.col("volts_before") - pl.col("sag_volts").fill_null(0.0)
    seen = (
        some.select("lock", _v=volts).filter(pl.col("_v") > 0)
        .group_by("lock").agg(pl.col("_v").median())
        for some in in_lots(actuations.select("lock", "volts_before", "sag_volts"))
    )
    return dict(row for lot in seen for row in lot.iter_rows())


def heat_at_start(
    times: pl.DataFrame, venue: Venue, *, volts: Mapping[str, float] | None = None
) -> pl.DataFrame:
    """Coil temperature at which each energising of a heated coil began.

    Parameters
    ----------
    times : polars.DataFrame
        Schema ON_TIMES, sorted by lock and start.
    venue : Venue
        Coils, ratings and limits.
    volts : mapping of str to float, optional
        As in :func:`coil_heat`.

    Returns
    -------
    polars.DataFrame
        ``lock``, ``command_time`` (the start) and ``celsius``, modelled as in
        :func:`coil_heat`; energisings of unknown length are left out. Sorted.

    Raises
    ------
    TableError
        A column of ``times`` is missing or has another type.
    """
    require(times, ON_TIMES)
    thermals = _thermals(venue, volts)
    rows = times.filter(pl.col("on_ms").is_not_null() & pl.col("lock").is_in(list(thermals)))
    before = [_pulse_heat(thermals[name], own)[0] for name, own in per_lock(rows).items()]
    return rows.select("lock", command_time="start", celsius=pl.Series(_joined(before)))
