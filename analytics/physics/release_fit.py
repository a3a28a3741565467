"""How much of a change in latency do the supply and the coil's heat explain, lock by lock?

The physical form is the prior: a latch's latency goes as in
:class:`remanence.analytics.physics.release.Solenoid`, with its scale free and its stall voltage
near what such latches have; a magnet's as in :class:`remanence.analytics.physics.release.Magnet`,
where volts hardly matter. A lock's own releases then move the stall voltage as far as the data
allow.

Method: the stall voltage as a share of rated volts is taken over a grid; at each value the
scale is the median of the log ratios, the residuals are judged by Huber's loss in units of the
robust scatter, and a normal prior is added. The result is a weight for each value of the grid, so
each answer carries the uncertainty of the fit. Range: releases that were seen at the lock (catch,
armature, supply); a door's contact includes a person's time and is not explained.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy import special

from remanence.analytics.physics.latency import within_resolution
from remanence.analytics.physics.release import (
    CLAMP_VOLTS,
    STALL_SHARE,
    Magnet,
    solenoid_latency_ms,
)
from remanence.analytics.statistics.arrays import Reals
from remanence.analytics.statistics.intervals import robust_deviation
from remanence.analytics.statistics.robust import HUBER_TUNING
from remanence.analytics.statistics.survival import product_limit
from remanence.shared.table import equals, reals, require
from remanence.shared.tables import ACTUATIONS
from remanence.shared.venue import Lock

STALL_SPREAD = 0.06
"""Spread (standard deviation) of stall over rated volts among latches (calculated, generic)."""

FEWEST_RELEASES = 12
"""Fewer releases than this leave the prior alone."""

VOLTS_VARY = 0.03
"""Volts must vary by this share (middle 90 %) before a stall margin is stated (trade
practice)."""

MAGNET_SECONDS = 0.1
"""Generic time constant of a holding magnet's coil. [s] (50 to 200 ms, calculated)"""

MOSTLY = 0.7
"""Where one step of the polling holds more of the releases than this, the interval of the median
is at least that step: nothing is known inside it if the polling runs in step with the command."""

GRID = np.linspace(0.40, 0.98, 117)
"""Stall voltages tried, over rated: from a latch that works at half its volts to one that barely
works at rated volts, in steps of half a per cent."""

VOLTS_TRIED = np.linspace(0.7, 1.3, 25)
"""Rail volts over rated for which a magnet's release is worked out; between them it is straight to
a fraction of a per cent, and no rail works outside them."""

VOLTS_LOW, VOLTS_HIGH = 0.05, 0.95
"""The middle 90 % of the volts: single readings of a loaded rail lie far outside."""

USUAL_OHMS_PER_VOLT = 2.0
"""Coil of a magnet that states none: about half an ampere at its rated volts, the common size."""

STAMP_DECIMALS = 1
"""Latencies are of one step of the polling if they agree to so many decimals of a millisecond."""

LEAST_MEDIAN_MS = 0.01
"""The low limit of a median stays above 0, as its logarithm is taken. [ms]"""

MOST_RELEASES = 2000
"""Of more releases than this an even choice is fitted: the interval no longer gets narrower."""

METER_SHARE = 0.02
"""A stall voltage above which the lock was seen to release cannot be right; one such reading in
fifty may be the meter's."""

STALLED_SIGMAS = 5.0
"""A reading at which the lock should have stalled counts as this far off, in units of the
scatter: Huber's loss grows slowly from there."""

LEAST_RELEASE_SCATTER = 1e-3
"""Least scatter of ln latency: 0.1 %, finer than any time stamp."""

FEWEST_OF_MEDIAN = 3
"""Fewer commands or readings than this have no median."""


_LOADED = ("lock", "command_time", "volts_before", "sag_volts", "volts_min")


def loaded(actuations: pl.DataFrame, heat: pl.DataFrame | None, ambient: float) -> pl.DataFrame:
    """Actuations with ``volts``, the rail under this lock's load, and the coil's ``celsius``.

    Parameters
    ----------
    actuations : polars.DataFrame
        Schema ACTUATIONS, any order.
    heat : polars.DataFrame or None
        The table of :func:`remanence.analytics.physics.coil_heat.heat_at_start`; None for no
        modelled heat.
    ambient : float
        Temperature of a row without modelled heat. [degrees Celsius]

    Returns
    -------
    polars.DataFrame
        All rows and columns, and ``volts`` [V]: ``volts_before`` less ``sag_volts``, else
        ``volts_min``, else ``volts_before``; null where the rail was not read. ``celsius``
        [degrees Celsius] is never null.

    Raises
    ------
    TableError
        A column of ``actuations`` is missing or has another type.
    """
    require(actuations, ACTUATIONS, _LOADED)
    rows = actuations.with_columns(
        volts=pl.coalesce(
            pl.col("volts_before") - pl.col("sag_volts"), "volts_min", "volts_before"
        )
    )
    if heat is None or heat.is_empty():
        return rows.with_columns(celsius=pl.lit(ambient))
    # Only the keys are joined, so that no other column is copied.
    warm = rows.select("lock", "command_time").join(
        heat.unique(["lock", "command_time"], keep="first"), on=["lock", "command_time"],
        how="left", maintain_order="left")
    return rows.with_columns(warm["celsius"].fill_null(ambient))


@dataclass(frozen=True)
class ReleaseFit:
    """One lock's release as a function of volts and heat, with its uncertainty.

    Attributes
    ----------
    lock : Lock
        Whose.
    releases : int
        Releases it rests on.
    shares, weights : numpy.ndarray
        Stall voltage over rated, and the weight of each value.
    scatter : float
        Robust standard deviation of ln latency about the fit.
    stall_volts, stall_low_volts, stall_high_volts : float or None
        At 20 degrees, with 95 % interval; None for a magnet.
    informed : bool
        Whether this lock's own volts varied enough to fit its stall voltage; if not, the prior
        alone is used (``estimated``).
    """

    lock: Lock
    releases: int
    shares: Reals
    weights: Reals
    scatter: float
    stall_volts: float | None
    stall_low_volts: float | None
    stall_high_volts: float | None
    informed: bool

    @property
    def estimated(self) -> bool:
        """True where the physical prior alone is used."""
        return not self.informed

    def ratio(
        self, volts: npt.ArrayLike, celsius: npt.ArrayLike, before_volts: npt.ArrayLike,
        before_celsius: npt.ArrayLike,
    ) -> tuple[float, float, float]:
        """Median latency under one set of conditions over that under another, with 95 % limits.

        Parameters
        ----------
        volts, celsius : array_like
            Rail volts under load, and coil temperature, of the first set.
        before_volts, before_celsius : array_like
            The same of the second.

        Returns
        -------
        tuple of float
            Ratio, low and high; infinite where the lock stalls under the first set only, 1 where it
            stalls under both.
        """
        now = _factors(self.lock, self.shares, volts, celsius)
        before = _factors(self.lock, self.shares, before_volts, before_celsius)
        with np.errstate(invalid="ignore"):
            values = np.median(now, axis=1) / np.median(before, axis=1)
        values = np.where(np.isnan(values), 1.0, values)
        return (_weighted(values, self.weights, 0.5), _weighted(values, self.weights, 0.025),
                _weighted(values, self.weights, 0.975))


def fit_release(rows: pl.DataFrame, lock: Lock) -> ReleaseFit:
    """Fit one lock from its own releases.

    Parameters
    ----------
    rows : polars.DataFrame
        A table of :func:`loaded`, this lock's rows. Releases with ``latency_ms``, ``volts`` and
        ``celsius`` count, but not those seen by a door's contact; of more than 2000 an even
        choice.
    lock : Lock
        Its coil and ratings.

    Returns
    -------
    ReleaseFit
        With fewer than twelve releases the prior alone. A magnet also has the prior alone, and
        no stall voltage.

    Notes
    -----
    See this module: grid over the stall voltage, Huber's loss, normal prior. Prior calculated,
    generic.
    """
    seen = rows.filter(
        (pl.col("outcome") == "released") & (pl.col("latency_ms") > 0)
        & (pl.col("latency_from") != "door") & (pl.col("volts") > 0)
        & pl.col("celsius").is_not_null()
    )
    if seen.height > MOST_RELEASES:
        seen = seen.gather_every(math.ceil(seen.height / MOST_RELEASES))
    latency = np.log(seen["latency_ms"].to_numpy()) if seen.height else np.zeros(0)
    if lock.is_magnet or not lock.pulsed:
        scatter = robust_deviation(latency) if latency.size else 0.0
        return ReleaseFit(lock, seen.height, np.array([STALL_SHARE]), np.ones(1), scatter, None,
                          None, None, False)
    prior = -0.5 * ((GRID - STALL_SHARE) / STALL_SPREAD) ** 2
    score, scatter, informed = prior, 0.0, False
    if seen.height >= FEWEST_RELEASES:
        volts = seen["volts"].to_numpy()
        with np.errstate(invalid="ignore", divide="ignore"):
            model = np.log(_factors(lock, GRID, volts, seen["celsius"].to_numpy()))
            rest = latency[None, :] - model
            rest = rest - np.median(rest, axis=1, keepdims=True)
        possible = np.mean(~np.isfinite(rest), axis=1) <= METER_SHARE
        scales = np.array([robust_deviation(row) if ok else np.inf
                           for row, ok in zip(rest, possible, strict=True)])
        scatter = max(float(np.min(scales)), LEAST_RELEASE_SCATTER)
        scaled = np.where(np.isfinite(rest), np.abs(rest) / scatter, STALLED_SIGMAS)
        loss = special.huber(HUBER_TUNING, scaled)
        score = np.where(possible, prior - loss.sum(axis=1), -np.inf)
        if not np.isfinite(score).any():
            score = prior
        spread = np.quantile(volts, VOLTS_HIGH) / np.quantile(volts, VOLTS_LOW) - 1
        informed = bool(spread >= VOLTS_VARY)
    weights = np.exp(score - score.max())
    weights /= weights.sum()
    middle, low, high = (
        lock.rated_volts * _weighted(GRID, weights, level) for level in (0.5, 0.025, 0.975)
    )
    return ReleaseFit(lock, seen.height, GRID, weights, scatter, middle, low, high, informed)


@dataclass(frozen=True)
class Explained:
    """A change of median latency, split.

    Attributes
    ----------
    lock : str
        Its id.
    measured_percent : tuple of float
        Change of the median as observed, with its 95 % interval.
    volts_percent, heat_percent, both_percent : tuple of float
        What the model gives for the change of volts, of heat, and of both, in the same form.
    rest_percent : tuple of float
        What remains, in the same form.
    estimated : bool
        True where the physical prior alone is used.
    """

    lock: str
    measured_percent: tuple[float, float, float]
    volts_percent: tuple[float, float, float]
    heat_percent: tuple[float, float, float]
    both_percent: tuple[float, float, float]
    rest_percent: tuple[float, float, float]
    estimated: bool


def explain(fit: ReleaseFit, before: pl.DataFrame, now: pl.DataFrame) -> Explained | None:
    """How much of the change from ``before`` to ``now`` volts and heat explain.

    Parameters
    ----------
    fit : ReleaseFit
        Of that lock.
    before, now : polars.DataFrame
        Tables of :func:`loaded`, this lock's rows of two stretches of time.

    Returns
    -------
    Explained or None
        None where either stretch has no median or no volts: not enough data.

    Notes
    -----
    The measured change's interval joins the two medians' product-limit intervals on the log
    scale; the rest's adds the model's in quadrature (both taken as independent).
    """
    medians = [_median(frame) for frame in (before, now)]
    conditions = [_conditions(frame) for frame in (before, now)]
    if any(item is None for item in (*medians, *conditions)):
        return None
    (old, old_low, old_high), (new, new_low, new_high) = medians  # type: ignore[misc]
    (old_volts, old_celsius), (new_volts, new_celsius) = conditions  # type: ignore[misc]
    measured = _joined(new / old, [(new_low / new, new_high / new), (old / old_high,
                                                                     old / old_low)])
    volts = fit.ratio(new_volts, np.median(old_celsius), old_volts, np.median(old_celsius))
    heat = fit.ratio(np.median(old_volts), new_celsius, np.median(old_volts), old_celsius)
    both = fit.ratio(new_volts, new_celsius, old_volts, old_celsius)
    rest = _joined(measured[0] / both[0], [
        (measured[1] / measured[0], measured[2] / measured[0]),
        (both[0] / both[2], both[0] / both[1]),
    ])
    return Explained(
        fit.lock.id, _percent(measured), _percent(volts), _percent(heat),
        _percent(both), _percent(rest), fit.estimated,
    )


def _factors(lock: Lock, shares: Reals, volts: npt.ArrayLike, celsius: npt.ArrayLike) -> Reals:
    """Latency up to a constant, shape (shares, rows)."""
    at, warm = np.broadcast_arrays(
        np.atleast_1d(np.asarray(volts, dtype=float)),
        np.atleast_1d(np.asarray(celsius, dtype=float)),
    )
    if lock.is_magnet or not lock.pulsed:
        return np.repeat(_magnet_factor(lock, at)[None, :], shares.size, axis=0)
    return solenoid_latency_ms(1.0, shares[:, None] * lock.rated_volts, at, warm)


def _magnet_factor(lock: Lock, volts: Reals) -> Reals:
    """A magnet's release against volts, from the generic model on a table of volts."""
    if not volts.size:
        return np.ones(0)
    table, values = _magnet_table(lock.ohms, lock.rated_volts, lock.suppression)
    factor: Reals = np.interp(volts, table, values)
    return factor


@lru_cache(maxsize=256)
def _magnet_table(ohms: float | None, rated: float, suppression: str) -> tuple[Reals, Reals]:
    coil = ohms or USUAL_OHMS_PER_VOLT * rated
    clamp = CLAMP_VOLTS.get(suppression, CLAMP_VOLTS["diode"])
    magnet = Magnet(coil, MAGNET_SECONDS * coil, rated, clamp)
    table = VOLTS_TRIED * rated
    values = np.array([magnet.release_ms(float(item)) for item in table])
    return table, values / magnet.release_ms(rated)


def _median(rows: pl.DataFrame) -> tuple[float, float, float] | None:
    """Product-limit median with its limits, releases placed within their resolution."""
    outcome = rows["outcome"]
    released = equals(outcome, "released")
    stamp = np.where(released, rows["latency_ms"].to_numpy(), rows["waited_ms"].to_numpy())
    asked = (released | equals(outcome, "no-release")) & ~equals(rows["latency_from"], "door")
    asked &= stamp > 0
    if asked.sum() < FEWEST_OF_MEDIAN:
        return None
    stamp, released = stamp[asked], released[asked]
    step = np.maximum(reals(rows["resolution_ms"], 0.0)[asked], 0.0)
    curve = product_limit(within_resolution(stamp, released, step), released)
    value, low, high = curve.quantile(0.5)
    if value is None or high is None or low <= 0:
        return None
    fine = 10.0**STAMP_DECIMALS
    stamps, count = np.unique(np.floor(stamp[released] * fine + 0.5) / fine, return_counts=True)
    if count.max() > MOSTLY * stamp.size:
        # One step holds nearly all: the median is somewhere in that step.
        most = float(stamps[count.argmax()])
        low, high = min(low, max(most - float(step.max()), LEAST_MEDIAN_MS)), max(high, most)
    return value, low, high


def _conditions(rows: pl.DataFrame) -> tuple[Reals, Reals] | None:
    volts = reals(rows["volts"])
    part = (volts > 0) & equals(rows["outcome"], "released")
    if part.sum() < FEWEST_OF_MEDIAN:
        return None
    return volts[part], reals(rows["celsius"])[part]


def _joined(
    ratio: float, factors: list[tuple[float, float]]
) -> tuple[float, float, float]:
    """A ratio with the limits of its factors joined in quadrature on the log scale."""
    low = math.sqrt(sum(math.log(item[0]) ** 2 for item in factors if item[0] > 0))
    high = math.sqrt(sum(math.log(item[1]) ** 2 for item in factors if math.isfinite(item[1])))
    return ratio, ratio * math.exp(-low), ratio * math.exp(high)


def _percent(ratio: tuple[float, float, float]) -> tuple[float, float, float]:
    return (100 * (ratio[0] - 1), 100 * (ratio[1] - 1), 100 * (ratio[2] - 1))


def _weighted(values: Reals, weights: Reals, level: float) -> float:
    """Weighted quantile."""
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weights[order])
    return float(values[order][min(int(np.searchsorted(total, level * total[-1])),
                                   values.size - 1)])
