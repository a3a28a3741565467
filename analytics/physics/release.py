"""How long should a release take? A magnet after the cut, and a solenoid after it is switched on.

Magnet. Flux linkage ``lambda`` follows the current by a saturating curve (Frohlich)
``lambda = L i / (1 + i / knee)``. After the cut, with a path of voltage ``clamp`` (a diode's
0.8 V, more with a clamp) and iron whose own currents fade with ``iron_s``::

    d lambda / dt = - min( (R i + clamp) / (1 + iron_s R / L),  i L / iron_s )

where i is the current that belongs to lambda. The first rate holds while the path conducts,
the second once it does not; a coil without a path has only the second. The armature
releases where the flux has fallen to ``drop_fraction`` of rated; release time is the integral
down to there, plus the time of the motion. Units: seconds, ohms, henry, volts. Without
saturation and iron it is the textbook decay ``tau ln((I0 + Vd/R) / (Ir + Vd/R))``.

Solenoid. Current rises with ``tau = L / R``; the plunger moves when it reaches the pull-in
current, which needs at least the voltage ``stall``. With copper at temperature T,
``r = R(T) / R(20)``::

    t = dead + rise / r * -ln(1 - stall r / volts)

and never if ``stall r >= volts``. Range: 12 and 24 V holding magnets and pulsed latches;
right in direction and ratio, not in absolute milliseconds, until fitted to a lock
(:mod:`remanence.analytics.physics.release_fit`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from remanence.analytics.physics.cable import COPPER_PER_KELVIN, REFERENCE_CELSIUS
from remanence.analytics.statistics.arrays import Reals

DIODE_VOLTS = 0.8
"""Forward drop of a diode in the freewheel path. [V] (1N4001 datasheets of three makers: at most
1.0 to 1.1 V at 1 A, 0.7 to 1.1 V as a modelling range.)"""

TVS_VOLTS = 24.0 + DIODE_VOLTS
"""A common 24 V clamp with its diode (common practice, no source)."""

KNEE = 0.25
"""Knee of a holding magnet's flux curve as a share of rated current (calculated, generic: makes
hold fall by 4 % at 10 % less volts)."""

STALL_SHARE = 0.77
"""Stall voltage of a cold latch as a share of rated volts (calculated, generic)."""

_GAUSS = np.polynomial.legendre.leggauss(64)
"""Points and weights of the integral: it agrees with a solution in time to 0.2 %."""

CLAMP_VOLTS = {"diode": DIODE_VOLTS, "tvs": TVS_VOLTS, "none": math.inf}


def copper_ratio(celsius: npt.ArrayLike) -> Reals:
    """Resistance of copper relative to that at 20 degrees Celsius.

    Parameters
    ----------
    celsius : array_like
        Temperatures. [degrees Celsius]

    Returns
    -------
    numpy.ndarray
        Of the same shape; linear, 0.393 % per kelvin (IACS).
    """
    return 1.0 + COPPER_PER_KELVIN * (np.asarray(celsius, dtype=float) - REFERENCE_CELSIUS)


@dataclass(frozen=True)
class Magnet:
    """A holding magnet as the release model sees it.

    Attributes
    ----------
    ohms : float
        Coil at 20 degrees Celsius.
    henry : float
        Inductance with the armature on, far below saturation.
    rated_volts : float
        At which the flux is the rated one.
    clamp_volts : float
        Of the path that takes the current after the cut; infinite for none.
    iron_s : float, default 0.02
        Time constant of currents in the iron itself. [s] 5 to 20 ms laminated, 10 to 100 ms
        solid (calculated).
    knee_share : float, default 0.25
        Knee of the flux curve, as a share of rated current; infinity for none.
    drop_fraction : float, default 0.19
        Share of rated flux at which the armature releases: root of pull over hold.
    motion_s : float, default 0.0
        Time the plunger takes to move the plate. [s]
    """

    ohms: float
    henry: float
    rated_volts: float
    clamp_volts: float
    iron_s: float = 0.02
    knee_share: float = KNEE
    drop_fraction: float = 0.19
    motion_s: float = 0.0

    def flux(self, amps: npt.ArrayLike) -> Reals:
        """Flux linkage at a current, by the saturating curve of this module.

        Parameters
        ----------
        amps : array_like
            Current, 0 or more.

        Returns
        -------
        numpy.ndarray
            Volt seconds, of the same shape.
        """
        current = np.asarray(amps, dtype=float)
        return self.henry * current / (1 + current / self._knee)

    def current(self, flux: npt.ArrayLike) -> Reals:
        """Current that belongs to a flux linkage: the inverse of :meth:`flux`.

        Parameters
        ----------
        flux : array_like
            Volt seconds, below saturation.

        Returns
        -------
        numpy.ndarray
            Amps, of the same shape.
        """
        share = np.asarray(flux, dtype=float) / self.henry
        return share / (1 - share / self._knee)

    @property
    def _knee(self) -> float:
        return self.knee_share * self.rated_volts / self.ohms

    def release_ms(self, volts: float, celsius: float = 20.0) -> float:
        """Time from the cut until the armature releases.

        Parameters
        ----------
        volts : float
            At the coil before the cut.
        celsius : float, default 20.0
            Of the winding.

        Returns
        -------
        float
            Milliseconds; 0 where the volts are too low to hold the armature.
        """
        ohms = self.ohms * float(copper_ratio(celsius))
        drop = self.drop_fraction * float(self.flux(self.rated_volts / self.ohms))
        start = float(self.flux(volts / ohms))
        if start <= drop:
            return 0.0
        # Even steps of the logarithm: the rate falls with the flux. Gauss-Legendre points.
        node, weight = _GAUSS
        middle, half = math.log(start * drop) / 2, math.log(start / drop) / 2
        flux = np.exp(middle + half * node)
        seconds = float(np.sum(weight * half * flux / self._rate(self.current(flux), ohms)))
        return 1000.0 * (seconds + self.motion_s)

    def _rate(self, amps: Reals, ohms: float) -> Reals:
        iron = np.full_like(amps, np.inf) if self.iron_s == 0 else amps * self.henry / self.iron_s
        if math.isinf(self.clamp_volts):
            return iron
        path = (ohms * amps + self.clamp_volts) / (1 + self.iron_s * ohms / self.henry)
        return np.minimum(path, iron)


@dataclass(frozen=True)
class Solenoid:
    """A pulsed latch as the release model sees it.

    Attributes
    ----------
    rise_ms : float
        Scale of the current's rise, at 20 degrees. [ms]
    stall_volts : float
        Rail volts that just move the catch, at 20 degrees. [V]
    dead_ms : float, default 0.0
        What is added at any voltage: driver, motion at full force. [ms]
    """

    rise_ms: float
    stall_volts: float
    dead_ms: float = 0.0

    def latency_ms(self, volts: npt.ArrayLike, celsius: npt.ArrayLike = 20.0) -> Reals:
        """Latency at rail volts under load and a coil temperature, by the equation of this module.

        Parameters
        ----------
        volts : array_like
            Rail volts with this coil on, above 0.
        celsius : array_like, default 20.0
            Of the winding; of the shape of ``volts``, or one that fits it.

        Returns
        -------
        numpy.ndarray
            Milliseconds; infinity where it stalls.
        """
        latency: Reals = self.dead_ms + solenoid_latency_ms(
            self.rise_ms, self.stall_volts, volts, celsius)
        return latency


def solenoid_latency_ms(
    rise_ms: float, stall_volts: npt.ArrayLike, volts: npt.ArrayLike, celsius: npt.ArrayLike
) -> Reals:
    """Latency of latches beyond their dead time, by the equation of this module.

    Parameters
    ----------
    rise_ms : float
        Scale of the current's rise, at 20 degrees. [ms]
    stall_volts, volts, celsius : array_like
        As in :class:`Solenoid` and its latency; of shapes that fit one another.

    Returns
    -------
    numpy.ndarray
        Milliseconds, of their common shape; infinity where it stalls.
    """
    ratio = copper_ratio(celsius)
    share = np.asarray(stall_volts, dtype=float) * ratio / np.asarray(volts, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        rise = -np.log1p(-np.minimum(share, 1.0))
    latency: Reals = rise_ms / ratio * rise
    return latency
