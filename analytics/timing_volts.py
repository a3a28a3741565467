"""How steeply does a latch slow down when its rail falls?

latency is taken as proportional to volts to a power that is not above zero. The power is fitted
by robust regression (Huber) of log latency on log volts, lock by lock, and drawn towards the
locks of the same part, and these towards the textbook's -2, as far as the data leave it open
(a normal-normal model). A magnet lets go after its current is cut: no power of volts there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from analytics.timing_sample import Sample
from analytics.timing_tail import LEAST, design_effect

PRIOR = (-2.0, 0.7)
"""Exponent of a healthy solenoid near its rated volts and its standard deviation between
models: calculated from a textbook model, no measurement."""

BETWEEN_LOCKS = 0.5
"""Standard deviation of the exponent between locks of one part; common practice, no source."""

LEAST_SPREAD = 0.004
"""Log volts must vary by this much (0.4 %) for a slope to be looked for."""


@dataclass(frozen=True)
class Exponent:
    """The power of volts, with the ends of its interval; ``steep`` <= ``middle`` <= ``shallow``."""

    middle: float
    steep: float
    shallow: float


NONE = Exponent(0.0, 0.0, 0.0)


def slope(sample: Sample) -> tuple[float, float] | None:
    """Robust slope of log need on log volts and its standard error; None where it cannot be."""
    use = sample.released & np.isfinite(sample.volts) & (sample.volts > 0)
    if use.sum() < LEAST:
        return None
    log_volts = np.log(sample.volts[use])
    log_need = np.log(sample.need_ms[use])
    spread = float(np.std(log_volts))
    if spread < LEAST_SPREAD:
        return None
    from sklearn.linear_model import HuberRegressor

    middle = np.median(log_volts)
    scaled = (log_volts - middle) / spread
    try:
        fit = HuberRegressor(epsilon=1.35, alpha=0.0, max_iter=300).fit(
            scaled[:, None], log_need - np.median(log_need)
        )
    except ValueError:  # It did not converge: all but equal latencies.
        return None
    rest = log_need - np.median(log_need) - fit.predict(scaled[:, None])
    scatter = max(1.4826 * float(np.median(np.abs(rest - np.median(rest)))), 1e-4)
    effect = design_effect(rest > 0, sample.day[use])
    # 1.05: what Huber's estimate loses against least squares where all is normal.
    error = 1.05 * scatter * np.sqrt(effect / use.sum()) / spread
    return float(fit.coef_[0]) / spread, float(error)


def exponents(
    groups: Sequence[Sequence[Sample]], confidence: float = 0.98
) -> Mapping[str, Exponent]:
    """Power of volts of every pulsed lock, by lock id.

    Parameters
    ----------
    groups : sequence of sequence of Sample
        Locks of one part each.
    confidence : float, default 0.98
        Two-sided, of ``steep`` and ``shallow``.
    """
    z = float(special.ndtri(0.5 + confidence / 2))
    result: dict[str, Exponent] = {}
    for group in groups:
        slopes = {s.lock.id: slope(s) for s in group if s.lock.pulsed}
        precision, weighted = PRIOR[1] ** -2, PRIOR[0] * PRIOR[1] ** -2
        for own in slopes.values():
            if own is not None:
                weight = 1 / (own[1] ** 2 + BETWEEN_LOCKS**2)
                precision, weighted = precision + weight, weighted + weight * own[0]
        for sample in group:
            if not sample.lock.pulsed:
                result[sample.lock.id] = NONE
                continue
            own = slopes[sample.lock.id]
            # What the others say, without this lock's own slope.
            others, sum_others = precision, weighted
            if own is not None:
                weight = 1 / (own[1] ** 2 + BETWEEN_LOCKS**2)
                others, sum_others = precision - weight, weighted - weight * own[0]
            prior_mean, prior_variance = sum_others / others, 1 / others + BETWEEN_LOCKS**2
            if own is None:
                mean, variance = prior_mean, prior_variance
            else:
                both = 1 / prior_variance + own[1] ** -2
                mean = (prior_mean / prior_variance + own[0] * own[1] ** -2) / both
                variance = 1 / both
            width = z * float(np.sqrt(variance))
            result[sample.lock.id] = Exponent(
                min(mean, 0.0), min(mean - width, 0.0), min(mean + width, 0.0)
            )
    return result
