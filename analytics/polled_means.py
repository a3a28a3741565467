"""How far off the mean of polled latencies may be, where the poll's phase follows the command."""

from __future__ import annotations

import numpy as np

LEAST_SCATTER = 0.03
"""No lock's releases scatter by less than this share (common practice: 3 to 12 %)."""

_HARMONICS = np.arange(1, 21)


def rounding_error(scatter: float) -> float:
    """The most that a mean of values rounded up to whole polls is off, beside half a poll.

    Parameters
    ----------
    scatter : float
        Standard deviation of the values before rounding, in polls; 0 or more.

    Returns
    -------
    float
        In polls: half a poll without any scatter, soon nothing with it.

    Notes
    -----
    The error is a saw tooth over the place between two polls, which normal scatter smooths:
    its k-th harmonic by exp(-2 (pi k scatter)^2) (characteristic function of the normal
    distribution; B. Widrow and I. Kollar, Quantization Noise, 2008, chapter 5).
    """
    if scatter <= 0.0:
        return 0.5
    height = np.exp(-2.0 * (np.pi * _HARMONICS * scatter) ** 2) / (np.pi * _HARMONICS)
    place = np.linspace(0.0, 0.5, 101)
    return float(min((height * np.sin(2 * np.pi * np.outer(place, _HARMONICS))).sum(1).max(), 0.5))


def least_change_ms(reference_ms: float, resolution_ms: float, beyond_ms: float) -> float:
    """Change of a mean that no place between two polls can feign, and ``beyond_ms`` more. [ms]

    A change of a whole poll is one in any case.
    """
    off = 2 * rounding_error(LEAST_SCATTER * reference_ms / resolution_ms) * resolution_ms
    return min(off + beyond_ms, resolution_ms)
