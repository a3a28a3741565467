"""How stiff is a rail, how does it stand idle and loaded, and how did that change?

Equation: a rail is an open voltage behind a source resistance; coils are resistances in
parallel. A coil of current I that joins others of total conductance G takes
``sag = R I / (1 + R G)`` off the rail. Range: below the current at which the supply limits
(fold-back, hiccup): there no straight line holds.

Source: Thevenin's theorem; the currents are the venue file's, by Ohm's law, unless the log
has amps.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl
from scipy import special

from remanence.analytics.physics.cable import cable_ohms
from remanence.analytics.physics.latency import with_week
from remanence.analytics.statistics.robust import Line, huber_line
from remanence.shared.tables import ACTUATIONS, RAIL_HOURS, require
from remanence.shared.venue import Lock, Venue

FEWEST_SAGS = 5
"""Fewer sags than this on a rail give no source resistance."""

COIL_TOLERANCE = 0.10
"""How far a coil may stand from its stated resistance, tolerance and warmth together: the least
relative half-width of an absolute source resistance that rests on stated coils of fewer than
three locks (common practice, no source)."""


def coil_conductance(lock: Lock) -> float | None:
    """Amps per volt at the rail of a lock's coil and cable, cold.

    Parameters
    ----------
    lock : Lock
        Coil, and cable where stated.

    Returns
    -------
    float or None
        Siemens; None where the coil is not stated.
    """
    if lock.ohms is None:
        return None
    return 1.0 / (lock.ohms + (cable_ohms(lock) or 0.0))


def resting_conductance(venue: Venue, supply: str) -> float:
    """Sum over the locks of a rail that are energised at rest (fail-safe ones).

    Parameters
    ----------
    venue : Venue
        The locks.
    supply : str
        The rail's id; one without locks gives 0.

    Returns
    -------
    float
        Siemens; locks whose coil is not stated count as 0.
    """
    return sum(
        coil_conductance(lock) or 0.0 for lock in venue.locks_on(supply) if lock.fail_safe
    )


def with_load(actuations: pl.DataFrame, venue: Venue) -> pl.DataFrame:
    """The rows that show a sag, with what loaded the rail.

    Parameters
    ----------
    actuations : polars.DataFrame
        Schema ACTUATIONS. Rows without ``sag_volts`` or ``volts_before``, of unknown locks
        and of locks whose coil is not stated and not measured are passed over; so is a
        self-cutting lock that was already open, as its own switch keeps the coil off.
    venue : Venue
        Coils, cables, ratings and the zone that cuts weeks.

    Returns
    -------
    polars.DataFrame
        Those rows with ``supply``; ``load_amps`` [A], the coil's current; ``measured``, true
        where it was logged; ``others_siemens`` [S], conductance of what else was on.

    Raises
    ------
    TableError
        A column is missing or has another type.

    Notes
    -----
    Current by Ohm's law from the venue file's coil and cable at the loaded volts, unless the log
    has amps.
    """
    require(actuations, ACTUATIONS)
    facts = []
    for lock in venue.locks:
        resting = [
            value for other in venue.locks_on(lock.supply)
            if other.fail_safe and (value := coil_conductance(other)) is not None
        ]
        facts.append((
            lock.id, lock.supply, coil_conductance(lock), lock.fail_safe, lock.self_cut,
            float(np.mean(resting)) if resting else 0.0,
        ))
    locks = pl.DataFrame(
        facts,
        schema={
            "lock": pl.String, "supply": pl.String, "_siemens": pl.Float64, "_safe": pl.Boolean,
            "_self_cut": pl.Boolean, "_resting": pl.Float64,
        },
        orient="row",
    )
    loaded = pl.col("volts_before") - pl.when("_safe").then(0.0).otherwise("sag_volts")
    return (
        actuations.filter(
            pl.col("sag_volts").is_not_null() & pl.col("volts_before").is_not_null()
        )
        .join(locks, on="lock", how="inner")
        .filter(~(pl.col("_self_cut") & (pl.col("outcome") == "already-open")))
        .with_columns(
            measured=pl.col("amps").is_not_null(),
            load_amps=pl.coalesce("amps", loaded * pl.col("_siemens")),
            others_siemens=pl.col("others_on").fill_null(0) * pl.col("_resting"),
        )
        .filter(pl.col("load_amps") > 0)
        .drop("_siemens", "_safe", "_self_cut", "_resting")
    )


def source_resistance(
    actuations: pl.DataFrame,
    venue: Venue,
    by: Sequence[str] = ("supply",),
    confidence: float = 0.95,
) -> pl.DataFrame:
    """Source resistance of each rail: robust regression of sag on load, through the origin.

    Parameters
    ----------
    actuations : polars.DataFrame
        Schema ACTUATIONS; see :func:`with_load` for the rows that count.
    venue : Venue
        Coils and cables.
    by : sequence of str, default ("supply",)
        ``("supply", "week")`` gives one row per ISO week of the venue's zone.
    confidence : float, default 0.95
        Coverage of both intervals.

    Returns
    -------
    polars.DataFrame
        One row per group that has any sag, sorted.

        - the columns of ``by``
        - ``resistance_ohms`` : null with fewer than five sags
        - ``low_ohms``, ``high_ohms`` : interval of the absolute value; it rests on the
          scatter between locks (three or more), since each coil's tolerance moves all of its
          own sags together
        - ``repeat_low_ohms``, ``repeat_high_ohms`` : interval without that common part: for
          comparing one week of this rail with another
        - ``sags``, ``locks`` : what it rests on
        - ``measured_share`` : share of sags whose current was logged
        - ``estimated`` : true where any current came from the venue file
        - ``scatter_volts`` : robust standard deviation about the line [V]

    Raises
    ------
    TableError
        A column is missing or has another type.

    Notes
    -----
    Huber's robust regression (P. J. Huber, Ann. Math. Stat. 35 (1964) 73) on Thevenin's circuit.
    The resistance is that up to where the volts are measured: for a supply ``measured_at``
    ``branch`` the feed to that point is in it. A warm coil draws less than the stated one,
    which makes the resistance read low by as much (0.4 % per kelvin).
    """
    rows = with_load(actuations, venue)
    if "week" in by and "week" not in rows.columns:
        rows = with_week(rows, venue.zone)
    found = []
    for key, group in rows.sort([*by, "lock", "command_time"]).group_by(by, maintain_order=True):
        between, within = _lines(group, confidence)
        found.append((*key, *_resistance_row(group, between, within)))
    schema: dict[str, pl.DataType] = {name: pl.String() for name in by}
    schema |= {
        name: pl.Float64()
        for name in ("resistance_ohms", "low_ohms", "high_ohms", "repeat_low_ohms",
                     "repeat_high_ohms")
    }
    schema |= {"sags": pl.Int64(), "locks": pl.Int64(), "measured_share": pl.Float64(),
               "estimated": pl.Boolean(), "scatter_volts": pl.Float64()}
    return pl.DataFrame(found, schema=schema, orient="row").sort(by)


def _lines(group: pl.DataFrame, confidence: float) -> tuple[Line | None, Line | None]:
    """The fit with its interval between locks, and within them."""
    if group.height < FEWEST_SAGS:
        return None, None
    amps = group["load_amps"].to_numpy()
    others = group["others_siemens"].to_numpy()
    sag = group["sag_volts"].to_numpy()
    lock = group["lock"].rank("dense").to_numpy()
    ohms = 0.0
    between: Line | None = None
    x = amps
    for _ in range(4):  # what else is on shares the sag: a small correction, soon settled
        x = amps / (1 + max(ohms, 0.0) * others)
        between = huber_line(x, sag, groups=lock, intercept=False, confidence=confidence)
        if between is None or abs(between.slope - ohms) < 1e-6:
            break
        ohms = between.slope
    # Within: each lock's own mean ratio is taken out, so only repeat scatter remains.
    ratio = pl.DataFrame({"lock": lock, "sag": sag, "x": x}).with_columns(
        own=(pl.col("sag").sum() / pl.col("x").sum()).over("lock")
    )
    level = between.slope if between else 0.0
    level_sag = sag - ratio["own"].to_numpy() * x + level * x
    within = huber_line(x, level_sag, intercept=False, confidence=confidence)
    return between, within


def _resistance_row(
    group: pl.DataFrame, between: Line | None, within: Line | None
) -> tuple[float | int | bool | None, ...]:
    locks = group["lock"].n_unique()
    measured = float(group["measured"].cast(pl.Float64).mean() or 0.0)  # type: ignore[arg-type]
    counts = (group.height, locks, measured, measured < 1.0)
    if between is None or within is None:
        return (None, None, None, None, None, *counts, None)
    low, high = between.low, between.high
    if locks < 3 and measured < 1.0:
        low = min(low, between.slope * (1 - COIL_TOLERANCE))
        high = max(high, between.slope * (1 + COIL_TOLERANCE))
    reach = (within.high - within.low) / 2
    return (
        between.slope, max(low, 0.0), high, max(between.slope - reach, 0.0),
        between.slope + reach, *counts, between.scatter,
    )


def rail_levels(
    rail_hours: pl.DataFrame, actuations: pl.DataFrame, venue: Venue
) -> pl.DataFrame:
    """Idle and loaded volts of each rail, week by week.

    Parameters
    ----------
    rail_hours : polars.DataFrame
        Schema RAIL_HOURS.
    actuations : polars.DataFrame
        Schema ACTUATIONS.
    venue : Venue
        Coils, cables, ratings and the zone that cuts weeks.

    Returns
    -------
    polars.DataFrame
        One row per supply and week that has readings, sorted.

        - ``supply``, ``week``
        - ``idle_volts``, ``idle_low_volts``, ``idle_high_volts`` : median over the days of
          each day's median with no pulsed coil on, and its 95 % interval by order statistics
          (with six days or fewer that is their range, at less than 95 %: ``days`` says)
        - ``days``, ``idle_samples``
        - ``ripple_volts`` : median of the hours' standard deviation; ripple, noise of the
          meter and drift within the hour together, so an upper bound on each
        - ``loaded_volts``, ``loaded_low_volts`` : median and 5 % quantile of the lowest
          reading while a releasing command lasted; ``loads`` of them
        - ``lowest_volts`` : lowest reading of all
        - ``idle_percent``, ``loaded_percent`` : of rated

    Raises
    ------
    TableError
        A column of either table is missing or has another type.

    Notes
    -----
    Interval of the median by order statistics (textbook).
    """
    require(rail_hours, RAIL_HOURS)
    require(actuations, ACTUATIONS)
    zone = venue.zone.key
    hours = with_week(rail_hours, venue.zone, "hour").with_columns(
        day=pl.col("hour").dt.convert_time_zone(zone).dt.date()
    )
    lowest = hours.group_by("supply", "week").agg(
        lowest_volts=pl.col("volts_low").min(), ripple_volts=pl.col("idle_deviation").median(),
        idle_samples=pl.col("idle_samples").sum(),
    )
    days = (
        hours.filter(pl.col("idle_median").is_not_null())
        .group_by("supply", "week", "day")
        .agg(idle=pl.col("idle_median").median())
        .group_by("supply", "week")
        .agg(days=pl.len().cast(pl.Int64), idle=pl.col("idle").sort())
        .sort("supply", "week")
    )
    bounds = [_median_interval(item) for item in days["idle"].to_list()]
    days = days.with_columns(
        pl.Series(name, [bound[i] for bound in bounds], dtype=pl.Float64)
        for i, name in enumerate(("idle_volts", "idle_low_volts", "idle_high_volts"))
    ).drop("idle")
    loads = (
        with_week(actuations, venue.zone)
        .filter(pl.col("volts_min").is_not_null())
        .join(
            pl.DataFrame(
                {"lock": [lock.id for lock in venue.locks],
                 "supply": [lock.supply for lock in venue.locks],
                 "_pulsed": [lock.pulsed for lock in venue.locks]},
                schema={"lock": pl.String, "supply": pl.String, "_pulsed": pl.Boolean},
            ),
            on="lock", how="inner",
        )
        .filter("_pulsed")
        .group_by("supply", "week")
        .agg(
            loaded_volts=pl.col("volts_min").median(),
            loaded_low_volts=pl.col("volts_min").quantile(0.05, "linear"),
            loads=pl.len().cast(pl.Int64),
        )
    )
    rated = pl.DataFrame(
        {"supply": [supply.id for supply in venue.supplies],
         "_rated": [supply.rated_volts for supply in venue.supplies]},
        schema={"supply": pl.String, "_rated": pl.Float64},
    )
    keys = ["supply", "week"]
    return (
        lowest.join(days, on=keys, how="left")
        .join(loads, on=keys, how="full", coalesce=True)
        .join(rated, on="supply", how="inner")
        .with_columns(
            idle_percent=100 * pl.col("idle_volts") / pl.col("_rated"),
            loaded_percent=100 * pl.col("loaded_volts") / pl.col("_rated"),
        )
        .select(
            "supply", "week", "idle_volts", "idle_low_volts", "idle_high_volts",
            pl.col("days").fill_null(0), pl.col("idle_samples").fill_null(0), "ripple_volts",
            "loaded_volts", "loaded_low_volts", pl.col("loads").fill_null(0), "lowest_volts",
            "idle_percent", "loaded_percent",
        )
        .sort(keys)
    )


def _median_interval(ordered: Sequence[float]) -> tuple[float, float, float]:
    """Median and its 95 % interval by order statistics; the range where they are too few."""
    count = len(ordered)
    lower = 0
    # The values numbered r from either end miss the median if fewer than r lie on one side.
    while special.bdtr(lower + 1, count, 0.5) <= 0.025:
        lower += 1
    return float(np.median(ordered)), float(ordered[lower]), float(ordered[count - 1 - lower])


def idle_drift(rail_hours: pl.DataFrame, venue: Venue, *, weeks: int = 12) -> pl.DataFrame:
    """How fast each rail's idle volts wander: robust line through the days' medians.

    Parameters
    ----------
    rail_hours : polars.DataFrame
        Schema RAIL_HOURS; hours without an idle reading are passed over.
    venue : Venue
        The zone that cuts days.
    weeks : int, default 12
        How far back from the last reading.

    Returns
    -------
    polars.DataFrame
        One row per supply with readings on 14 days or more: ``supply``, ``volts_per_week``,
        ``low_volts_per_week``, ``high_volts_per_week`` (95 %, weeks taken as the independent
        things), ``days``. Others are left out: not enough data.

    Raises
    ------
    TableError
        A column is missing or has another type.

    Notes
    -----
    Huber's robust regression, weeks as clusters.
    """
    require(rail_hours, RAIL_HOURS)
    schema = {"supply": pl.String, "volts_per_week": pl.Float64,
              "low_volts_per_week": pl.Float64, "high_volts_per_week": pl.Float64,
              "days": pl.Int64}
    daily = (
        rail_hours.filter(pl.col("idle_median").is_not_null())
        .with_columns(day=pl.col("hour").dt.convert_time_zone(venue.zone.key).dt.date())
        .group_by("supply", "day")
        .agg(idle=pl.col("idle_median").median())
        .with_columns(age=(pl.col("day").max().over("supply") - pl.col("day")).dt.total_days())
        .filter(pl.col("age") < 7 * weeks)
        .sort("supply", "day")
    )
    found = []
    for (supply,), group in daily.group_by("supply", maintain_order=True):
        if group.height < 14:
            continue
        age = group["age"].to_numpy()
        line = huber_line(-age / 7.0, group["idle"].to_numpy(), groups=age // 7)
        if line is not None:
            found.append((supply, line.slope, line.low, line.high, group.height))
    return pl.DataFrame(found, schema=schema, orient="row")


def recovery(actuations: pl.DataFrame, venue: Venue) -> pl.DataFrame:
    """How long each rail takes to come back after a coil is switched off.

    Parameters
    ----------
    actuations : polars.DataFrame
        Schema ACTUATIONS; rows without ``recovery_ms``, or of unknown locks, are passed over.
    venue : Venue
        Which rail each lock hangs on.

    Returns
    -------
    polars.DataFrame
        ``supply``, ``recoveries``, ``median_ms``, ``p95_ms``, ``resolution_ms`` (median
        spacing of the samples it was read from: nothing shorter could have been seen).

    Raises
    ------
    TableError
        A column is missing or has another type.
    """
    require(actuations, ACTUATIONS)
    supplies = pl.DataFrame(
        {"lock": [lock.id for lock in venue.locks],
         "supply": [lock.supply for lock in venue.locks]},
        schema={"lock": pl.String, "supply": pl.String},
    )
    return (
        actuations.filter(pl.col("recovery_ms").is_not_null())
        .join(supplies, on="lock", how="inner")
        .group_by("supply")
        .agg(
            recoveries=pl.len().cast(pl.Int64), median_ms=pl.col("recovery_ms").median(),
            p95_ms=pl.col("recovery_ms").quantile(0.95, "linear"),
            resolution_ms=pl.col("sample_ms").median(),
        )
        .sort("supply")
    )
