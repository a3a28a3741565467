"""How long a lock has left where the share of commands that it does not answer rises."""

from __future__ import annotations

import numpy as np
import polars as pl

from remanence.analytics.parts.arrival import arrival
from remanence.analytics.parts.wear_path import DRAWS, Weeks, fit_path
from remanence.analytics.statistics.arrays import Reals

LEAST_WEAR_WEEKS = 6
"""Weeks with releases below which no path is fitted."""
LEAST_MISSED = 5
"""Unanswered commands below which no rise of their share is told."""
LEAST_COMMANDS = 5
"""Commands below which a week has no share of unanswered ones."""
LONGEST_WEEKS = 104
"""Weeks looked back on for the path; older ones only tell the healthy latency."""
PRESENT_SHARE_WEEKS = 4
"""Weeks that the present share is read from."""


def unanswered_wear(
    rows: pl.DataFrame, limit_share: float, pace: float, rng: np.random.Generator, *,
    least_pulse_ms: float,
) -> tuple[Reals, float] | None:
    """Draws of the weeks until the share of unanswered commands meets its limit, and since when.

    Parameters
    ----------
    rows : polars.DataFrame
        One lock's actuations: columns ``attempt``, ``outcome``, ``pulse_ms`` and ``weeks_ago``.
    limit_share : float
        At which the lock is at its end.
    pace : float
        Its commands a week.
    rng : numpy.random.Generator
        Source of chance.
    least_pulse_ms : float
        Commands with a shorter pulse are passed over: no new part answers them.

    Returns
    -------
    tuple of numpy.ndarray and float, or None
        Weeks at that pace; None where the share does not surely rise.

    Notes
    -----
    Weekly shares are brought to a scale on which their scatter does not depend on them: the arc
    sine of the root of (count + 3/8) / (commands + 3/4), with standard deviation
    1 / (2 sqrt(commands + 1/2)). A path is fitted only where the share of late lies above that of
    the weeks before by a standard error: that of a healthy lock rarely does, a rise of which a
    path is sure always (by 1.2 of them at least in 88 simulated ones that had not come back).

    Source: Anscombe, "The transformation of Poisson, binomial and negative-binomial data",
    Biometrika 35 (1948) 246.
    """
    silent = (rows["outcome"] == "no-release") & (rows["attempt"] == 1)
    if silent.sum() < LEAST_MISSED:
        return None
    weekly = (
        rows.filter((pl.col("attempt") == 1)
                    & pl.col("outcome").is_in(["released", "no-release"])
                    & (pl.col("pulse_ms").is_null() | (pl.col("pulse_ms") >= least_pulse_ms)))
        .group_by("weeks_ago")
        .agg(n=pl.len(), missed=(pl.col("outcome") == "no-release").sum())
        .sort("weeks_ago", descending=True).with_columns(
            use=pl.col("n").cum_sum() - pl.col("n") / 2)
        .filter(pl.col("n") >= LEAST_COMMANDS).tail(LONGEST_WEEKS)
    )
    total = int(weekly["missed"].sum())
    if weekly.height < LEAST_WEAR_WEEKS or total < LEAST_MISSED:
        return None
    count = weekly["n"].to_numpy().astype(np.float64)
    missed = weekly["missed"].to_numpy().astype(np.float64)
    level = np.arcsin(np.sqrt((missed + 0.375) / (count + 0.75)))
    deviation = 0.5 / np.sqrt(count + 0.5)
    weight = deviation**-2
    now, before = slice(-PRESENT_SHARE_WEEKS, None), slice(None, -PRESENT_SHARE_WEEKS)
    rise = np.average(level[now], weights=weight[now]) - np.average(
        level[before], weights=weight[before])
    if rise < np.sqrt(1 / weight[now].sum() + 1 / weight[before].sum()):
        return None
    usual = float(np.median(count))
    end = float(np.arcsin(np.sqrt((limit_share * usual + 0.375) / (usual + 0.75))))
    use = weekly["use"].to_numpy() / pace
    path = fit_path(Weeks(use, level, deviation, end), rng)
    if not path.rising:
        return None
    recent = missed[-PRESENT_SHARE_WEEKS:].sum() / count[-PRESENT_SHARE_WEEKS:].sum()
    if recent >= limit_share:
        return np.zeros(DRAWS), path.since_weeks
    left = arrival(path, rng)
    return np.maximum(left - count[-1] / pace / 2, 0.0), path.since_weeks
