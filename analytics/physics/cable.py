"""What the cable takes: copper, wire gauges, and the volts left at a lock's own terminals.

Equations: resistance = resistivity x length / area; resistance rises linearly with
temperature about 20 degrees Celsius; a lock and its cable divide the rail's volts by
Ohm's law. Range: direct current, copper, -40 to 200 degrees Celsius.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from remanence.shared.venue import Lock

COPPER_OHM_MM2_PER_METRE = 1 / 58
"""Annealed copper at 20 degrees Celsius (International Annealed Copper Standard)."""

COPPER_ZERO_CELSIUS = 234.5
"""Copper's resistance is proportional to this plus its temperature in degrees Celsius (IACS;
IEEE practice. IEC 60034-1 uses 235, which moves a winding temperature by 0.2 %)."""

REFERENCE_CELSIUS = 20.0
"""At which resistances are stated (International Annealed Copper Standard)."""

COPPER_PER_KELVIN = 1 / (COPPER_ZERO_CELSIUS + REFERENCE_CELSIUS)
"""Temperature coefficient at 20 degrees Celsius: 0.00393 per kelvin."""

IEC_60228_OHM_PER_KM = {0.5: 39.0, 0.75: 26.0, 1.0: 19.5, 1.5: 13.3, 2.5: 7.98, 4.0: 4.95}
"""Most resistance a flexible conductor (class 5) may have at 20 degrees Celsius, plain annealed
copper, by mm2 (IEC 60228:2004, table 3, as reproduced in public documents)."""

OTHER_SIZES = 1.13
"""Other sizes are taken at the resistance of their nominal area times this, as the table's thin
sizes are; the thicker ones reach 1.16."""

SAME_SIZE = 1e-3
"""Areas this near to each other, as a share, are one size written in two ways."""

SIZES_MM2 = (0.14, 0.22, 0.34, 0.5, 0.75, 1.0, 1.5, 2.5, 4.0, 6.0, 10.0)
"""Cross-sections that can be bought (common practice)."""


def copper_ohms(ohms_at_20: float, celsius: float) -> float:
    """Resistance of a copper winding or wire at ``celsius`` from that at 20 degrees.

    Parameters
    ----------
    ohms_at_20 : float
        Resistance at 20 degrees Celsius. [ohm]
    celsius : float
        Temperature of the copper. [degrees Celsius]

    Returns
    -------
    float
        Ohms: linear in temperature, proportional to 234.5 plus degrees Celsius
        (International Annealed Copper Standard; IEEE practice).
    """
    return ohms_at_20 * (COPPER_ZERO_CELSIUS + celsius) / (COPPER_ZERO_CELSIUS + REFERENCE_CELSIUS)


def copper_celsius(ohms: float, ohms_before: float, celsius_before: float) -> float:
    """Winding temperature by the resistance method (IEC 60034-1, 8.6.2, with k = 234.5).

    Parameters
    ----------
    ohms : float
        Resistance now. [ohm]
    ohms_before : float
        Resistance of the same winding at the known temperature, not 0. [ohm]
    celsius_before : float
        That temperature. [degrees Celsius]

    Returns
    -------
    float
        Mean temperature of the winding now, degrees Celsius.
    """
    return ohms / ohms_before * (COPPER_ZERO_CELSIUS + celsius_before) - COPPER_ZERO_CELSIUS


def awg_metres(gauge: int) -> float:
    """Diameter of a solid wire of American Wire Gauge ``gauge`` (ASTM B258).

    Parameters
    ----------
    gauge : int
        The gauge; a larger number is a thinner wire.

    Returns
    -------
    float
        Metres, bare copper.
    """
    return 0.0254 * 0.005 * math.pow(92.0, (36 - gauge) / 39)


def awg_mm2(gauge: int) -> float:
    """Cross-section of a solid wire of American Wire Gauge ``gauge`` (ASTM B258).

    Parameters
    ----------
    gauge : int
        The gauge.

    Returns
    -------
    float
        Square millimetres.
    """
    return math.pi / 4 * (awg_metres(gauge) * 1000) ** 2


def wire_ohms(metres: float, mm2: float, celsius: float = 20.0) -> float:
    """Resistance of one copper conductor by its nominal area, for wires without a table.

    Parameters
    ----------
    metres : float
        Length of the one conductor. [m]
    mm2 : float
        Cross-section, above 0. [mm2]
    celsius : float, default 20.0
        Temperature of the conductor. [degrees Celsius]

    Returns
    -------
    float
        Ohms: resistivity of annealed copper (1/58 ohm mm2 per metre at 20 degrees, IACS)
        times length over area.
    """
    return copper_ohms(COPPER_OHM_MM2_PER_METRE * metres / mm2, celsius)


def conductor_ohms(metres: float, mm2: float, celsius: float = 20.0) -> float:
    """Resistance of one conductor: the standard's maximum where it names the size.

    Parameters
    ----------
    metres : float
        Length of the one conductor; a lock's loop is twice its cable. [m]
    mm2 : float
        Nominal cross-section. [mm2]
    celsius : float, default 20.0
        Conductor temperature. [degrees Celsius]

    Returns
    -------
    float
        Ohms.

    Notes
    -----
    Maxima of IEC 60228:2004, table 3; for a margin the maximum is the safe figure. Other sizes
    are taken at nominal area plus 13 %, which is an estimate.
    """
    for size, per_km in IEC_60228_OHM_PER_KM.items():
        if math.isclose(size, mm2, rel_tol=SAME_SIZE):
            return copper_ohms(per_km * metres / 1000, celsius)
    return OTHER_SIZES * wire_ohms(metres, mm2, celsius)


def cable_ohms(lock: Lock, celsius: float = 20.0) -> float | None:
    """Loop resistance of a lock's cable, there and back.

    Parameters
    ----------
    lock : Lock
        Its ``cable_metres`` with ``cable_mm2`` (taken first) or ``cable_awg``.
    celsius : float, default 20.0
        Temperature of the cable. [degrees Celsius]

    Returns
    -------
    float or None
        Ohms, by :func:`conductor_ohms` from a cross-section and :func:`wire_ohms` from a gauge;
        None where no length or no size is stated.
    """
    if lock.cable_metres is None:
        return None
    loop = 2 * lock.cable_metres
    if lock.cable_mm2 is not None:
        return conductor_ohms(loop, lock.cable_mm2, celsius)
    if lock.cable_awg is not None:
        return wire_ohms(loop, awg_mm2(lock.cable_awg), celsius)
    return None


@dataclass(frozen=True)
class Branch:
    """What a lock gets at the end of its cable, with its coil on.

    Attributes
    ----------
    lock : str
        Its id.
    rail_volts, terminal_volts, drop_volts : float
        Volts at the rail, at the lock's own terminals, and lost in the cable.
    amps : float
        Current of the coil.
    cable_ohms : float
        Loop of the cable, at the temperature asked for; 0 where no cable is stated.
    percent_of_rated : float
        Terminal volts in per cent of the coil's rated volts.
    """

    lock: str
    rail_volts: float
    terminal_volts: float
    drop_volts: float
    amps: float
    cable_ohms: float
    percent_of_rated: float


def branch(
    lock: Lock, rail_volts: float, *, coil_celsius: float = 20.0, cable_celsius: float = 20.0
) -> Branch | None:
    """Volts at a lock's own terminals while its coil is on.

    Equation: terminal = rail x coil / (coil + loop).

    Parameters
    ----------
    lock : Lock
        Coil and cable as the venue file states them.
    rail_volts : float
        Volts of the rail at that load. Where the supply's volts are ``measured_at``
        ``branch``, the part of the cable before the meter is counted twice.
    coil_celsius, cable_celsius : float, default 20.0
        Temperatures of winding and cable. [degrees Celsius]

    Returns
    -------
    Branch or None
        None where the venue file states neither resistance nor current of the coil. A lock
        without a stated cable is given none.

    Notes
    -----
    Source: Ohm's law.
    """
    if lock.ohms is None:
        return None
    coil = copper_ohms(lock.ohms, coil_celsius)
    loop = cable_ohms(lock, cable_celsius) or 0.0
    amps = rail_volts / (coil + loop)
    terminal = amps * coil
    return Branch(
        lock.id, rail_volts, terminal, rail_volts - terminal, amps, loop,
        100 * terminal / lock.rated_volts,
    )


@dataclass(frozen=True)
class CableNeeded:
    """The thinnest cable that leaves the volts asked for.

    Attributes
    ----------
    mm2 : float or None
        Thinnest cross-section of the list of this module; None where no size in the list will
        do: then the rail, or the length, is what has to change.
    """

    mm2: float | None


def cable_needed(
    lock: Lock, rail_volts: float, needed_percent: float, *, coil_celsius: float = 20.0,
    cable_celsius: float = 20.0,
) -> CableNeeded | None:
    """The cable that leaves at least ``needed_percent`` of rated volts at the lock.

    Parameters
    ----------
    lock : Lock
        Its coil, ``rated_volts`` and ``cable_metres``.
    rail_volts : float
        Volts of the rail with the coil on. [V]
    needed_percent : float
        Least volts at the terminals, in per cent of the coil's rated volts, above 0.
    coil_celsius, cable_celsius : float, default 20.0
        Temperatures of winding and cable. [degrees Celsius]

    Returns
    -------
    CableNeeded or None
        None where the coil's resistance or the cable's length is not stated.

    Notes
    -----
    Source: Ohm's law; cross-sections at the standard's maximum (:func:`conductor_ohms`).
    """
    if lock.ohms is None or not lock.cable_metres:
        return None
    coil = copper_ohms(lock.ohms, coil_celsius)
    needed = lock.rated_volts * needed_percent / 100
    most = coil * (rail_volts / needed - 1)
    loop = 2 * lock.cable_metres
    return CableNeeded(next(
        (mm2 for mm2 in SIZES_MM2 if conductor_ohms(loop, mm2, cable_celsius) <= most), None
    ))
