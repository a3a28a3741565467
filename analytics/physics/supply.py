"""What does each rail read idle and loaded, how does its idle level drift, how soon is it back?"""

from __future__ import annotations

import polars as pl

from remanence.analytics.physics.latency import with_week
from remanence.analytics.statistics.intervals import median_interval
from remanence.analytics.statistics.robust import huber_line
from remanence.shared.tables import ACTUATIONS, RAIL_HOURS, require
from remanence.shared.venue import Venue


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
        .agg(days=pl.len().cast(pl.Int64), idle=pl.col("idle"))
        .sort("supply", "week")
    )
    bounds = [median_interval(item.to_numpy()) for item in days["idle"]]
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
