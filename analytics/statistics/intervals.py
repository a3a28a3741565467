"""Intervals of shares, counts and medians; robust spread; log odds as a probability."""

from __future__ import annotations

import numpy as np
from scipy import special

from remanence.analytics.statistics.arrays import Reals
from remanence.analytics.statistics.medians import median

NORMAL_95 = 1.959963984540054
"""Standard deviations either side of the mean that hold 95 % of a normal distribution."""
NORMAL_95_ROUNDED = 1.96
"""The same as printed tables round it."""
MEDIAN_SQUARE = 0.4549
"""Median of the square of a standard normal value (chi-square, one degree of freedom)."""
MEDIAN_VARIANCE = 1.57
"""Variance of a median over that of a mean, of normal values: pi / 2."""
DEVIATION_OVER_MAD = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation."""

MEDIAN_ERROR = float(np.sqrt(np.pi / 2))
"""Standard error of the median of a normal sample: this times its deviation over root n (textbook;
1.2533)."""


def wilson(count: int, total: int, confidence: float = 0.95) -> tuple[float, float]:
    """Wilson's score interval of a proportion; (0, 1) where nothing was counted.

    Newcombe, Statist. Med. 17 (1998) 857, method 3.
    """
    if total <= 0:
        return 0.0, 1.0
    z = float(special.ndtri(0.5 + 0.5 * confidence))
    share = count / total
    middle = (2 * total * share + z**2) / (2 * (total + z**2))
    half = z / (2 * (total + z**2)) * float(np.sqrt(4 * total * share * (1 - share) + z**2))
    return (0.0 if count == 0 else middle - half), (1.0 if count == total else middle + half)


def poisson_limits(count: int, confidence: float = 0.95) -> tuple[float, float]:
    """Exact limits of a count (Garwood, Biometrika 28 (1936) 437)."""
    tail = (1 - confidence) / 2
    low = special.chdtri(2 * count, 1 - tail) / 2 if count else 0.0
    return float(low), float(special.chdtri(2 * count + 2, tail) / 2)


def median_interval(values: Reals, confidence: float = 0.95) -> tuple[float, float, float]:
    """Median with its distribution-free interval from the order statistics.

    With fewer than six values the interval is the range, and covers less than
    95 %; NaN where there is none.
    """
    ordered = np.sort(values[np.isfinite(values)])
    count = ordered.size
    if count == 0:
        return np.nan, np.nan, np.nan
    rank = median_rank(count, confidence)
    return float(np.median(ordered)), float(ordered[rank]), float(ordered[count - 1 - rank])


def median_rank(count: int, confidence: float = 0.95) -> int:
    """How many of ``count`` ordered values lie below the lower end of their median's interval.

    From the sign test (H. A. David and H. N. Nagaraja, Order Statistics, 2003, section 7.1); 0
    with fewer than six values, whose range covers less than 95 %.
    """
    tail = (1 - confidence) / 2
    rank = int(np.argmax(special.bdtr(np.arange(count + 1), count, 0.5) >= tail))
    return min(max(rank - 1, 0), (count - 1) // 2)


def robust_deviation(values: Reals) -> float:
    """1.4826 times the median absolute deviation of the finite values; NaN without any.

    In place of ``scipy.stats.median_abs_deviation``, which takes a hundred times as long for the
    sixty values that are usual here.
    """
    finite = values[np.isfinite(values)]
    if finite.size == 0:
        return float("nan")
    return DEVIATION_OVER_MAD * median(np.abs(finite - median(finite)))


def probability(log_odds: float) -> float:
    """From natural log odds, kept off 0 and 1: no log proves anything beyond doubt."""
    return float(np.clip(1.0 / (1.0 + np.exp(-np.clip(log_odds, -30, 30))), 0.001, 0.999))


def log_density_of_t(value: float, freedom: float) -> float:
    """Natural log of the density of Student's t.

    In place of ``scipy.stats.t.logpdf``, whose package takes half a second to load.
    """
    return float(np.log(special.poch(0.5 * freedom, 0.5)) - 0.5 * np.log(freedom * np.pi)
                 - 0.5 * (freedom + 1) * np.log1p(value * value / freedom))
