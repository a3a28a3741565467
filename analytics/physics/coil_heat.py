"""How hot did each pulsed coil get, and how near to its limit?

The thermal model is that of :mod:`remanence.analytics.physics.coil_thermal`; here it is run over
the on-times of the log (:mod:`remanence.analytics.physics.on_times`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

import polars as pl

from remanence.analytics.history import History, once_per_history
from remanence.analytics.physics.coil_thermal import (
    ESTIMATE_FACTOR,
    Thermal,
    held_seconds,
    pulse_heat,
    thermal_of,
)
from remanence.analytics.physics.latency import with_week
from remanence.analytics.physics.on_times import ON_TIMES, times_of
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
    weekly = "week" in by
    found = []
    for (name,), group in rows.group_by("lock", maintain_order=True):
        lock = venue.locks_by_id[str(name)]
        thermal = thermal_of(lock, venue.limits, (volts or {}).get(lock.id))
        if thermal is not None and heated(lock):
            found.append(_one(group, lock, thermal, venue, start, weekly))
    keys = ["lock", "week"] if weekly else ["lock"]
    schema = pl.Schema({**dict.fromkeys(keys, pl.String()), **HEAT_SCHEMA})
    frames = [frame for frame in found if frame.height]
    if not frames:
        return pl.DataFrame(schema=schema)
    return pl.concat(frames).select(
        pl.col(column).cast(kind) for column, kind in schema.items()
    ).sort(keys)


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
    seen = (
        actuations.select(
            "lock", _v=pl.col("volts_before") - pl.col("sag_volts").fill_null(0.0))
        .filter(pl.col("_v") > 0)
        .group_by("lock")
        .agg(pl.col("_v").median())
    )
    return dict(seen.iter_rows())


def _one(
    rows: pl.DataFrame, lock: Lock, thermal: Thermal, venue: Venue, start: datetime | None,
    weekly: bool,
) -> pl.DataFrame:
    known = rows.filter(pl.col("on_ms").is_not_null())
    begin = known["start"].dt.epoch("us").to_numpy() / 1e6
    on = known["on_ms"].to_numpy() / 1e3
    _, after, split = pulse_heat(thermal, begin, on)
    table = known.with_columns(
        after=pl.Series(after),
        end=pl.col("start") + pl.duration(microseconds=(pl.col("on_ms") * 1000).round()),
        _row=pl.int_range(pl.len()),
    )
    unknown = rows.filter(pl.col("on_ms").is_null())
    if start is not None:
        table, unknown = (frame.filter(pl.col("start") >= start) for frame in (table, unknown))
    keys = ["week"] if weekly else ["lock"]
    if weekly:
        table = with_week(table, venue.zone, "start")
        unknown = with_week(unknown, venue.zone, "start")
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
    rise = result["hottest_celsius"].to_numpy() - thermal.ambient_celsius
    factor = ESTIMATE_FACTOR if thermal.generic else 1.0
    cold = held_seconds(thermal, thermal.limit_celsius)
    hot = [
        held_seconds(thermal, thermal.limit_celsius, split[row]) for row in result["_row"]
    ]
    return result.with_columns(
        lock=pl.lit(lock.id),
        hottest_low_celsius=pl.Series(thermal.ambient_celsius + rise / factor),
        hottest_high_celsius=pl.Series(thermal.ambient_celsius + rise * factor),
        limit_celsius=pl.lit(thermal.limit_celsius),
        margin_kelvin=thermal.limit_celsius - pl.col("hottest_celsius"),
        held_cold_s=pl.lit(cold, pl.Float64),
        held_hot_s=pl.Series(hot, dtype=pl.Float64),
        steady_celsius=pl.lit(thermal.steady_celsius),
        unknown_ends=pl.col("unknown_ends").fill_null(0),
        generic=pl.lit(thermal.generic),
        estimated=pl.lit(thermal.estimated),
    ).select(*(["lock", "week"] if weekly else ["lock"]), *list(HEAT_SCHEMA)[1:]).with_columns(
        pl.col("pulses", "unknown_ends").cast(pl.Int64)
    )


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
    rows = times.filter(pl.col("on_ms").is_not_null())
    found = []
    for (name,), group in rows.group_by("lock", maintain_order=True):
        lock = venue.locks_by_id[str(name)]
        thermal = thermal_of(lock, venue.limits, (volts or {}).get(lock.id))
        if thermal is None or not heated(lock):
            continue
        before, _, _ = pulse_heat(
            thermal, group["start"].dt.epoch("us").to_numpy() / 1e6,
            group["on_ms"].to_numpy() / 1e3,
        )
        found.append(group.select("lock", command_time="start").with_columns(
            celsius=pl.Series(before)
        ))
    schema: dict[str, pl.DataType] = {
        "lock": pl.String(), "command_time": TIMESTAMP, "celsius": pl.Float64()
    }
    return pl.concat(found) if found else pl.DataFrame(schema=schema)
