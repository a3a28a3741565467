"""Ripple of a rail, and its recovery after a coil is switched off."""

from __future__ import annotations

import polars as pl

from remanence.shared.table import require
from remanence.shared.tables import ACTUATIONS
from remanence.shared.venue import Venue

SLOW_RECOVERY = 0.95
"""The slow end of the recoveries, as a quantile: single readings of a coarse meter lie beyond."""


def ripple_volts(rail_hours: pl.DataFrame) -> float | None:
    """Ripple of one rail: median of the standard deviations of its hours, no pulsed coil on.

    Parameters
    ----------
    rail_hours : polars.DataFrame
        Column ``idle_deviation`` of RAIL_HOURS; rows of one supply.

    Returns
    -------
    float or None
        Volts. Noise of the meter and drift within the hour are in it, so it is an upper bound on
        the ripple. None without any hour.
    """
    values = rail_hours["idle_deviation"].drop_nulls()
    return float(values.median()) if values.len() else None  # type: ignore[arg-type]


def recovery(actuations: pl.DataFrame, venue: Venue) -> pl.DataFrame:
    """How long each rail takes to recover after a coil is switched off.

    Parameters
    ----------
    actuations : polars.DataFrame
        Schema ACTUATIONS; rows without ``recovery_ms``, or of unknown locks, are passed over.
    venue : Venue
        Which rail each lock is on.

    Returns
    -------
    polars.DataFrame
        ``supply``, ``recoveries``, ``median_ms``, ``p95_ms``, ``resolution_ms`` (median
        spacing of the samples: nothing shorter can be seen).

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
            p95_ms=pl.col("recovery_ms").quantile(SLOW_RECOVERY, "linear"),
            resolution_ms=pl.col("sample_ms").median(),
        )
        .sort("supply")
    )
