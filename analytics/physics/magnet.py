"""How hard does a magnet hold at these volts and this temperature?

Equation: force goes with the square of the flux (Maxwell's pull, F = B^2 A / 2 mu0); flux
follows the current by the same saturating curve as in :mod:`remanence.analytics.physics.release`;
current is volts over the copper's resistance. So

    F / F_rated = (u (1 + k) / (u + k))^2,   u = I / I_rated, k the knee's share.

Units: volts, ohms, newtons, degrees Celsius. Range: plate flat on the face. Caveat, to be
said with every figure: the knee is generic, and dirt or a tilted plate takes off far more
than volts or warmth do; no log shows that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from remanence.analytics.physics.cable import cable_ohms
from remanence.analytics.physics.release import KNEE, copper_ratio
from remanence.shared.venue import Lock

MU0 = 4e-7 * math.pi
"""Permeability of free space. [H/m]"""


def pull_pascal(tesla: float) -> float:
    """Maxwell's pull on a pole face, per area.

    Parameters
    ----------
    tesla : float
        Flux density at the face.

    Returns
    -------
    float
        Pascal: B squared over twice the permeability of free space (textbook).
    """
    return tesla**2 / (2 * MU0)


def pull_newtons(ampere_turns: float, square_metres: float, gap_metres: float) -> float:
    """Pull over an air gap, iron's own share neglected: ``(NI)^2 mu0 A / 2 g^2`` (textbook).

    Parameters
    ----------
    ampere_turns : float
        Current times turns. [A]
    square_metres : float
        Pole area. [m2]
    gap_metres : float
        Length of the gap, above 0. [m]

    Returns
    -------
    float
        Newtons; an upper bound, as iron and stray flux take their share.
    """
    return ampere_turns**2 * MU0 * square_metres / (2 * gap_metres**2)


def gap_tesla(newtons: float, square_metres: float) -> float:
    """Flux density that gives this pull over this total pole area (Maxwell's pull, textbook).

    Parameters
    ----------
    newtons : float
        The pull, 0 or more.
    square_metres : float
        Total pole area. [m2]

    Returns
    -------
    float
        Tesla.
    """
    return math.sqrt(2 * MU0 * newtons / square_metres)


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
        How far ``low_newtons`` stands over the pull asked for; None without either.
    estimated : bool
        Always true: the knee is generic.
    caveat : str
        What no log can show, to be said with every figure.
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
        Of the rail with the magnet on. [V]
    celsius : float, default 45.0
        Of the winding: a magnet that is on all day runs some 20 K over its room (common
        practice, no source). [degrees Celsius]
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
