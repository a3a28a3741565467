"""What a lock does with a command, from friction, gap, resistance and volts.

A pulsed solenoid: the current rises with the coil's time constant until its pull
beats friction and spring; then the plunger travels, the faster the more pull is
left over. With ``x`` the volts at which it just stalls over the volts it gets::

    latency = electrical * -ln(1 - x) + travel / sqrt(1 - x**2)

Warm copper raises the stall volts by 0.393 % per kelvin; friction raises them too.
That is enough for a hockey stick: equal steps of friction, ever longer latencies,
then none. Example: stall at 9.2 V, 10 ms and 5 ms give 23 ms at 12 V and 20 degrees,
31 ms at 60 degrees.

A holding magnet: once the supply is cut the flux decays towards its residual value
and the armature goes when it falls below the threshold that spring and load set::

    latency = decay * ln((1 - residual) / (threshold - residual))

Both are textbook models; direction and ratio are dependable, absolute values are
those of a plausible lock.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Reals = npt.NDArray[np.float64]

COPPER_PER_KELVIN = 0.00393
"""Rise of copper's resistance per kelvin, relative to 20 degrees Celsius."""


def pull_in_ms(volts: Reals, stall_volts: Reals, electrical_ms: Reals, travel_ms: Reals) -> Reals:
    """Time from command to the catch's movement; infinite where it stalls. [ms]"""
    share = np.clip(stall_volts / np.maximum(volts, 0.1), 0.05, None)
    stalled = share >= 0.999
    share = np.minimum(share, 0.999)
    latency = -electrical_ms * np.log1p(-share) + travel_ms / np.sqrt(1.0 - share**2)
    return np.where(stalled, np.inf, latency)


def drop_ms(decay_ms: Reals, threshold: Reals, residual: Reals) -> Reals:
    """Time from the cut to letting go; infinite where the residual field holds. [ms]"""
    holds = residual >= threshold * 0.999
    margin = np.maximum(threshold - residual, 1e-6)
    latency = decay_ms * np.log((1.0 - residual) / margin)
    return np.where(holds, np.inf, np.maximum(latency, 1.0))


def warm(kelvin_over_20: Reals) -> Reals:
    """Resistance of a copper coil relative to 20 degrees Celsius."""
    return 1.0 + COPPER_PER_KELVIN * kelvin_over_20


def wander(rng: np.random.Generator, days: int, memory: float, deviation: float) -> Reals:
    """A day-to-day wander with memory (autoregressive), of that standard deviation."""
    shocks = rng.normal(0.0, deviation * np.sqrt(1.0 - memory**2), days)
    path = np.empty(days)
    level = rng.normal(0.0, deviation)
    for day in range(days):
        level = memory * level + shocks[day]
        path[day] = level
    return path
