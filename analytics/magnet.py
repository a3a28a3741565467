"""How hard does a magnet hold at these volts and this temperature?

Equation: force goes with the square of the flux (Maxwell's pull, F = B^2 A / 2 mu0); flux
follows the current by the same saturating curve as in :mod:`analytics.release`; current is
volts over the copper's resistance. So

    F / F_rated = (u (1 + k) / (u + k))^2,   u = I / I_rated, k the knee's share.

Units: volts, ohms, newtons, degrees Celsius. Range: plate flat on the face. Caveat, to be
said with every figure: the knee is generic, and dirt or a tilted plate takes off far more
than volts or warmth do; no log shows that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from analytics.cable import cable_ohms
from analytics.release import KNEE, copper_ratio
from shared.venue import Lock

MU0 = 4e-7 * math.pi
"""Permeability of free space. [H/m]"""


def pull_pascal(tesla: float) -> float:
    """Maxwell's pull on a pole face, per area."""
    return tesla**2 / (2 * MU0)


def pull_newtons(ampere_turns: float, square_metres: float, gap_metres: float) -> float:
    """Pull over an air gap, iron's own share neglected: ``(NI)^2 mu0 A / 2 g^2``."""
    return ampere_turns**2 * MU0 * square_metres / (2 * gap_metres**2)


def gap_tesla(newtons: float, square_metres: float) -> float:
    """Flux density that gives this pull over this total pole area."""
    return math.sqrt(2 * MU0 * newtons / square_metres)


def hold_share(current_share: float, knee: float = KNEE) -> float:
    """Holding force relative to rated at a current relative to rated."""
    if math.isinf(knee):
        return current_share**2
    return (current_share * (1 + knee) / (current_share + knee)) ** 2


@dataclass(frozen=True)
class Hold:
    """What a magnet holds.

    ``newtons`` and ``margin_percent`` are None where the venue file states no
    ``holding_newtons``. ``low_percent`` and ``high_percent`` bracket the knee between strong
    saturation and none. ``estimated`` is always true: the knee is generic.
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
    estimated: bool
    caveat: str


def holding_force(
    lock: Lock, rail_volts: float, celsius: float = 45.0, pull: float | None = None
) -> Hold | None:
    """Holding force of a magnet at rail volts and coil temperature.

    Parameters
    ----------
    lock : Lock
        Rated volts, coil, cable and, if stated, ``holding_newtons``.
    rail_volts : float
        Of the rail with the magnet on.
    celsius : float, default 45.0
        Of the winding: a magnet that is on all day runs some 20 K over its room (common
        practice, no source).
    pull : float, optional
        Newtons a player may pull; gives the margin against it, from the low force.

    Returns
    -------
    Hold or None
        None for a lock that is no magnet.
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
    bounds = sorted(100 * hold_share(share, knee) for knee in (KNEE / 3, math.inf))
    newtons = low = margin = None
    if lock.holding_newtons is not None:
        newtons = lock.holding_newtons * percent / 100
        low = lock.holding_newtons * bounds[0] / 100
        if pull:
            margin = 100 * (low / pull - 1)
    return Hold(
        lock.id, rail_volts, celsius, percent, bounds[0], bounds[1], newtons, low, margin, True,
        "Calculated for a clean plate flat on the face; a gap or dirt takes off more, and no "
        "log shows it.",
    )
