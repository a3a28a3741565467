"""How long a lock takes, read off tables rather than worked out from formulae.

The campaign judges the program, so nothing here may be the program's own physics.
Latencies come from printed tables of a solenoid and of a holding magnet (the
toolkit's trade notes, A1 and A2, "calculated from a generic textbook model; direction and
ratio dependable"), interpolated. The detectors' power law in volts, their share per
kelvin and their magnet model appear nowhere.
"""

import numpy as np
from scipy.interpolate import PchipInterpolator, RegularGridInterpolator

STALL_MS = 400.0
"""Where the table says "stall": longer than any pulse."""

_SHARE_OF_VOLTS = np.array([10.0, 10.8, 11.4, 12.0, 13.2]) / 12.0
_CELSIUS = np.array([20.0, 40.0, 60.0, 80.0, 100.0])
_PULL_IN_MS = np.array([
    [39.0, 70.0, STALL_MS, STALL_MS, STALL_MS],
    [30.0, 37.0, 59.0, STALL_MS, STALL_MS],
    [26.0, 30.0, 39.0, 67.0, STALL_MS],
    [23.0, 26.0, 31.0, 40.0, 88.0],
    [20.0, 21.0, 24.0, 28.0, 33.0],
])
_PULL_IN = RegularGridInterpolator(
    (_SHARE_OF_VOLTS, _CELSIUS), np.log(_PULL_IN_MS / 23.0), bounds_error=False, fill_value=None
)
_SIDE_LOAD = PchipInterpolator(
    [0.0, 2.0, 4.0, 5.0, 6.0, 8.0], np.log(np.array([23.0, 28.0, 36.0, 44.0, 82.0, 420.0]) / 23.0)
)
_GAP_MICRONS = PchipInterpolator(
    [20.0, 40.0, 60.0, 100.0, 200.0], np.log(1.0 + np.array([0.24, 0.0, -0.16, -0.38, -0.66]))
)
USUAL_GAP_MICRONS = 40.0


def by_volts_and_warmth(share_of_volts, celsius):
    """Logarithm of a latch's latency against 12 V, 20 degrees."""
    points = np.column_stack([
        np.clip(share_of_volts, 0.7, 1.15), np.clip(celsius, -5.0, 100.0)
    ])
    return _PULL_IN(points)


def by_side_load(newtons):
    """Logarithm of a latch's latency against no load on the catch."""
    return _SIDE_LOAD(np.clip(newtons, 0.0, 8.0))


def by_gap(microns):
    """Logarithm of a magnet's release time against the usual gap."""
    return _GAP_MICRONS(np.clip(microns, 20.0, 200.0))


def memory_path(rng, days, memory, deviation):
    """A wander from day to day that remembers."""
    path, level = np.empty(days), rng.normal(0.0, deviation)
    for day in range(days):
        path[day] = level
        level = memory * level + rng.normal(0.0, deviation * np.sqrt(1 - memory**2))
    return path
