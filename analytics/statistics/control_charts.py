"""Control charts: tabular CUSUM, EWMA, individuals; and the run lengths they promise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from remanence.analytics.statistics.arrays import Reals

MOVING_RANGE_DIVISOR = 1.128
"""d2 of two values (any table of control-chart constants)."""


@dataclass(frozen=True)
class Cusum:
    """Upper and lower sums of a CUSUM, and where either is beyond the limit.

    Attributes
    ----------
    high, low : numpy.ndarray, shape (n,)
        Sums above and below the target after each value, 0 or more; unit of the values.
    alarm : numpy.ndarray of bool, shape (n,)
        Where either sum is above the limit.
    """

    high: Reals
    low: Reals
    alarm: npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Ewma:
    """The smoothed series, its limits, and where it is beyond them.

    Attributes
    ----------
    ewma : numpy.ndarray, shape (n,)
        The average after each value; unit of the values.
    lower, upper : float
        Limits, the same for every place.
    alarm : numpy.ndarray of bool, shape (n,)
        Where the average lies outside them.
    """

    ewma: Reals
    lower: float
    upper: float
    alarm: npt.NDArray[np.bool_]


def cusum(
    values: npt.ArrayLike, *, target: float, allowance: float, limit: float, cap: float = np.inf
) -> Cusum:
    """Tabular CUSUM in both directions.

    Parameters
    ----------
    values : array-like, shape (n,)
        Finite values in order of time; a value that is no number spoils all after it.
    target, allowance, limit : float
        In the unit of the values: what is aimed at, the slack k, the limit h.
    cap : float, default infinity
        Single values count for at most this much off the target.

    Returns
    -------
    Cusum
        The sums begin at 0 and are not set back after an alarm.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, sec. 6.3.2.3.
    """
    off = np.clip(np.asarray(values, dtype=float) - target, -cap, cap)
    high, low = np.zeros(off.size), np.zeros(off.size)
    above = below = 0.0
    for place, step in enumerate(off):
        above = max(0.0, above + step - allowance)
        below = max(0.0, below - step - allowance)
        high[place], low[place] = above, below
    return Cusum(high, low, (high > limit) | (low > limit))


def ewma_chart(
    values: npt.ArrayLike, *, target: float, sigma: float, weight: float = 0.2,
    width: float = 2.962,
) -> Ewma:
    """Exponentially weighted moving average, with asymptotic limits.

    Parameters
    ----------
    values : array-like, shape (n,)
        Finite values in order of time; the average starts at ``target``.
    target, sigma : float
        Mean and standard deviation of single values in control.
    weight : float, default 0.2
        Weight of the newest value, above 0 and at most 1.
    width : float, default 2.962
        Half width of the limits in standard deviations of the average. Both defaults together
        give one false alarm in 500 values (Lucas and Saccucci, Technometrics 32 (1990), 1-12).

    Returns
    -------
    Ewma
        In the unit of the values.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, sec. 6.3.2.4.
    """
    series = np.asarray(values, dtype=float)
    smooth = np.zeros(series.size)
    level = target
    for place, value in enumerate(series):
        level = weight * value + (1 - weight) * level
        smooth[place] = level
    half = width * sigma * float(np.sqrt(weight / (2 - weight)))
    lower, upper = target - half, target + half
    return Ewma(smooth, lower, upper, (smooth > upper) | (smooth < lower))


def individuals_limits(values: npt.ArrayLike) -> tuple[float, float, float]:
    """Centre, lower and upper limit of an individuals chart from its moving ranges.

    Parameters
    ----------
    values : array-like, shape (n,)
        Two or more finite values in order of time; with fewer the limits are not numbers.

    Returns
    -------
    tuple of float
        Centre (mean), and three standard deviations below and above it, the deviation being
        the mean moving range over 1.128; unit of the values.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, sec. 6.3.2.2.
    """
    series = np.asarray(values, dtype=float)
    centre = float(series.mean())
    half = 3 * float(np.abs(np.diff(series)).mean()) / MOVING_RANGE_DIVISOR
    return centre, centre - half, centre + half


def cusum_run_length(
    shift: float, *, allowance: float, limit: float, both_sides: bool = True, nodes: int = 80
) -> float:
    """Mean number of standard normal values until a CUSUM alarms, at a constant shift.

    By the integral equation of the run length with Gauss-Legendre nodes; both
    sides are joined by the sum of their rates.

    Parameters
    ----------
    shift, allowance, limit : float
        In standard deviations of the values.
    both_sides : bool, default True
        Whether the chart looks both ways.
    nodes : int, default 80
        Nodes of the quadrature.

    Returns
    -------
    float
        Number of values.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, sec. 6.3.2.3.1.
    """
    if both_sides:
        sides = [
            cusum_run_length(sign * shift, allowance=allowance, limit=limit, both_sides=False,
                             nodes=nodes)
            for sign in (1.0, -1.0)
        ]
        return 1.0 / (1.0 / sides[0] + 1.0 / sides[1])
    from scipy.stats import norm

    points, weights = np.polynomial.legendre.leggauss(nodes)
    points, weights = (points + 1) * limit / 2, weights * limit / 2
    # Unknowns: run length from each node, and from nought.
    start = np.append(points, 0.0)
    step = points[None, :] - start[:, None] + allowance - shift
    kernel = norm.pdf(step) * weights[None, :]
    to_nought = norm.cdf(allowance - shift - start)[:, None]
    matrix = np.eye(nodes + 1) - np.hstack([kernel, to_nought])
    lengths = np.linalg.solve(matrix, np.ones(nodes + 1))
    return float(lengths[-1])
