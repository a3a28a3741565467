"""The lines that the designer's sheet draws: share released against pulse length."""

from __future__ import annotations

from dataclasses import dataclass

from remanence.analytics.timing.model import CURVE, TARGETS, LockModel, key
from remanence.analytics.timing.scale import likely_scale, safe_scale


@dataclass(frozen=True)
class TimingCurve:
    """Shares released at rising pulse lengths, at ``volts`` (None: whatever the volts)."""

    volts: float | None
    pulse_ms: tuple[float, ...]
    share: tuple[float, ...]


def release_curve(model: LockModel, volts: float | None, last_ms: float) -> TimingCurve:
    """The fitted curve as a line from no pulse to ``last_ms``."""
    scale = likely_scale(model, volts)
    points, top = model.need_points_ms, 1 - model.miss.mean
    times, shares = [0.0], [0.0]
    if points:
        times.append(points[0] * scale)
        shares.append(0.0)
    for number, point in enumerate(points):
        times.append(point * scale)
        shares.append((number + 0.5) / len(points) * top)
    times.append(max(last_ms, times[-1]))
    shares.append(top)
    return TimingCurve(volts, tuple(times), tuple(shares))


def lower_curve(model: LockModel, volts: float | None, last_ms: float) -> TimingCurve:
    """What is sure (one-sided 95 %): the share that each pulse releases at the least."""
    scale = safe_scale(model, volts)
    times, shares = [0.0], [0.0]
    for target in (*CURVE, *TARGETS):
        need = model.need_ms.get(key(target))
        if need is not None and need * scale > times[-1]:
            # A bound holds from its pulse on: a step, not a slope.
            times += [need * scale, need * scale]
            shares += [shares[-1], target * (1 - model.miss.upper)]
    times.append(max(last_ms, times[-1]))
    shares.append(shares[-1])
    return TimingCurve(volts, tuple(times), tuple(shares))
