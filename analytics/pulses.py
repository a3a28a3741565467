"""How long were the releasing pulses, and were they long enough for this lock?"""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from analytics.latency import with_week
from shared.tables import ACTUATIONS, require
from shared.venue import Venue

PULSE_QUANTILES = (0.05, 0.5, 0.95)


def pulse_lengths(
    actuations: pl.DataFrame, venue: Venue, by: Sequence[str] = ("lock",)
) -> pl.DataFrame:
    """Distribution of pulse lengths of each lock.

    A releasing command of a magnet is the time it is de-energised; of the others, the time
    their coil is on.

    Parameters
    ----------
    actuations : polars.DataFrame
        Schema ACTUATIONS, any order. A pulse that still lasts counts in ``lasting`` and
        nowhere else. Locks that the venue does not know are kept, without ratings.
    venue : Venue
        Ratings, and the zone that cuts weeks.
    by : sequence of str, default ("lock",)
        Must hold ``lock``; ``("lock", "week")`` gives a row per ISO week.

    Returns
    -------
    polars.DataFrame
        One row per group, sorted.

        - the columns of ``by``
        - ``pulses``, ``lasting``
        - ``shortest_ms``, ``p05_ms``, ``median_ms``, ``p95_ms``, ``longest_ms`` : quantiles
          by linear interpolation (definition 7 of Hyndman and Fan, Am. Stat. 50 (1996),
          361-365)
        - ``lengths`` : distinct lengths to the whole 10 ms: one or two mean a programmed
          pulse, many a held button
        - ``over_rated`` : pulses longer than the coil's ``max_on_ms`` (pulsed locks with that
          rating; else null)
        - ``cut_short`` : unanswered commands whose pulse ended before this lock's own median
          latency
        - ``margin_ms`` : ``median_ms`` minus the lock's 95 % latency; negative: half the
          pulses end before one release in twenty has happened. Pulsed locks whose catch is
          seen; null else

    Raises
    ------
    TableError
        A column is missing or has another type.
    ValueError
        ``by`` does not hold ``lock``.
    """
    require(actuations, ACTUATIONS)
    if "lock" not in by:
        raise ValueError(f"by must hold 'lock', got {tuple(by)!r}")
    rows = actuations
    if "week" in by and "week" not in rows.columns:
        rows = with_week(rows, venue.zone)
    facts = pl.DataFrame(
        {
            "lock": [lock.id for lock in venue.locks],
            "_most": [lock.max_on_ms if lock.pulsed else None for lock in venue.locks],
            "_pulsed": [lock.pulsed for lock in venue.locks],
        },
        schema={"lock": pl.String, "_most": pl.Float64, "_pulsed": pl.Boolean},
    )
    pulse = pl.col("pulse_ms")
    seen = pl.col("latency_ms").filter(pl.col("latency_from").is_in(["catch", "supply"]))
    rows = rows.join(facts, on="lock", how="left").with_columns(
        _median_latency=pl.col("latency_ms").median().over("lock")
    )
    low, middle, high = PULSE_QUANTILES
    return (
        rows.group_by(by)
        .agg(
            pulses=pulse.count().cast(pl.Int64),
            lasting=pulse.null_count().cast(pl.Int64),
            shortest_ms=pulse.min(),
            p05_ms=pulse.quantile(low, "linear"),
            median_ms=pulse.quantile(middle, "linear"),
            p95_ms=pulse.quantile(high, "linear"),
            longest_ms=pulse.max(),
            lengths=(pulse / 10).round(0).drop_nulls().n_unique().cast(pl.Int64),
            over_rated=pl.when(pl.col("_most").first().is_not_null())
            .then((pulse > pl.col("_most")).sum().cast(pl.Int64)),
            cut_short=(
                pl.col("_pulsed") & (pl.col("outcome") == "no-release")
                & (pulse < pl.col("_median_latency"))
            ).sum().cast(pl.Int64),
            margin_ms=pl.when(pl.col("_pulsed").first())
            .then(pulse.median() - seen.quantile(0.95, "linear")),
        )
        .sort(by)
    )


def pulse_histogram(
    actuations: pl.DataFrame, *, bins_per_decade: int = 20
) -> pl.DataFrame:
    """Counts of pulse lengths of each lock in bins of equal ratio, for a figure.

    Parameters
    ----------
    actuations : polars.DataFrame
        Columns ``lock`` and ``pulse_ms`` of ACTUATIONS. Pulses that last, or of no length, are
        passed over.
    bins_per_decade : int, default 20
        Bins between 10 and 100 ms, 100 and 1000 ms and so on.

    Returns
    -------
    polars.DataFrame
        ``lock``, ``from_ms``, ``to_ms``, ``pulses``; empty bins are left out; sorted.

    Raises
    ------
    TableError
        One of the two columns is missing or has another type.
    """
    require(actuations, ACTUATIONS, ("lock", "pulse_ms"))
    step = pl.lit(10.0) ** (1 / bins_per_decade)
    return (
        actuations.filter(pl.col("pulse_ms") > 0)
        .with_columns(_bin=(pl.col("pulse_ms").log10() * bins_per_decade + 1e-9).floor())
        .group_by("lock", "_bin")
        .agg(pulses=pl.len().cast(pl.Int64))
        .with_columns(from_ms=step ** pl.col("_bin"), to_ms=step ** (pl.col("_bin") + 1))
        .select("lock", "from_ms", "to_ms", "pulses")
        .sort("lock", "from_ms")
    )
