"""Monotonic trend of a short series whose values remember their neighbours."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import stats

from remanence.analytics.statistics.arrays import Reals

LEAST_VALUES = 8
"""Fewer values than this carry no p-value for a trend (common practice, no source)."""


@dataclass(frozen=True)
class Trend:
    """Theil-Sen slope with its 95 % interval, and the Mann-Kendall test.

    Attributes
    ----------
    slope, slope_low, slope_high : float
        Unit of the values per unit of time.
    s : int
        Mann-Kendall's S: pairs that rise minus pairs that fall.
    variance, z : float
        Variance of S under independence, ties allowed for, and S over its root,
        continuity-corrected.
    p : float
        Two-sided p-value of the plain test.
    p_memory : float or None
        The same where values remember their neighbours; None with fewer than eight.
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
    """Mann-Kendall's test of a monotonic trend in values taken to be independent.

    Parameters
    ----------
    values : array-like, shape (n,)
        Finite values in order of time; ties are allowed for.

    Returns
    -------
    tuple of (int, float, float, float)
        S (pairs that rise minus pairs that fall), its variance under independence, z
        (continuity-corrected) and the two-sided p-value. Where all values are equal z is 0 and
        p is 1.

    References
    ----------
    .. [1] H. B. Mann, Econometrica 13 (1945) 245.
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
    time : array-like, shape (n,)
        When; need not be evenly spaced, but in rising order. The slope is per its unit.
    values : array-like, shape (n,)
        Finite values, three or more.
    seed : int, default 20260301
        Of the simulated null that ``p_memory`` is read from: the same data give the same figure.

    Returns
    -------
    Trend
        ``p_memory`` is None with fewer than eight values.

    Raises
    ------
    ValueError
        Fewer than three values.

    Notes
    -----
    Theil and Sen's slope with its interval (P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379);
    Mann-Kendall's test. For values with memory S is held against 999 simulated series without
    trend whose lag-one correlation is that of the detrended values, its bias taken out
    (M. G. Kendall, Biometrika 41 (1954) 403); the simulation is this program's own.
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
