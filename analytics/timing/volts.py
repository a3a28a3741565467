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

from remanence.analytics.drift.common import VOLTS_EXPONENT
from remanence.analytics.statistics.robust import huber_line
from remanence.analytics.timing.sample import Sample
from remanence.analytics.timing.tail import LEAST, within_step

EXPONENT_PRIOR = (VOLTS_EXPONENT, 0.7)
"""Exponent of a healthy solenoid near its rated volts and its standard deviation between
models: calculated from a textbook model, no measurement."""

EXPONENT_BETWEEN_LOCKS = 0.5
"""Standard deviation of the exponent between locks of one part; common practice, no source."""

LEAST_SPREAD = 0.004
"""Log volts must vary by this much (0.4 %) for a slope to be looked for."""


GOES_ALONG = 0.02
"""Share by which a latency may change along with the rail but not because of it: a season, a
drift, a busy day. It keeps a rail that hardly moves from teaching a slope; common practice."""


@dataclass(frozen=True)
class Exponent:
    """The power of volts, with the ends of its interval; none above 0.

    Attributes
    ----------
    middle : float
        Latency goes as volts to this power; -2: 10 % fewer volts, 23 % longer.
    steep, shallow : float
        The ends: ``steep`` <= ``middle`` <= ``shallow``.
    """

    middle: float
    steep: float
    shallow: float


NONE = Exponent(0.0, 0.0, 0.0)


def slope(sample: Sample) -> tuple[float, float] | None:
    """Robust slope of log need on log volts and its standard error.

    Parameters
    ----------
    sample : Sample
        One lock; releases whose rail was read count.

    Returns
    -------
    tuple of float or None
        Slope and standard error. None with fewer than 20 such releases, or where the volts hardly
        vary (0.4 %).

    Notes
    -----
    Huber's regression; days are the independent things: the error comes from the scatter
    between them.
    """
    use = sample.released & np.isfinite(sample.volts) & (sample.volts > 0)
    if use.sum() < LEAST:
        return None
    log_volts = np.log(sample.volts[use])
    spread = float(np.std(log_volts))
    if spread < LEAST_SPREAD:
        return None
    step = min(sample.resolution_ms or 0.0, float(np.median(sample.need_ms[use])))
    need = within_step(sample.need_ms[use], step)
    line = huber_line(log_volts, np.log(need), groups=sample.day[use])
    if line is None or not np.isfinite(line.slope_error):
        return None
    return line.slope, float(np.hypot(line.slope_error, GOES_ALONG / spread))


def exponents(
    groups: Sequence[Sequence[Sample]], confidence: float = 0.98
) -> Mapping[str, Exponent]:
    """Power of volts of every pulsed lock, by lock id.

    Parameters
    ----------
    groups : sequence of sequence of Sample
        Locks of one part each.
    confidence : float, default 0.98
        Two-sided, of ``steep`` and ``shallow``; between 0 and 1.

    Returns
    -------
    dict of str to Exponent
        By lock; a magnet's is 0.

    Notes
    -----
    Normal-normal shrinkage (textbook); prior mean -2 from a textbook solenoid, its spread
    calculated, no measurement.
    """
    z = float(special.ndtri(0.5 + confidence / 2))
    result: dict[str, Exponent] = {}
    for group in groups:
        slopes = {s.lock.id: slope(s) for s in group if s.lock.pulsed}
        precision, weighted = EXPONENT_PRIOR[1] ** -2, EXPONENT_PRIOR[0] * EXPONENT_PRIOR[1] ** -2
        for own in slopes.values():
            if own is not None:
                weight = 1 / (own[1] ** 2 + EXPONENT_BETWEEN_LOCKS**2)
                precision, weighted = precision + weight, weighted + weight * own[0]
        for sample in group:
            if not sample.lock.pulsed:
                result[sample.lock.id] = NONE
                continue
            own = slopes[sample.lock.id]
            # What the others say, without this lock's own slope.
            others, sum_others = precision, weighted
            if own is not None:
                weight = 1 / (own[1] ** 2 + EXPONENT_BETWEEN_LOCKS**2)
                others, sum_others = precision - weight, weighted - weight * own[0]
            prior_mean, prior_variance = sum_others / others, 1 / others + EXPONENT_BETWEEN_LOCKS**2
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
