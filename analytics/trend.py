"""Monotonic trend of a short series whose values remember their neighbours."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import stats

from analytics.evidence import Reals

LEAST_VALUES = 8
"""Fewer values than this carry no p-value for a trend (common practice, no source)."""


@dataclass(frozen=True)
class Trend:
    """Theil-Sen slope with its 95 % interval, and the Mann-Kendall test.

    ``p`` is the plain test's; ``p_memory`` allows for values that remember
    their neighbours, None where there are too few of them.
    """

    slope: float
    slope_low: float
    slope_high: float
    s: int
    variance: float
    z: float
    p: float
    p_memory: float | None


def mann_kendall(values: npt.ArrayLike) -> tuple[int, float, float, float]:
    """Mann-Kendall's S, its variance under independence (ties allowed for), z and two-sided p.

    H. B. Mann, Econometrica 13 (1945) 245; continuity-corrected.
    """
    series = np.asarray(values, dtype=float)
    count = series.size
    s = int(np.sign(series[None, :] - series[:, None])[np.triu_indices(count, 1)].sum())
    ties = np.unique(series, return_counts=True)[1].astype(float)
    variance = (
        count * (count - 1) * (2 * count + 5) - float((ties * (ties - 1) * (2 * ties + 5)).sum())
    ) / 18.0
    z = 0.0 if variance <= 0 else (s - np.sign(s)) / np.sqrt(variance)
    return s, variance, float(z), float(2 * stats.norm.sf(abs(z)))


def trend(time: npt.ArrayLike, values: npt.ArrayLike, *, seed: int = 20260301) -> Trend:
    """Slope and significance of a trend.

    Parameters
    ----------
    time, values : array-like, shape (n,)
        Times need not be evenly spaced; the slope is per unit of time.
    seed : int
        Of the simulated null that ``p_memory`` is read from.

    Returns
    -------
    Trend

    Raises
    ------
    ValueError
        Fewer than three values.
    """
    moment, series = np.asarray(time, dtype=float), np.asarray(values, dtype=float)
    if series.size < 3:
        raise ValueError(f"a trend needs three values or more, got {series.size}")
    fit = stats.theilslopes(series, moment, 0.95)
    s, variance, z, p = mann_kendall(series)
    memory = None
    if series.size >= LEAST_VALUES:
        memory = _p_with_memory(series - fit.slope * moment, s, seed)
    return Trend(float(fit.slope), float(fit.low_slope), float(fit.high_slope), s, variance, z, p,
                 memory)


def _p_with_memory(detrended: Reals, s: int, seed: int, draws: int = 999) -> float:
    """Share of trendless series with the same memory whose S is as far from nought."""
    count = detrended.size
    centred = detrended - detrended.mean()
    power = float(centred @ centred)
    found = float(centred[1:] @ centred[:-1]) / power if power > 0 else 0.0
    # First-order bias of a lag-one correlation (Kendall, Biometrika 41 (1954) 403).
    memory = float(np.clip((found * count + 1) / max(count - 4, 1), 0.0, 0.95))
    rng = np.random.default_rng(seed)
    paths = np.empty((draws, count))
    paths[:, 0] = rng.standard_normal(draws)
    for step in range(1, count):
        paths[:, step] = memory * paths[:, step - 1] + np.sqrt(1 - memory**2) * rng.standard_normal(
            draws
        )
    rows, columns = np.triu_indices(count, 1)
    simulated = np.abs(np.sign(paths[:, columns] - paths[:, rows]).sum(axis=1))
    return float((1 + (simulated >= abs(s)).sum()) / (draws + 1))
