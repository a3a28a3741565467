"""How warm a coil gets, read off heating curves: the campaign's own, no thermal network.

The curves are the table of a two-mass model in the toolkit's trade notes (A3, "calculated;
direction and ratio dependable"): minutes after which a coil held on has reached so many
degrees from 25. A coil that has been switched off follows the same curve downwards: what it
would have gained had it stayed on is taken away (superposition, as for any linear body).
"""

import numpy as np
from scipy.interpolate import PchipInterpolator

_ROOM = 25.0
_WATTS = np.array([7.2, 12.0, 24.0])
_CURVES = [
    PchipInterpolator(np.array(minutes) * 60.0, np.array(celsius) - _ROOM)
    for minutes, celsius in (
        ((0, 0.1, 4.0, 8.1, 18.0, 60.0), (25, 29.9, 80, 105, 130, 138)),
        ((0, 0.1, 1.9, 3.6, 5.9, 9.5, 60.0), (25, 33.1, 80, 105, 130, 155, 190)),
        ((0, 0.1, 1.6, 3.3, 5.3, 8.1, 60.0), (25, 33.6, 80, 105, 130, 155, 225)),
    )
]


def held_for(watts, seconds):
    """Kelvin gained by a coil of so many watts that has been on for so long."""
    at = np.clip(seconds, 0.0, 3600.0)
    gains = [float(curve(at)) for curve in _CURVES]
    return float(np.interp(watts, _WATTS, gains) * min(watts / _WATTS[0], 1.0))


def warmed(watts, spells, at_s):
    """Kelvin above the room at a moment, after on-times (start, end) in seconds."""
    return sum(
        held_for(watts, at_s - start) - held_for(watts, at_s - min(end, at_s))
        for start, end in spells if start < at_s
    )
