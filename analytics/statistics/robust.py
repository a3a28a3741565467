"""A straight line that a few wild readings cannot bend: Huber's regression, and Theil and Sen's."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from remanence.analytics.statistics.arrays import Flags, Reals
from remanence.analytics.statistics.medians import median

HUBER_TUNING = 1.345
"""95 % efficient where the scatter is normal (Huber, Robust Statistics, 1981)."""


@dataclass(frozen=True)
class Line:
    """A fitted line, its standard errors and its scatter.

    ``low`` and ``high`` bound the slope; ``freedom`` is what the interval rests on: points,
    or groups of points where the groups are the independent things.
    """

    slope: float
    intercept: float
    slope_error: float
    intercept_error: float
    low: float
    high: float
    scatter: float
    points: int
    freedom: int

    def at(self, x: npt.ArrayLike) -> Reals:
        """The line's value at ``x``."""
        return self.intercept + self.slope * np.asarray(x, dtype=float)


def huber_line(
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    *,
    groups: npt.ArrayLike | None = None,
    intercept: bool = True,
    tuning: float = HUBER_TUNING,
    confidence: float = 0.95,
    rounds: int = 50,
) -> Line | None:
    """Fit ``y = intercept + slope x`` by Huber's M-estimate (iterated weighted squares).

    Parameters
    ----------
    x, y : array_like, shape (n,)
        Any units. Rows with a missing value are passed over.
    groups : array_like, shape (n,), optional
        What each row belongs to. Rows of one group share an error (one coil's tolerance):
        the interval then comes from the scatter between groups, where there are three or
        more, and not from the number of rows.
    intercept : bool, default True
        False: the line goes through the origin.
    tuning : float, default 1.345
        Residuals beyond this many robust standard deviations are weighed down. Infinity
        gives ordinary least squares.
    confidence : float, default 0.95
        Coverage of ``low`` and ``high``, by Student's t.
    rounds : int, default 50
        Most iterations.

    Returns
    -------
    Line or None
        None where there are too few points, or all at one ``x``: not enough data.

    References
    ----------
    P. J. Huber, "Robust Statistics" (1981), ch. 7; standard errors by his eq. 7.6.8 and,
    for groups, the sandwich of summed scores with the factor groups / (groups - 1).
    """
    fitted = huber_fit(x, y, intercept=intercept, tuning=tuning, rounds=rounds)
    return fitted.line(groups, confidence) if fitted else None


@dataclass(frozen=True)
class HuberFit:
    """A line that was fitted, before its errors are asked for: whoever fits again needs none.

    ``keep`` are the rows without a missing value; ``design`` (n, 1 or 2) and ``value`` (n,) are
    those, centred at ``middle``; ``beta`` are the intercept there, if any, and the slope.
    """

    keep: Flags
    design: Reals
    value: Reals
    beta: Reals
    scale: float
    middle: float
    tuning: float

    @property
    def slope(self) -> float:
        """Of the line, in units of y over those of x."""
        return float(self.beta[-1])

    def line(self, groups: npt.ArrayLike | None, confidence: float) -> Line:
        """The line with its errors; see :func:`huber_line`."""
        design, scale, tuning = self.design, self.scale, self.tuning
        residual = self.value - design @ self.beta
        inverse = np.asarray(np.linalg.inv(design.T @ design), dtype=np.float64)
        count, terms = design.shape
        freedom = count - terms
        covariance, scatter = _covariance(residual, scale, tuning, inverse, freedom)
        if groups is not None:
            _, code = np.unique(np.asarray(groups).ravel()[self.keep], return_inverse=True)
            if code.max() >= 2:
                covariance, freedom = _grouped(
                    design, residual, scale, tuning, np.asarray(code), covariance
                )
        errors = np.sqrt(np.maximum(np.diag(covariance), 0.0))
        reach = float(special.stdtrit(freedom, 0.5 + confidence / 2)) * errors[-1]
        slope = self.slope
        base, base_error = 0.0, 0.0
        if terms == 2:
            base = float(self.beta[0]) - slope * self.middle
            base_error = float(np.hypot(errors[0], self.middle * errors[1]))
        return Line(slope, base, float(errors[-1]), base_error, slope - float(reach),
                    slope + float(reach), scatter, int(count), int(freedom))


def huber_fit(
    x: npt.ArrayLike, y: npt.ArrayLike, *, intercept: bool = True, tuning: float = HUBER_TUNING,
    rounds: int = 50,
) -> HuberFit | None:
    """The fit of :func:`huber_line`, without its errors.

    Parameters
    ----------
    x, y, intercept, tuning, rounds
        As there.

    Returns
    -------
    HuberFit or None
        None where there are too few points, or all at one ``x``: not enough data.
    """
    at, value = np.asarray(x, dtype=float).ravel(), np.asarray(y, dtype=float).ravel()
    keep = np.isfinite(at) & np.isfinite(value)
    at, value = at[keep], value[keep]
    terms = 2 if intercept else 1
    # Centred, so that a far-off mean of x costs no digits.
    middle = float(at.mean()) if intercept and at.size else 0.0
    centred = at - middle
    if at.size <= terms or not np.any(np.abs(centred) > 0):
        return None
    design = np.column_stack([np.ones_like(centred), centred]) if intercept else centred[:, None]
    weights = np.ones_like(value)
    beta, scale = np.zeros(terms), 0.0
    exact = 1e-12 * max(1.0, float(np.max(np.abs(value))))
    for _ in range(rounds):
        weighed = design.T * weights
        normal, answer = weighed @ design, weighed @ value
        last = beta
        beta = np.linalg.solve(normal, answer) if intercept else answer / normal[0]
        off = np.abs(value - design @ beta)
        if np.isinf(tuning):
            break
        scale = median(off) / 0.6745
        if scale <= exact:
            break
        weights = np.minimum(1.0, tuning / np.maximum(off / scale, 1e-300))
        if abs(beta - last).max() <= 1e-8 * max(1.0, float(abs(beta).max())):
            break
    return HuberFit(keep, design, value, beta, scale, middle, tuning)


def _scores(residual: Reals, scale: float, tuning: float) -> tuple[Reals, float]:
    """Clipped residuals, and the share of them that was not clipped."""
    if np.isinf(tuning) or scale == 0:
        return residual, 1.0
    limit = tuning * scale
    return np.clip(residual, -limit, limit), float(np.mean(np.abs(residual) <= limit))


def _covariance(
    residual: Reals, scale: float, tuning: float, inverse: Reals, freedom: int
) -> tuple[Reals, float]:
    scores, share = _scores(residual, scale, tuning)
    spread = float(np.sum(scores**2) / freedom)
    share = max(share, 0.1)
    correction = 1 + inverse.shape[0] / residual.size * (1 - share) / share
    scatter = float(np.sqrt(spread)) if share == 1.0 else scale
    return correction**2 * spread / share**2 * inverse, scatter


def _grouped(
    design: Reals, residual: Reals, scale: float, tuning: float, code: npt.NDArray[np.intp],
    floor: Reals,
) -> tuple[Reals, int]:
    """Sandwich covariance from scores summed by group; never less than the plain one."""
    scores, share = _scores(residual, scale, tuning)
    groups = int(code.max()) + 1
    summed = np.zeros((groups, design.shape[1]))
    np.add.at(summed, code, design * scores[:, None])
    inside = np.abs(residual) <= tuning * scale if scale else np.ones(residual.size, dtype=bool)
    share = max(share, 0.1)
    bread = np.linalg.inv(design.T @ (design * np.where(inside.any(), share, 1.0)))
    covariance = bread @ (summed.T @ summed) @ bread * groups / (groups - 1)
    largest = np.maximum(np.diag(covariance), np.diag(floor))
    scale_up = np.sqrt(largest / np.maximum(np.diag(covariance), 1e-300))
    result: Reals = covariance * np.outer(scale_up, scale_up)
    return result, groups - 1


def theil_sen(x: npt.ArrayLike, y: npt.ArrayLike, confidence: float) -> tuple[float, float, float]:
    """The median of the slopes between all pairs of points, with its interval.

    In place of ``scipy.stats.theilslopes``, whose package takes half a second to load.

    Parameters
    ----------
    x, y : array-like, shape (n,)
        Points, two or more, of which two differ in ``x``.
    confidence : float
        Of the interval, from 0.5 to 1.

    Returns
    -------
    slope, low, high : float

    Notes
    -----
    Sen, Estimates of the regression coefficient based on Kendall's tau, JASA 63 (1968) 1379,
    equation 2.6 for the interval.
    """
    across, up = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    first, second = np.triu_indices(across.size, 1)
    run = across[second] - across[first]
    apart = run != 0
    slopes = np.sort((up[second] - up[first])[apart] / run[apart])

    def pairs(count: npt.ArrayLike) -> Reals:
        number = np.asarray(count, dtype=float)
        out: Reals = number * (number - 1) * (2 * number + 5)
        return out

    ties = sum(pairs(np.unique(of, return_counts=True)[1]).sum() for of in (across, up))
    variance = (pairs(up.size) - ties) / 18
    half = -special.ndtri((1 - confidence) / 2) * np.sqrt(max(float(variance), 0.0))
    upper = min(round((slopes.size + half) / 2), slopes.size - 1)
    lower = max(round((slopes.size - half) / 2) - 1, 0)
    return float(np.median(slopes)), float(slopes[lower]), float(slopes[upper])
