"""How warm does a coil get that is switched on and off? The thermal model of one coil.

Equation: the coil's temperature rise is a sum of first-order terms (a Foster network). While the
coil is on, each term rises towards ``power x resistance`` with its own time constant; while it is
off, each term falls towards zero. Between events a term is an exact exponential. The power
depends on the copper: ``P = V^2 R / (R + R_cable)^2`` with R at the coil's temperature, computed
again as in ``PIECES`` while a coil stays on. Units: volts, ohms, watts, kelvin per watt, seconds.
Range: coils of 4 to 40 W, up to about 250 degrees Celsius. There is one time constant where the
maker states one, else two (winding and frame).

Source of the default: two-mass model with 8 J/K and 20 J/K, 3 K/W and 20 K/W for small
coils, 15 and 45 J/K, 2 and 13 K/W for larger ones, calculated from generic sizes of cabinet
latches: right in direction and ratio, a factor of two either way in absolute terms.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from remanence.analytics.physics.cable import (
    COPPER_ZERO_CELSIUS,
    REFERENCE_CELSIUS,
    cable_ohms,
    copper_ohms,
)
from remanence.analytics.statistics.arrays import Reals
from remanence.shared.limits import Limits
from remanence.shared.venue import Lock

CLASS_CELSIUS = {"A": 105.0, "E": 120.0, "B": 130.0, "F": 155.0, "H": 180.0}
"""Temperature limit of each insulation class (IEC 60085)."""

LARGER_WATTS = 18.0
"""A coil of more power than this counts as the larger size (common practice, no source)."""

ESTIMATE_FACTOR = 2.0
"""An estimated rise is good to this factor either way (calculated, generic sizes)."""

PIECES = ((0.0, 60.0, 1.0), (60.0, 600.0, 5.0), (600.0, 7201.0, 60.0))
"""Power is computed again at these times of a long on-time: from, to, step. [s] Often at first,
more rarely as the coil nears its final temperature, and never after two hours. The result agrees
with SciPy's solution in time to 1 % of the rise."""

HALVINGS = 60
"""Halvings of the bisection for the steady temperature: to the last bit of a double."""

WHOLE_COURSE = 12
"""After so many of the longest time constants a coil is as hot as it gets (exp(-12) is 6e-6)."""

LEAST_STEP_S, STEP_SHARE = 0.25, 0.02
"""Steps in which a held coil's course is followed: at least so many seconds, and this share of
the time since the start. The time to the limit is then good to about 1 %."""


def foster(
    winding_joule_per_kelvin: float, winding_kelvin_per_watt: float,
    frame_joule_per_kelvin: float, frame_kelvin_per_watt: float,
) -> tuple[tuple[float, float], ...]:
    """Thermal network of a winding that warms a frame that warms the room, as a sum of terms.

    Parameters
    ----------
    winding_joule_per_kelvin, frame_joule_per_kelvin : float
        Heat that each stores. [J/K]
    winding_kelvin_per_watt, frame_kelvin_per_watt : float
        Thermal resistance from winding to frame, and from frame to room. [K/W]

    Returns
    -------
    tuple of (float, float)
        Two terms of (kelvin per watt, seconds), the faster first; their kelvin per watt add up
        to both resistances.

    Notes
    -----
    Exact: eigenvalues of the two-mass system (Cauer to Foster network, textbook).
    """
    c1, r1 = winding_joule_per_kelvin, winding_kelvin_per_watt
    c2, r2 = frame_joule_per_kelvin, frame_kelvin_per_watt
    # Eigenvalues of the two-mass system; its trace and determinant.
    trace = 1 / (r1 * c1) + 1 / (r1 * c2) + 1 / (r2 * c2)
    determinant = 1 / (r1 * c1 * r2 * c2)
    root = math.sqrt(trace * trace - 4 * determinant)
    fast, slow = 2 / (trace + root), 2 / (trace - root)
    # The terms add up to both resistances and, at the start, to a rate of 1 / c1.
    share = (1 / c1 - (r1 + r2) / slow) / (1 / fast - 1 / slow)
    return ((share, fast), (r1 + r2 - share, slow))


SMALL_COIL = foster(8.0, 3.0, 20.0, 20.0)
LARGER_COIL = foster(15.0, 2.0, 45.0, 13.0)


@dataclass(frozen=True)
class Thermal:
    """What is known of one coil: electrical data, thermal data, and its temperature limit.

    Attributes
    ----------
    ohms, cable_ohms : float
        Winding at 20 degrees Celsius and cable loop.
    volts : float
        At the rail while the coil is on.
    terms : tuple of (kelvin per watt, seconds)
        The thermal network.
    ambient_celsius, limit_celsius : float
        Surroundings, and limit of the winding.
    generic : bool
        True where the thermal network is that of a generic coil.
    estimated : bool
        True where the network or the limit is assumed.
    """

    ohms: float
    cable_ohms: float
    volts: float
    terms: tuple[tuple[float, float], ...]
    ambient_celsius: float
    limit_celsius: float
    generic: bool
    estimated: bool

    def watts(self, celsius: float) -> float:
        """Heat in the winding when it is on at this temperature.

        Parameters
        ----------
        celsius : float
            Of the winding.

        Returns
        -------
        float
            Watts: volts squared times R over (R + cable) squared, R at that temperature.
        """
        ohms = copper_ohms(self.ohms, celsius)
        return self.volts**2 * ohms / (ohms + self.cable_ohms) ** 2

    @property
    def steady_celsius(self) -> float:
        """Temperature of a coil that stays on. [degrees Celsius]"""
        total = sum(kelvin for kelvin, _ in self.terms)
        low, high = self.ambient_celsius, self.ambient_celsius + total * self.watts(
            self.ambient_celsius
        )
        for _ in range(HALVINGS):  # power falls with temperature: bisection cannot miss
            middle = (low + high) / 2
            if self.ambient_celsius + total * self.watts(middle) > middle:
                low = middle
            else:
                high = middle
        return (low + high) / 2


def thermal_of(lock: Lock, limits: Limits, volts: float | None = None) -> Thermal | None:
    """Thermal data of a coil: what the venue file states, and generic data for the rest.

    Parameters
    ----------
    lock : Lock
        ``coil_rise_kelvin`` with ``coil_time_minutes`` give the single-term model;
        ``insulation_class`` the limit.
    limits : Limits
        ``ambient_celsius`` and ``coil_limit_celsius``.
    volts : float, optional
        Rail volts while the coil is on; rated volts where not given.

    Returns
    -------
    Thermal or None
        None where neither resistance nor current of the coil is stated.

    Raises
    ------
    KeyError
        ``insulation_class`` is none of A, E, B, F, H (the venue file allows no other).

    Notes
    -----
    Limits of the insulation classes: IEC 60085.
    """
    if lock.ohms is None:
        return None
    generic = False
    if lock.coil_rise_kelvin is not None and lock.coil_time_minutes is not None:
        # The stated rise is that of the warm coil: power at the temperature it ends at.
        end = limits.ambient_celsius + lock.coil_rise_kelvin
        power = lock.rated_volts**2 / copper_ohms(lock.ohms, end)
        terms: tuple[tuple[float, float], ...] = (
            (lock.coil_rise_kelvin / power, 60.0 * lock.coil_time_minutes),
        )
    else:
        larger = lock.rated_volts**2 / lock.ohms > LARGER_WATTS
        terms, generic = LARGER_COIL if larger else SMALL_COIL, True
    if lock.insulation_class is not None:
        limit = CLASS_CELSIUS[lock.insulation_class]
    else:
        limit = limits.coil_limit_celsius
    return Thermal(
        lock.ohms, cable_ohms(lock) or 0.0, volts if volts is not None else lock.rated_volts,
        terms, limits.ambient_celsius, limit, generic,
        generic or lock.insulation_class is None,
    )


def pulse_heat(
    thermal: Thermal, start_s: npt.ArrayLike, on_s: npt.ArrayLike
) -> tuple[Reals, Reals, Reals]:
    """Temperature of a coil at the start and at the end of each of its on-times.

    Parameters
    ----------
    thermal : Thermal
        The coil.
    start_s, on_s : array_like, shape (n,)
        When each on-time begins, rising, and how long it lasts. [s] One that overlaps the
        next is cut where the next begins.

    Returns
    -------
    before_celsius, after_celsius, split_celsius : numpy.ndarray, shapes (n,), (n,), (n, terms)
        Coil temperature when switched on, when switched off (the hottest of that on-time), and
        the rise of each thermal term then. [K]

    Notes
    -----
    Each term is an exact exponential between events; power is computed again as in ``PIECES``.
    """
    start = np.asarray(start_s, dtype=float)
    on = np.asarray(on_s, dtype=float)
    count, terms = start.size, len(thermal.terms)
    if count == 0:
        return np.zeros(0), np.zeros(0), np.zeros((0, terms))
    on = np.minimum(on, np.append(np.diff(start), np.inf))
    off = np.append(0.0, np.maximum(start[1:] - start[:-1] - on[:-1], 0.0))
    index, piece_on, piece_off = _pieces(on, off)
    kelvin = [term[0] for term in thermal.terms]
    keep_on = [np.exp(-piece_on / term[1]).tolist() for term in thermal.terms]
    keep_off = [np.exp(-piece_off / term[1]).tolist() for term in thermal.terms]
    rise = [0.0] * terms
    begin = np.empty(piece_on.size)
    ends = np.empty((piece_on.size, terms))
    ambient = thermal.ambient_celsius
    cold = thermal.ohms / (COPPER_ZERO_CELSIUS + REFERENCE_CELSIUS)
    square, wire = thermal.volts**2, thermal.cable_ohms
    for step in range(piece_on.size):
        total = ambient
        for term in range(terms):
            rise[term] *= keep_off[term][step]
            total += rise[term]
        begin[step] = total
        ohms = cold * (COPPER_ZERO_CELSIUS + total)
        watts = square * ohms / (ohms + wire) ** 2
        for term in range(terms):
            kept = keep_on[term][step]
            rise[term] = rise[term] * kept + watts * kelvin[term] * (1 - kept)
            ends[step, term] = rise[term]
    opens = np.append(True, index[1:] != index[:-1])
    closes = np.append(index[1:] != index[:-1], True)
    split = ends[closes]
    return begin[opens], ambient + split.sum(axis=1), split


def _pieces(on: Reals, off: Reals) -> tuple[npt.NDArray[np.int64], Reals, Reals]:
    """Cut long on-times into pieces over which the power hardly changes."""
    edges = np.unique(np.concatenate([np.arange(*piece) for piece in PIECES]))[1:]
    counts = np.searchsorted(edges, on, side="left") + 1
    index = np.repeat(np.arange(on.size), counts)
    inside = np.arange(index.size) - np.repeat(np.cumsum(counts) - counts, counts)
    starts = np.append(0.0, edges)[inside]
    stops = np.minimum(np.append(edges, np.inf)[inside], on[index])
    piece_off = np.where(inside == 0, off[index], 0.0)
    return index, np.maximum(stops - starts, 0.0), piece_off


def held_seconds(
    thermal: Thermal, celsius: float, split_kelvin: npt.ArrayLike | None = None
) -> float | None:
    """How long a held button takes to bring the coil to ``celsius``.

    Parameters
    ----------
    thermal : Thermal
        The coil.
    celsius : float
        Temperature to reach. [degrees Celsius]
    split_kelvin : array_like, shape (terms,), optional
        Rise of each thermal term at the start; a coil at ambient where not given. [K]

    Returns
    -------
    float or None
        Seconds, to about 1 %; 0 where it is there already; None where it never gets there.
    """
    terms = thermal.terms
    rise = [0.0] * len(terms) if split_kelvin is None else [
        float(item) for item in np.asarray(split_kelvin, dtype=float)
    ]
    now = thermal.ambient_celsius + sum(rise)
    if now >= celsius:
        return 0.0
    if thermal.steady_celsius <= celsius:
        return None
    elapsed, longest = 0.0, WHOLE_COURSE * max(tau for _, tau in terms)
    while elapsed < longest:
        step = max(LEAST_STEP_S, elapsed * STEP_SHARE)
        power = thermal.watts(now)
        rise = [
            power * kelvin + (old - power * kelvin) * math.exp(-step / tau)
            for old, (kelvin, tau) in zip(rise, terms, strict=True)
        ]
        then = thermal.ambient_celsius + sum(rise)
        if then >= celsius:
            return elapsed + step * (celsius - now) / (then - now)
        now, elapsed = then, elapsed + step
    return None
