"""How hot did each pulsed coil get, and how near to what it bears?

The thermal model is that of :mod:`remanence.analytics.physics.coil_thermal`; here it is run over
what was really switched. Where coil current is logged, the winding's temperature is read from its
resistance instead (IEC 60034-1, 8.6.2): T = (R / R_cold)(234.5 + T_cold) - 234.5.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from remanence.analytics.history import History
from remanence.analytics.physics.cable import COPPER_ZERO_CELSIUS, cable_ohms, copper_celsius
from remanence.analytics.physics.coil_thermal import (
    ESTIMATE_FACTOR,
    Thermal,
    held_seconds,
    pulse_heat,
    thermal_of,
)
from remanence.analytics.physics.latency import with_week
from remanence.analytics.statistics.arrays import Reals
from remanence.shared.tables import ACTUATIONS, ENERGISINGS, TIMESTAMP, require
from remanence.shared.venue import Lock, Venue


def lasting_until(history: History) -> dict[str, datetime]:
    """The last record of each lock's controller, where its coil was on until then.

    A log that breaks off after an energising tells nothing of its end, and neither does a
    controller that started anew after it: those locks are not in the result, so that a gap in
    the log never reads as a hot coil.

    Parameters
    ----------
    history : History
        The venue's tables up to the end of the week; ``energisings`` and ``activity`` tell.

    Returns
    -------
    dict of str to datetime
        By lock, only for those whose last energising has no end; UTC.
    """
    if history.energisings.is_empty() or history.activity.is_empty():
        return {}
    open_ends = (
        history.energisings.filter(pl.col("start") == pl.col("start").max().over("lock"))
        .filter(pl.col("end").is_null() & pl.col("on_ms").is_null())
    )
    found = {}
    for name, start in open_ends.select("lock", "start").iter_rows():
        lock = history.venue.locks_by_id.get(name)
        if lock is None:
            continue
        controller = history.activity.filter(pl.col("controller") == lock.command_controller)
        since = pl.lit(start, dtype=TIMESTAMP)
        restarts = history.clock_events.filter(
            (pl.col("controller") == lock.command_controller) & (pl.col("kind") == "restart")
            & (pl.col("time") > since)
        )
        seen = controller["last"].max()
        runs = controller.filter((pl.col("runs") > 1) & (pl.col("last") > since))
        if isinstance(seen, datetime) and seen > start and not restarts.height and not runs.height:
            found[name] = seen
    return found



FORGET_S = 4 * 3600.0
"""A start this long before the period in view no longer matters to a latch coil (over 20 of the
longest time constants of the generic coils)."""

COLD_AFTER_S = 3600.0
"""A coil not energised for this long is taken to be at ambient (six time constants)."""

HEAT_SCHEMA = pl.Schema({
    "lock": pl.String(), "pulses": pl.Int64(), "hottest_celsius": pl.Float64(),
    "hottest_low_celsius": pl.Float64(), "hottest_high_celsius": pl.Float64(),
    "hottest_time": TIMESTAMP, "limit_celsius": pl.Float64(), "margin_kelvin": pl.Float64(),
    "duty_percent": pl.Float64(), "duty_time": TIMESTAMP, "rated_duty_percent": pl.Float64(),
    "longest_on_ms": pl.Float64(), "held_cold_s": pl.Float64(), "held_hot_s": pl.Float64(),
    "steady_celsius": pl.Float64(), "unknown_ends": pl.Int64(), "estimated": pl.Boolean(),
    "basis": pl.String(),
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


def on_times(
    energisings: pl.DataFrame, venue: Venue, actuations: pl.DataFrame | None = None,
    until: datetime | Mapping[str, datetime] | None = None,
) -> pl.DataFrame:
    """On-times of every heated coil.

    Parameters
    ----------
    energisings : polars.DataFrame
        Schema ENERGISINGS, any order; those of locks that are not :func:`heated`, or that the
        venue does not know, are passed over.
    venue : Venue
        The locks.
    actuations : polars.DataFrame, optional
        Columns ``lock``, ``command_time``, ``outcome`` and ``latency_ms`` of ACTUATIONS: a
        self-cutting lock whose cut was not seen in the energisings is taken to be cut at its
        release.
    until : datetime or mapping of str to datetime, optional
        Where a lock's last energising has no end, it is taken to last until then: for all
        locks, or for those named (:func:`remanence.analytics.physics.coil_heat.lasting_until`).

    Returns
    -------
    polars.DataFrame
        ``lock``, ``start``, ``on_ms`` (the shorter of command and cut; null where the end is not
        known), sorted by lock and start.

    Raises
    ------
    TableError
        A column of ``energisings`` is missing or has another type.
    """
    require(energisings, ENERGISINGS)
    wanted = [lock.id for lock in venue.locks if heated(lock)]
    cutting = [lock.id for lock in venue.locks if lock.self_cut]
    frame = energisings.filter(pl.col("lock").is_in(wanted)).sort("lock", "start")
    if actuations is not None and cutting:
        released = (
            actuations.filter(
                pl.col("lock").is_in(cutting) & (pl.col("outcome") == "released")
            )
            .select("lock", pl.col("command_time").alias("start"), "latency_ms")
            .unique(["lock", "start"], keep="first", maintain_order=True)
        )
        frame = frame.join(released, on=["lock", "start"], how="left").with_columns(
            cut_ms=pl.coalesce("cut_ms", "latency_ms")
        ).sort("lock", "start")
    on = pl.min_horizontal("on_ms", "cut_ms")
    if until is not None:
        last = pl.col("start") == pl.col("start").max().over("lock")
        end = (
            pl.lit(until, TIMESTAMP) if isinstance(until, datetime)
            else pl.col("lock").replace_strict(
                dict(until), default=None, return_dtype=TIMESTAMP
            ) if until else pl.lit(None, TIMESTAMP)
        )
        lasting = (end - pl.col("start")).dt.total_microseconds() / 1000
        on = pl.coalesce(on, pl.when(last).then(lasting.clip(lower_bound=0.0)))
    return frame.select("lock", "start", on_ms=on)


def coil_heat(
    energisings: pl.DataFrame,
    venue: Venue,
    by: Sequence[str] = ("lock",),
    *,
    actuations: pl.DataFrame | None = None,
    start: datetime | None = None,
    until: datetime | Mapping[str, datetime] | None = None,
) -> pl.DataFrame:
    """The hottest moment of each heated coil, its margin, and its duty.

    Parameters
    ----------
    energisings : polars.DataFrame
        Schema ENERGISINGS, any order.
    venue : Venue
        Coils, ratings, limits (``ambient_celsius``, ``coil_limit_celsius``,
        ``duty_window_s``).
    by : sequence of str, default ("lock",)
        ``("lock", "week")`` gives a row per ISO week of the venue's zone.
    actuations : polars.DataFrame, optional
        Schema ACTUATIONS: gives each lock's loaded volts (rated volts stand in) and the
        moment at which a self-cutting lock was cut.
    start : datetime, optional
        Report only what began at or after it; earlier on-times still warm the coil.
    until : datetime or mapping of str to datetime, optional
        As in :func:`on_times`.

    Returns
    -------
    polars.DataFrame
        One row per heated lock (and week) with energisings whose length is known, sorted.

        - ``lock`` (``week``), ``pulses``
        - ``hottest_celsius``, ``hottest_time`` : modelled; ``hottest_low_celsius``,
          ``hottest_high_celsius`` : half and twice the rise where thermal data are generic,
          the same value where the venue file states them
        - ``limit_celsius``, ``margin_kelvin`` : what the winding bears, and how far below it
          the hottest moment was
        - ``duty_percent``, ``duty_time`` : highest share of any ``duty_window_s`` that the
          coil was on, and when; ``rated_duty_percent`` beside it
        - ``longest_on_ms``
        - ``held_cold_s``, ``held_hot_s`` : how long a button held down would take to bring
          the coil to its limit, from ambient and from the hottest moment; null: never
        - ``steady_celsius`` : where it would end
        - ``unknown_ends`` : energisings whose end the log does not tell; they are not heat
        - ``estimated``, ``basis`` : whether stand-in data were used, and which

    Raises
    ------
    TableError
        A column of either table is missing or has another type.

    Notes
    -----
    The thermal model is that of :mod:`remanence.analytics.physics.coil_thermal`; generic thermal
    data are good to a factor of two.
    """
    rows = on_times(energisings, venue, actuations, until)
    if start is not None:
        rows = rows.filter(pl.col("start") >= start - timedelta(seconds=FORGET_S))
    volts = loaded_volts(actuations) if actuations is not None else {}
    weekly = "week" in by
    found = []
    for (name,), group in rows.group_by("lock", maintain_order=True):
        lock = venue.locks_by_id[str(name)]
        thermal = thermal_of(lock, venue.limits, volts.get(lock.id))
        if thermal is not None:
            found.append(_one(group, lock, thermal, venue, start, weekly))
    keys = ["lock", "week"] if weekly else ["lock"]
    schema = pl.Schema({**dict.fromkeys(keys, pl.String()), **HEAT_SCHEMA})
    frames = [frame for frame in found if frame.height]
    if not frames:
        return pl.DataFrame(schema=schema)
    return pl.concat(frames).select(
        pl.col(column).cast(kind) for column, kind in schema.items()
    ).sort(keys)


def loaded_volts(actuations: pl.DataFrame) -> dict[str, float]:
    """Median rail volts of each lock while its releasing pulse was on, where they were seen.

    Parameters
    ----------
    actuations : polars.DataFrame
        Columns ``lock``, ``volts_before`` and ``sag_volts`` of ACTUATIONS. Rows without
        ``volts_before`` are passed over; one without ``sag_volts`` counts as without sag.

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
        actuations.with_columns(_v=pl.col("volts_before") - pl.col("sag_volts").fill_null(0.0))
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
        after=pl.Series(after), duty=pl.Series(duty_share(begin, on, venue.limits.duty_window_s)),
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
    hottest, busiest = pl.col("after").arg_max(), pl.col("duty").arg_max()
    result = (
        table.group_by(keys)
        .agg(
            pulses=pl.len(), hottest_celsius=pl.col("after").max(),
            hottest_time=pl.col("end").get(hottest), _row=pl.col("_row").get(hottest),
            duty_percent=100 * pl.col("duty").max(), duty_time=pl.col("end").get(busiest),
            longest_on_ms=pl.col("on_ms").max(),
        )
        .join(unknown.group_by(keys).agg(unknown_ends=pl.len()), on=keys, how="left")
        .sort(keys)
    )
    rise = result["hottest_celsius"].to_numpy() - thermal.ambient_celsius
    factor = ESTIMATE_FACTOR if any("generic" in item for item in thermal.basis) else 1.0
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
        rated_duty_percent=pl.lit(lock.duty_percent, pl.Float64),
        held_cold_s=pl.lit(cold, pl.Float64),
        held_hot_s=pl.Series(hot, dtype=pl.Float64),
        steady_celsius=pl.lit(thermal.steady_celsius),
        unknown_ends=pl.col("unknown_ends").fill_null(0),
        estimated=pl.lit(thermal.estimated),
        basis=pl.lit("; ".join(thermal.basis)),
    ).select(*(["lock", "week"] if weekly else ["lock"]), *list(HEAT_SCHEMA)[1:]).with_columns(
        pl.col("pulses", "unknown_ends").cast(pl.Int64)
    )


def heat_at_start(
    energisings: pl.DataFrame, venue: Venue, *, actuations: pl.DataFrame | None = None
) -> pl.DataFrame:
    """Coil temperature at which each energising of a heated coil began.

    Parameters
    ----------
    energisings : polars.DataFrame
        Schema ENERGISINGS, any order.
    venue : Venue
        Coils, ratings and limits.
    actuations : polars.DataFrame, optional
        Schema ACTUATIONS: gives loaded volts and cuts, as in :func:`coil_heat`.

    Returns
    -------
    polars.DataFrame
        ``lock``, ``command_time`` (the start) and ``celsius``, modelled as in
        :func:`coil_heat`; energisings of unknown length are left out. Sorted.

    Raises
    ------
    TableError
        A column of either table is missing or has another type.
    """
    rows = on_times(energisings, venue, actuations).filter(pl.col("on_ms").is_not_null())
    volts = loaded_volts(actuations) if actuations is not None else {}
    found = []
    for (name,), group in rows.group_by("lock", maintain_order=True):
        lock = venue.locks_by_id[str(name)]
        thermal = thermal_of(lock, venue.limits, volts.get(lock.id))
        if thermal is None:
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


def duty_share(start_s: Reals, on_s: Reals, window_s: float) -> Reals:
    """Share of the window before the end of each on-time that the coil was on.

    Parameters
    ----------
    start_s, on_s : numpy.ndarray, shape (n,)
        Starts, rising, and lengths. [s]
    window_s : float
        Length of the window. [s]

    Returns
    -------
    numpy.ndarray, shape (n,)
        Between 0 and 1.
    """
    if not start_s.size:
        return np.zeros(0)
    on = np.minimum(on_s, np.append(np.diff(start_s), np.inf))
    ends = start_s + on
    total = np.cumsum(on)
    moments = np.column_stack([start_s, ends]).ravel()
    so_far = np.column_stack([total - on, total]).ravel()
    share: Reals = (total - np.interp(ends - window_s, moments, so_far, left=0.0)) / window_s
    return np.clip(share, 0.0, 1.0)


@dataclass(frozen=True)
class HeatCurve:
    """Temperature of a coil over time, for a figure: corners are exact, gaps are filled in.

    Attributes
    ----------
    time : list of datetime
        Rising.
    celsius : list of float
        Of the winding at those times, modelled.
    limit_celsius : float
        What the winding bears.
    estimated : bool
        True where thermal data or the limit were stood in for.
    """

    time: list[datetime]
    celsius: list[float]
    limit_celsius: float
    estimated: bool


def heat_curve(
    energisings: pl.DataFrame, venue: Venue, lock_id: str, start: datetime, end: datetime,
    *, actuations: pl.DataFrame | None = None, step_s: float = 120.0, most: int = 4000,
    until: datetime | Mapping[str, datetime] | None = None,
) -> HeatCurve | None:
    """Temperature of one coil from ``start`` to ``end``, for a figure.

    Parameters
    ----------
    energisings : polars.DataFrame
        Schema ENERGISINGS, any order; other locks' rows, and those of unknown length, are passed
        over.
    venue : Venue
        Coils, ratings and limits.
    lock_id : str
        The lock.
    start, end : datetime
        Aware; what was on in the four hours before ``start`` still warms the coil.
    actuations : polars.DataFrame, optional
        Schema ACTUATIONS: gives loaded volts and cuts, as in :func:`coil_heat`.
    step_s : float, default 120.0
        Spacing of the points that fill in the cooling. [s]
    most : int, default 4000
        At most so many such points; the corners come on top.
    until : datetime or mapping of str to datetime, optional
        As in :func:`on_times`.

    Returns
    -------
    HeatCurve or None
        None where the coil's data are not stated, or heat does not matter to it.

    Raises
    ------
    KeyError
        The venue has no lock ``lock_id``.
    TableError
        A column of either table is missing or has another type.
    """
    lock = venue.locks_by_id[lock_id]
    volts = loaded_volts(actuations).get(lock_id) if actuations is not None else None
    thermal = thermal_of(lock, venue.limits, volts)
    if thermal is None or not heated(lock):
        return None
    rows = on_times(
        energisings.filter(pl.col("lock") == lock_id), venue, actuations, until
    ).filter(
        pl.col("on_ms").is_not_null()
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


def measured_heat(actuations: pl.DataFrame, venue: Venue) -> pl.DataFrame:
    """Winding temperature by the resistance method, where coil current is logged.

    Parameters
    ----------
    actuations : polars.DataFrame
        Schema ACTUATIONS, any order; rows with ``amps`` above 0 and ``volts_before`` count.
    venue : Venue
        Coils, cables and ``ambient_celsius``.

    Returns
    -------
    polars.DataFrame
        ``lock``, ``command_time``, ``ohms`` (winding, cable taken off), ``celsius`` and
        ``error_kelvin`` (one standard error: scatter of this lock's own cold readings). The
        reference is each lock's median resistance after an hour's rest, at ambient; locks
        with fewer than three such readings are left out. Sorted.

    Raises
    ------
    TableError
        A column is missing or has another type.

    Notes
    -----
    Resistance method: IEC 60034-1, 8.6.2, with k = 234.5.
    """
    require(actuations, ACTUATIONS)
    schema: dict[str, pl.DataType] = {
        "lock": pl.String(), "command_time": TIMESTAMP, "ohms": pl.Float64(),
        "celsius": pl.Float64(), "error_kelvin": pl.Float64(),
    }
    ambient = venue.limits.ambient_celsius
    wires = {lock.id: cable_ohms(lock) or 0.0 for lock in venue.locks}
    rows = (
        actuations.sort("lock", "command_time")
        .with_columns(
            rest=pl.col("command_time").diff().over("lock").dt.total_microseconds() / 1e6,
            volts=pl.col("volts_before") - pl.col("sag_volts").fill_null(0.0),
        )
        .filter((pl.col("amps") > 0) & pl.col("volts").is_not_null())
        .with_columns(ohms=pl.col("volts") / pl.col("amps")
                      - pl.col("lock").replace_strict(wires, default=0.0))
        .filter(pl.col("ohms") > 0)
    )
    found = []
    for _, group in rows.group_by("lock", maintain_order=True):
        cold = group.filter(pl.col("rest").is_null() | (pl.col("rest") >= COLD_AFTER_S))["ohms"]
        if cold.len() < 3:
            continue
        values = cold.to_numpy()
        middle = float(np.median(values))
        scatter = float(np.median(np.abs(values - middle))) / 0.6745
        celsius = np.array([copper_celsius(ohms, middle, ambient) for ohms in group["ohms"]])
        found.append(group.select("lock", "command_time", "ohms").with_columns(
            celsius=pl.Series(celsius),
            error_kelvin=pl.lit(scatter / middle * (COPPER_ZERO_CELSIUS + ambient)),
        ))
    return pl.concat(found).sort("lock", "command_time") if found else pl.DataFrame(schema=schema)
