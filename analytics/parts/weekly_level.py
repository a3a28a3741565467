"""A unit's level of latency, week by week, and since when it has risen."""

from __future__ import annotations

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
        From :func:`weekly_levels`.
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


def weekly_levels(rows: pl.DataFrame, latch: bool = False) -> pl.DataFrame:
    """Weekly median latency of first attempts, unanswered ones counted as slower than all.

    Parameters
    ----------
    rows : polars.DataFrame
        One lock's actuations: columns ``attempt``, ``outcome``, ``latency_ms``,
        ``resolution_ms``, ``volts_before`` and ``sag_volts`` of ACTUATIONS, and ``weeks_ago`` (0 in
        the week that is judged). Retries are passed over; other outcomes than ``released`` and
        ``no-release`` count as use alone.
    latch : bool, default False
        Whether volts act on the latency.

    Returns
    -------
    polars.DataFrame
        Columns ``weeks_ago``, ``use`` (first attempts up to the middle of the week, 0 at the
        first), ``latency_ms``, ``deviation`` (of its logarithm, from the scatter of single
        releases), ``log_volts`` (of the rail under load against its usual; 0 where unknown or
        without effect), ``n``; rising in time. Weeks with fewer than three releases, or whose
        median was never reached, are left out.

    Notes
    -----
    A latency counts at the middle of its resolution.
    """
    first = rows.filter(pl.col("attempt") == 1)
    released = pl.col("outcome") == "released"
    tried = first.filter(released | (pl.col("outcome") == "no-release")).select(
        "weeks_ago", "resolution_ms", "volts_before", "sag_volts", released=released,
        time=pl.col("latency_ms") - pl.col("resolution_ms").fill_null(0.0) / 2,
    )
    weekly = tried.lazy().group_by("weeks_ago").agg(
        n=pl.len(), released=pl.col("released").sum(),
        latency_ms=pl.col("time").fill_null(float("inf")).median(),
        low=pl.col("time").quantile(0.25), high=pl.col("time").quantile(0.75),
        step=pl.col("resolution_ms").median().fill_null(0.0),
        volts=pl.col("volts_before").median(),
    ).filter((pl.col("released") >= LEAST_WEAR_RELEASES) & pl.col("latency_ms").is_finite()
             & (pl.col("latency_ms") > 0) & (pl.col("low") > 0))
    # A week of few releases tells its scatter badly, so all weeks have a say in it.
    own = (pl.col("high") / pl.col("low")).log() / QUARTILES_APART
    shared = ((own**2 * pl.col("n")).sum() / pl.col("n").sum())
    scatter = pl.max_horizontal(
        ((own**2 * pl.col("n") + SCATTER_WEIGHT * shared) / (pl.col("n") + SCATTER_WEIGHT)).sqrt(),
        pl.col("step") / pl.col("latency_ms") / 12**0.5, pl.lit(LEAST_WEEKLY_SCATTER),
    )
    typical_sag = float(tried["sag_volts"].median() or 0.0)  # type: ignore[arg-type]
    loaded = pl.col("volts") - typical_sag
    ratio = pl.when(loaded > 0).then(loaded / loaded.median()).log()
    use = first.lazy().group_by("weeks_ago").agg(done=pl.len()).sort(
        "weeks_ago", descending=True,
    ).select("weeks_ago", use=pl.col("done").cum_sum() - pl.col("done") / 2)
    return weekly.join(use, on="weeks_ago").sort("weeks_ago", descending=True).select(
        "weeks_ago", "use", "latency_ms", "n",
        deviation=MEDIAN_ERROR * scatter / pl.col("n").sqrt(),
        log_volts=(ratio.clip(-MOST_LOG_VOLTS, MOST_LOG_VOLTS).fill_null(0.0) if latch
                   else pl.lit(0.0)),
    ).collect()
