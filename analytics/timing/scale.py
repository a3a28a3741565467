"""What answers share: times at other volts, and rounding to the safe side."""

from __future__ import annotations

import math
from collections.abc import Sequence

from remanence.analytics.timing.model import LockModel

TINY = 1e-9
"""Rounding up starts this far above a whole number: arithmetic is not exact."""


def round_up(value: float, step: float) -> float:
    """The next multiple of ``step``."""
    return math.ceil(value / step - TINY) * step


def safe_scale(model: LockModel, volts: float | None) -> float:
    """How much longer times are at ``volts``, by the exponent's end on the safe side."""
    if volts is None or model.reference_volts is None:
        return 1.0
    low = volts < model.reference_volts
    power = model.exponent_steep if low else model.exponent_shallow
    return float((volts / model.reference_volts) ** power)


def likely_scale(model: LockModel, volts: float | None) -> float:
    """How much longer times are at ``volts``, as far as is known."""
    if volts is None or model.reference_volts is None:
        return 1.0
    return float((volts / model.reference_volts) ** model.exponent)


def tenths(model: LockModel, volts: float | None, delay_ms: float = 0.0) -> list[int]:
    """The lock's equally likely release times at ``volts``, in tenths of a millisecond."""
    return tenths_of(model.points_ms, likely_scale(model, volts), delay_ms)


def tenths_of(points: Sequence[float], scale: float, delay_ms: float = 0.0) -> list[int]:
    """Release times [ms] so many times as long and ``delay_ms`` later, in tenths of a ms."""
    return [math.floor((point * scale + delay_ms) * 10 + 0.5) for point in points]
