"""How hard does a magnet hold at these volts and this temperature?

Equation: force goes with the square of the flux (Maxwell's pull, F = B^2 A / 2 mu0); flux
follows the current by the same saturating curve as in :mod:`remanence.analytics.physics.release`;
current is volts over the copper's resistance. So

    F / F_rated = (u (1 + k) / (u + k))^2,   u = I / I_rated, k the knee's share.

Units: volts, ohms, newtons, degrees Celsius. Range: a clean plate flat on the face. The knee is
generic, so every force is an estimate. Dirt or a tilted plate takes off far more than volts or
warmth do, and no log shows that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from remanence.analytics.physics.cable import cable_ohms
from remanence.analytics.physics.release import KNEE, copper_ratio
from remanence.shared.venue import Lock

KNEES = (KNEE / 3, math.inf)
"""The knee is not known: from strong saturation, a third of the generic one, to none."""


def hold_share(current_share: float, knee: float = KNEE) -> float:
    """Holding force relative to rated, at a current relative to rated.

    Parameters
    ----------
    current_share : float
        Current over rated current; 1 gives 1.
    knee : float, default 0.25
        Knee of the flux curve as a share of rated current; infinity for no saturation.

    Returns
    -------
    float
        Share of the rated force, by the equation of this module.
    """
    if math.isinf(knee):
        return current_share**2
    return (current_share * (1 + knee) / (current_share + knee)) ** 2


@dataclass(frozen=True)
class Hold:
    """What a magnet holds.

    Attributes
    ----------
    lock : str
        Its id.
    volts, celsius : float
        What it was asked for: rail volts and winding temperature.
    percent_of_rated, low_percent, high_percent : float
        Force in per cent of rated; low and high bracket the knee between strong saturation and
        none.
    newtons, low_newtons : float or None
        The same as a force; None where the venue file states no ``holding_newtons``.
    margin_percent : float or None
        How far ``low_newtons`` is above the pull asked for; None without either.
    """

    lock: str
    volts: float
    celsius: float
    percent_of_rated: float
    low_percent: float
    high_percent: float
    newtons: float | None
    low_newtons: float | None
    margin_percent: float | None


def holding_force(
    lock: Lock, rail_volts: float, celsius: float = 45.0, pull: float | None = None
) -> Hold | None:
    """Holding force of a magnet at rail volts and coil temperature.

    Parameters
    ----------
    lock : Lock
        Rated volts, coil, cable and, if stated, ``holding_newtons``.
    rail_volts : float
        Of the rail with the magnet on. [V]
    celsius : float, default 45.0
        Of the winding: a magnet that is on all day is 20 K warmer than its room (common
        practice, no source). [degrees Celsius]
    pull : float, optional
        Newtons a player may pull; gives the margin against it, from the low force.

    Returns
    -------
    Hold or None
        None for a lock that is not a magnet.
    """
    if not lock.is_magnet:
        return None
    loop = cable_ohms(lock) or 0.0
    ratio = float(copper_ratio(celsius))
    if lock.ohms is not None:
        share = rail_volts / (lock.ohms * ratio + loop) / (lock.rated_volts / lock.ohms)
    else:
        share = rail_volts / lock.rated_volts / ratio
    percent = 100 * hold_share(share)
    bounds = sorted(100 * hold_share(share, knee) for knee in KNEES)
    newtons = low = margin = None
    if lock.holding_newtons is not None:
        newtons = lock.holding_newtons * percent / 100
        low = lock.holding_newtons * bounds[0] / 100
        if pull:
            margin = 100 * (low / pull - 1)
    return Hold(
        lock.id, rail_volts, celsius, percent, bounds[0], bounds[1], newtons, low, margin,
    )
