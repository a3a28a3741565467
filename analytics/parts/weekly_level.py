"""A unit's level of latency, week by week, and since when it has risen."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
import polars as pl

from remanence.analytics.drift.common import VOLTS_EXPONENT
from remanence.analytics.parts.unanswered import LEAST_WEAR_WEEKS
from remanence.analytics.statistics.arrays import Reals
from remanence.analytics.statistics.intervals import MEDIAN_ERROR
from remanence.shared.limits import Limits

QUARTILES_APART = 1.349
"""Standard deviations between the quartiles of a normal distribution (textbook)."""
HEALTHY_WEEKS = (3, 8)
"""The healthy latency is the median of the first third of the weeks seen: so many weeks at least
and at most."""
RISEN_WEEKS = 3
"""Weeks whose middle must have risen before a path is fitted."""
SCATTER_WEIGHT = 20.0
"""Releases' worth of say that all weeks' scatter has beside one week's own."""
LEAST_WEAR_RELEASES = 3
"""Releases below which a week has no median."""
LEAST_WEEKLY_SCATTER = 0.02
"""No week's releases are taken to scatter by less (log scale): steps of a clock hide it."""
MOST_LOG_VOLTS = 0.3
"""Readings of a rail further than this from its usual volts (log scale) are misreadings."""


def healthy_latency(latency: Reals) -> float:
    """A unit's healthy latency: the median of the first third of its weeks, within bounds.

    Parameters
    ----------
    latency : numpy.ndarray
        Weekly, rising in time.

    Returns
    -------
    float
        In the unit of ``latency``.
    """
    return float(np.median(latency[: np.clip(latency.size // 3, *HEALTHY_WEEKS)]))


def risen_since(weekly: pl.DataFrame, limits: Limits) -> float | None:
    """First attempts after which a unit's level rose by the gate and stayed there.

    Parameters
    ----------
    weekly : polars.DataFrame
        One unit's rows of :func:`weekly_levels`.
    limits : Limits
        The venue's ``drift_gate_percent``.

    Returns
    -------
    float or None
        As ``use`` counts them; None where it has not risen, or of too few weeks.
    """
    if weekly.height < LEAST_WEAR_WEEKS:
        return None
    latency = weekly["latency_ms"].to_numpy()
    seen = (np.log(latency / healthy_latency(latency))
            - VOLTS_EXPONENT * weekly["log_volts"].to_numpy())
    level = np.array([np.median(seen[max(0, i + 1 - RISEN_WEEKS): i + 1])
                      for i in range(seen.size)])
    low = np.flatnonzero(level < np.log1p(limits.drift_gate_percent / 100))
    since = int(low[-1]) + 1 if low.size else 0
    return None if since == level.size else float(weekly["use"][since])


def weekly_levels(rows: pl.DataFrame, latches: Collection[str] = ()) -> pl.DataFrame:
    """Weekly median latency of first attempts, unanswered ones counted as slower than all.

    Parameters
    ----------
    rows : polars.DataFrame
        Actuations of any number of locks: columns ``lock``, ``attempt``, ``outcome``,
        ``latency_ms``, ``resolution_ms``, ``volts_before`` and ``sag_volts`` of ACTUATIONS, and
        ``weeks_ago`` (0 in the week that is judged). Retries are passed over; other outcomes than
        ``released`` and ``no-release`` count as use alone.
    latches : collection of str, optional
        The locks on whose latency volts act.

    Returns
    -------
    polars.DataFrame
        Columns ``lock``, ``weeks_ago``, ``use`` (first attempts up to the middle of the week, 0 at
        the first), ``latency_ms``, ``deviation`` (of its logarithm, from the scatter of single
        releases), ``log_volts`` (of the rail under load against its usual; 0 where unknown or
        without effect), ``n``; by lock and rising in time. Weeks with fewer than three releases, or
        whose median was never reached, are left out.

    Notes
    -----
    A latency counts at the middle of its resolution.
    """
    week = ("lock", "weeks_ago")
    first = rows.filter(pl.col("attempt") == 1)
    released = pl.col("outcome") == "released"
    tried = first.filter(released | (pl.col("outcome") == "no-release")).select(
        *week, "resolution_ms", "volts_before", "sag_volts", released=released,
        time=pl.col("latency_ms") - pl.col("resolution_ms").fill_null(0.0) / 2,
    )
    typical = tried.group_by("lock").agg(pl.col("sag_volts").median().fill_null(0.0))
    use = first.group_by(week).agg(done=pl.len()).sort(week, descending=(False, True)).select(
        *week, use=pl.col("done").cum_sum().over("lock") - pl.col("done") / 2)
    weekly = tried.group_by(week).agg(
        n=pl.len(), released=pl.col("released").sum(),
        latency_ms=pl.col("time").fill_null(float("inf")).median(),
        low=pl.col("time").quantile(0.25), high=pl.col("time").quantile(0.75),
        step=pl.col("resolution_ms").median().fill_null(0.0),
        volts=pl.col("volts_before").median(),
    ).filter(
        (pl.col("released") >= LEAST_WEAR_RELEASES) & pl.col("latency_ms").is_finite()
        & (pl.col("latency_ms") > 0) & (pl.col("low") > 0)
    ).sort(week, descending=(False, True)).join(
        typical, on="lock", how="left", maintain_order="left"
    ).join(use, on=week, how="left", maintain_order="left").with_columns(
        own=(pl.col("high") / pl.col("low")).log() / QUARTILES_APART,
        loaded=pl.col("volts") - pl.col("sag_volts"))
    # A week of few releases tells its scatter badly, so all weeks of the lock have a say in it.
    squares = pl.col("own") ** 2 * pl.col("n")
    # A sum by itself is added up in parts, one a thread: its last digits would follow their number.
    shared = squares.cum_sum().last().over("lock") / pl.col("n").sum().over("lock")
    scatter = pl.max_horizontal(
        ((squares + SCATTER_WEIGHT * shared) / (pl.col("n") + SCATTER_WEIGHT)).sqrt(),
        pl.col("step") / pl.col("latency_ms") / 12**0.5, pl.lit(LEAST_WEEKLY_SCATTER),
    )
    usual = pl.col("loaded").median().over("lock")
    ratio = pl.when((pl.col("loaded") > 0) & pl.col("lock").is_in(list(latches))).then(
        pl.col("loaded") * (1 / usual)).log()
    return weekly.select(
        *week, "use", "latency_ms", "n",
        deviation=MEDIAN_ERROR * scatter / pl.col("n").sqrt(),
        log_volts=ratio.clip(-MOST_LOG_VOLTS, MOST_LOG_VOLTS).fill_null(0.0),
    )
