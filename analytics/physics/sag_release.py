"""How exact is a release that was read from the end of the rail's sag?

A self-cutting latch without a contact shows its release by the moment at which its load
leaves the rail. Readings every ``s`` ms give that moment as an interval of length s; taken at
its late end the reading is s/2 late on average, with a standard error of s / sqrt(12) (a
uniform phase), and 95 % of errors lie within 0.475 s of the middle. Where a lock has both a
logged contact and a sampled rail, the error is measured. Units: milliseconds, volts. Range:
sag at least six times the rail's noise; less is refused.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import polars as pl

from remanence.analytics.statistics.intervals import robust_deviation
from remanence.shared.table import require
from remanence.shared.tables import ACTUATIONS
from remanence.shared.venue import Venue

LEAST_DEPTH = 6.0
"""Sag over noise below which no release is read."""

FEWEST_PAIRS = 10
"""With fewer releases seen by both contact and sag than this no error is stated."""

UNIFORM_95 = 0.475
"""95 % of a uniform distribution lie within this share of its width about its middle."""

MEDIAN_REACH_95 = 1.96 * 1.2533
"""Half-width of a median's 95 % interval over s / root n, of normal errors: 95 % of a normal
distribution lie within 1.96 deviations, and a median's standard error is root of pi / 2 times a
mean's."""

ERRORS_WITHIN = 0.95
"""Share of the errors that lie within ``within_95_ms``."""


@dataclass(frozen=True)
class SagError:
    """Error of releases read from the sag, against logged contacts.

    Attributes
    ----------
    pairs : int
        Releases seen by both.
    sample_ms : float
        Median spacing of the readings; not a number where it is not known.
    bias_ms, bias_low_ms, bias_high_ms : float
        Median of sag end minus contact, and its 95 % interval.
    within_95_ms : float
        95 % of errors are no larger, about the bias.
    """

    pairs: int
    sample_ms: float
    bias_ms: float
    bias_low_ms: float
    bias_high_ms: float
    within_95_ms: float


def sampling_error_ms(sample_ms: float) -> tuple[float, float]:
    """Error of an edge read from samples this far apart.

    Parameters
    ----------
    sample_ms : float
        Spacing. [ms]

    Returns
    -------
    tuple of float
        Standard error (spacing over root of 12), and half-width of 95 % (0.475 of the spacing),
        about the middle of the interval. [ms] A uniform phase is assumed.
    """
    return sample_ms / math.sqrt(12), UNIFORM_95 * sample_ms


_PAIRED = ("lock", "outcome", "latency_from", "latency_ms", "across_clocks", "sag_ms", "sag_pulses",
           "sag_volts", "sample_ms", "pulse_ms", "volts_noise")


def sag_error(actuations: pl.DataFrame, venue: Venue) -> dict[str, SagError]:
    """Measure the error at every self-cutting lock that has both a contact and a sag.

    Parameters
    ----------
    actuations : polars.DataFrame
        Schema ACTUATIONS; released rows whose latency comes from a catch contact of the same
        clock and whose ``sag_ms`` ended before the command did.
    venue : Venue
        Which locks cut themselves.

    Returns
    -------
    dict of str to SagError
        By lock; those with fewer than ten pairs are left out.

    Raises
    ------
    TableError
        A column is missing or has another type.

    Notes
    -----
    The interval of the bias is that of a median of normal errors (1.2533 s / root n).
    """
    require(actuations, ACTUATIONS, _PAIRED)
    cutting = [lock.id for lock in venue.locks if lock.self_cut and lock.contact]
    rows = actuations.select(_PAIRED).filter(
        pl.col("lock").is_in(cutting) & (pl.col("outcome") == "released")
        & (pl.col("latency_from") == "catch") & ~pl.col("across_clocks").fill_null(False)
        & pl.col("sag_ms").is_not_null() & (pl.col("sag_pulses").fill_null(1) == 1)
        & (pl.col("sag_ms") + pl.col("sample_ms") < pl.col("pulse_ms").fill_null(math.inf))
        & (pl.col("sag_volts") >= LEAST_DEPTH * pl.col("volts_noise").fill_null(0.0))
    )
    found = {}
    for (name,), group in rows.sort("lock").group_by("lock", maintain_order=True):
        if group.height < FEWEST_PAIRS:
            continue
        error = (group["sag_ms"] - group["latency_ms"]).to_numpy()
        bias = float(np.median(error))
        spacing = group["sample_ms"].drop_nulls()
        sample = float(spacing.median()) if spacing.len() else math.nan  # type: ignore[arg-type]
        reach = MEDIAN_REACH_95 * robust_deviation(error) / math.sqrt(error.size)
        found[str(name)] = SagError(
            group.height, sample, bias, bias - reach, bias + reach,
            float(np.quantile(np.abs(error - bias), ERRORS_WITHIN)),
        )
    return found


@dataclass(frozen=True)
class SagReadings:
    """How well one lock's releases are read from the sag where there is no contact.

    Attributes
    ----------
    lock : str
        Its id.
    commands, read : int
        Releasing commands, and those whose outcome was read from the sag.
    refused : int
        The others: their sag was too shallow or not resolved.
    depth : float or None
        Median of sag over noise.
    resolution_ms : float or None
        Median of the resolution of each latency.
    within_95_ms : float or None
        Half-width of 95 % that follows from it.
    """

    lock: str
    commands: int
    read: int
    refused: int
    depth: float | None
    resolution_ms: float | None
    within_95_ms: float | None


_READ = ("lock", "outcome", "latency_from", "resolution_ms", "sag_volts", "volts_noise")


def sag_readings(actuations: pl.DataFrame, venue: Venue) -> dict[str, SagReadings]:
    """Resolution and refusals of every lock whose latency is read from the supply.

    Parameters
    ----------
    actuations : polars.DataFrame
        Schema ACTUATIONS, any order.
    venue : Venue
        Which locks cut themselves and have no contact; the others are passed over.

    Returns
    -------
    dict of str to SagReadings
        By lock; one without any command is not in it.

    Raises
    ------
    TableError
        A column is missing or has another type.
    """
    require(actuations, ACTUATIONS, _READ)
    wanted = [lock.id for lock in venue.locks if lock.latency_kind == "supply"]
    rows = actuations.select(_READ).filter(pl.col("lock").is_in(wanted)).with_columns(
        depth=pl.when(pl.col("volts_noise") > 0).then(pl.col("sag_volts") / pl.col("volts_noise"))
    )
    found = {}
    for (name,), group in rows.sort("lock").group_by("lock", maintain_order=True):
        read = group.filter(pl.col("latency_from") == "supply")
        told = read.filter(pl.col("outcome") != "unobserved")
        resolution = _middle(told["resolution_ms"])
        found[str(name)] = SagReadings(
            str(name), group.height, told.height, group.height - told.height,
            _middle(group["depth"]), resolution,
            None if resolution is None else sampling_error_ms(resolution)[1],
        )
    return found


def _middle(values: pl.Series) -> float | None:
    kept = values.drop_nulls()
    return float(kept.median()) if kept.len() else None  # type: ignore[arg-type]
