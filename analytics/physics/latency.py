"""How long does a lock take to release? Quantiles that count the commands it did not answer.

A command without release is a latency of which only a lower bound is known. The
product-limit estimate (:mod:`remanence.analytics.statistics.survival`) uses that bound; leaving the
row out would make a sticking lock look fast.
"""

from __future__ import annotations

from collections.abc import Sequence
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

from remanence.analytics.statistics.arrays import Flags, Reals
from remanence.analytics.statistics.polled import (
    FEWEST_FOR_TIE,
    LEAST_TIED_POLL_MS,
    TIED_CONCENTRATION,
)
from remanence.analytics.statistics.survival import (
    ProductLimit,
    bound_of_quantile,
    check_limits,
    grouped_curves,
    grouped_quantile,
    product_limit,
)
from remanence.shared.table import require
from remanence.shared.tables import ACTUATIONS

__all__ = [
    "QUANTILES", "ProductLimit", "bound_of_quantile", "placed_within_resolution", "product_limit",
    "quantile_name", "release_latency", "with_week",
]

QUANTILES = (0.05, 0.5, 0.9, 0.95, 0.99)
"""Default quantiles: the quick end, the middle and the slow tail."""


def release_latency(
    actuations: pl.DataFrame,
    by: Sequence[str] = ("lock",),
    quantiles: Sequence[float] = QUANTILES,
    confidence: float = 0.95,
    *,
    limits: str = "beta-product",
    within_resolution: bool = False,
) -> pl.DataFrame:
    """Quantiles of release latency of each group, with their limits.

    A command that was not answered is right-censored at ``waited_ms``, never left out.
    The kinds of ``latency_from`` are never pooled: a group with two kinds gives two rows.

    Parameters
    ----------
    actuations : polars.DataFrame, shape (n_actuations, 6 or more)
        Columns ``outcome``, ``latency_ms``, ``waited_ms``, ``latency_from`` and
        ``resolution_ms`` of ACTUATIONS, and those of ``by``. Any row order. Rows whose outcome is
        neither ``released`` nor ``no-release`` carry no latency and are passed over, as are rows
        without the time that their outcome needs. A ``no-release`` row that names no kind
        counts with the kind of its group.
    by : sequence of str, default ("lock",)
        Columns that make a group: ``("lock", "week")`` after :func:`with_week`.
    quantiles : sequence of float, default (0.05, 0.5, 0.9, 0.95, 0.99)
        Shares of commands answered, between 0 and 1.
    confidence : float, default 0.95
        Coverage of the limits of each quantile.
    limits : str, default "beta-product"
        As in :func:`product_limit`.
    within_resolution : bool, default False
        True: releases are placed inside the interval of its resolution
        (:func:`placed_within_resolution`), so that polling neither makes every quantile late
        by half a step nor lets ties feign an exact answer. Where the polling runs in step with
        the command nothing is known inside a step: there each quantile lies in the middle of
        its step, and its limits reach to the outer ends of theirs ("between a and b").

    Returns
    -------
    polars.DataFrame
        One row per group and kind, sorted by ``by`` and ``latency_from``.

        - the columns of ``by``, then ``latency_from``
        - ``commands``, ``released``, ``censored`` : how many, answered, and not answered
        - ``resolution_ms`` : median resolution of the group; each latency is an interval
          that begins this much earlier, so each quantile may be up to this much less. [ms]
        - ``in_step`` : whether nearly all releases lie on whole steps of the polling, which
          then follows the command; false without ``within_resolution``
        - ``across_clocks`` : rows whose command and feedback were stamped by different
          clocks
        - ``p50_ms``, ``p50_low_ms``, ``p50_high_ms`` and so on for each quantile (``p99_9``
          for 0.999). [ms] Null value or high limit: not reached, "longer than we ever
          waited". A low limit of 0 means that nothing is excluded.

    Raises
    ------
    TableError
        A column is missing or has the wrong type.
    ValueError
        ``confidence``, ``limits`` or a quantile is out of range.

    Notes
    -----
    A quantile is the earliest time at which the product-limit curve is at or below
    ``1 - quantile``; without censoring this is the inverse of the empirical distribution
    (definition 1 of Hyndman and Fan, Am. Stat. 50 (1996), 361-365).
    """
    check_limits(confidence, limits)
    for probability in quantiles:
        if not 0 < probability < 1:
            raise ValueError(f"a quantile must be between 0 and 1, got {probability!r}")
    needed = {"outcome", "latency_ms", "waited_ms", "latency_from", "resolution_ms"}
    require(actuations, ACTUATIONS, needed)
    by = tuple(name for name in by if name != "latency_from")
    keys = [*by, "latency_from"]
    rows = _observed(actuations, by)
    rows = rows.with_columns(_in_step=_in_step(keys) if within_resolution else pl.lit(False))
    if within_resolution:
        step = pl.col("resolution_ms").fill_null(0.0).clip(lower_bound=0.0)
        rows = rows.with_columns(
            _time=pl.when("_in_step", "_released")
            .then((pl.col("_time") - step / 2).clip(lower_bound=0.0))
            .otherwise(placed_within_resolution("_time", "_released", keys)))
    groups = (
        rows.group_by(keys)
        .agg(
            commands=pl.len().cast(pl.Int64),
            released=pl.col("_released").sum().cast(pl.Int64),
            censored=(~pl.col("_released")).sum().cast(pl.Int64),
            resolution_ms=pl.col("resolution_ms").median(),
            in_step=pl.col("_in_step").any(),
            across_clocks=pl.col("_across").sum().cast(pl.Int64),
        )
        .sort(keys)
        .with_row_index("_group")
    )
    coded = rows.join(
        groups.select("_group", *keys), on=keys, how="left", nulls_equal=True
    ).select("_group", "_time", "_released")
    curves = grouped_curves(
        coded["_group"].cast(pl.Int64).to_numpy(), coded["_time"].to_numpy(),
        coded["_released"].to_numpy(), np.ones(coded.height, dtype=np.int64), limits,
    )
    half = np.where(groups["in_step"], groups["resolution_ms"].fill_null(0.0) / 2, 0.0)
    columns = []
    for probability in quantiles:
        name = quantile_name(probability)
        value, low, high = grouped_quantile(curves, probability, confidence)
        for suffix, values in (("", value), ("_low", np.maximum(low - half, 0.0)),
                               ("_high", high + half)):
            columns.append(
                pl.Series(f"{name}{suffix}_ms", values, dtype=pl.Float64).fill_nan(None)
            )
    return groups.drop("_group").with_columns(columns)


def _in_step(keys: Sequence[str]) -> pl.Expr:
    """:func:`remanence.analytics.statistics.polled.polls_in_step` of each group's releases."""
    step = pl.col("resolution_ms").fill_null(0.0).filter("_released").median()
    phase = pl.col("_time").filter("_released") * (2.0 * np.pi) / step
    near = (phase.cos().mean() ** 2 + phase.sin().mean() ** 2).sqrt() > TIED_CONCENTRATION
    enough = (pl.col("_released").sum() >= FEWEST_FOR_TIE) & (step >= LEAST_TIED_POLL_MS)
    return (near & enough).fill_null(False).over(keys)


def placed_within_resolution(time: str, released: str, keys: Sequence[str]) -> pl.Expr:
    """Releases spread over the intervals of their resolution, as an expression in milliseconds.

    A release stamped ``t`` with resolution ``r`` happened in ``(t - r, t]``. Those of one group
    with the same stamp are spread evenly over it, a single one is put in its middle: right
    where the polling does not run in step with the command. Where it does, one step holds nearly
    all releases and nothing is known inside that step; the caller has to say so.

    Parameters
    ----------
    time : str
        Column of the latency, or of the time waited. [ms]
    released : str
        Column that says whether it was released; rows not released are left as they are.
    keys : sequence of str
        Columns that make a group. The frame must have ``resolution_ms``, where null counts as 0.

    Returns
    -------
    polars.Expr
        Milliseconds, never below 0; for ``with_columns`` of a frame with those columns.

    Notes
    -----
    Common practice, no source.
    """
    tied = [*keys, time, released]
    place = (pl.int_range(pl.len()).over(tied) + 0.5) / pl.len().over(tied)
    step = pl.col("resolution_ms").fill_null(0.0).clip(lower_bound=0.0)
    moved = (pl.col(time) - step * (1 - place)).clip(lower_bound=0.0)
    return pl.when(released).then(moved).otherwise(time)


def within_resolution(stamp: Reals, released: Flags, step: Reals) -> Reals:
    """:func:`placed_within_resolution` of one group's times.

    Parameters
    ----------
    stamp : numpy.ndarray, shape (n,)
        Latency, or time waited. [ms]
    released : numpy.ndarray of bool, shape (n,)
        Whether it was released then.
    step : numpy.ndarray, shape (n,)
        Resolution of each. [ms]

    Returns
    -------
    numpy.ndarray, shape (n,)
        Milliseconds, never below 0.
    """
    order = np.lexsort((stamp, released))
    tied = (np.diff(stamp[order]) == 0) & (np.diff(released[order].astype(np.int8)) == 0)
    first = np.flatnonzero(np.append(True, ~tied))
    size = np.diff(np.append(first, stamp.size))
    place = np.empty(stamp.size)
    place[order] = (np.arange(stamp.size) - np.repeat(first, size) + 0.5) / np.repeat(size, size)
    out: Reals = np.where(released, np.maximum(stamp - step * (1 - place), 0.0), stamp)
    return out


def quantile_name(probability: float) -> str:
    """Stem of the columns of a quantile: ``p05``, ``p50``, ``p99``, ``p99_9``.

    Parameters
    ----------
    probability : float
        The quantile, between 0 and 1.

    Returns
    -------
    str
        To a millionth; :func:`release_latency` puts ``_ms``, ``_low_ms`` and ``_high_ms`` after it.
    """
    percent = f"{probability * 100:.4f}".rstrip("0").rstrip(".")
    whole, _, rest = percent.partition(".")
    return f"p{int(whole):02d}" + (f"_{rest}" if rest else "")


def with_week(frame: pl.DataFrame, zone: ZoneInfo, time: str = "command_time") -> pl.DataFrame:
    """``frame`` with a column ``week`` like ``2026-W47``: the ISO week of ``time`` in ``zone``.

    Parameters
    ----------
    frame : polars.DataFrame
        Any table with the column ``time``.
    zone : zoneinfo.ZoneInfo
        The zone that cuts weeks.
    time : str, default "command_time"
        Name of a column of aware time stamps.

    Returns
    -------
    polars.DataFrame
        All rows and columns, and ``week`` (text, ISO 8601; null where the time is).
    """
    local = pl.col(time).dt.convert_time_zone(zone.key)
    return frame.with_columns(
        week=pl.format(
            "{}-W{}",
            local.dt.iso_year().cast(pl.String).str.zfill(4),
            local.dt.week().cast(pl.String).str.zfill(2),
        )
    )


def _observed(actuations: pl.DataFrame, by: tuple[str, ...]) -> pl.DataFrame:
    """The rows that carry a latency: ``_time``, ``_released``, and a kind in each."""
    released = pl.col("outcome") == "released"
    across = (
        pl.col("across_clocks").fill_null(False)
        if "across_clocks" in actuations.columns
        else pl.lit(False)
    )
    kind = pl.col("latency_from")
    if by:
        kind = kind.fill_null(pl.col("latency_from").drop_nulls().first().over(by))
    return (
        actuations.lazy()
        .filter(pl.col("outcome").is_in(["released", "no-release"]))
        .with_columns(
            _released=released,
            _time=pl.when(released).then("latency_ms").otherwise("waited_ms"),
            _across=across,
            latency_from=kind,
        )
        .filter(pl.col("_time").is_not_null() & pl.col("_time").is_finite())
        .with_columns(_time=pl.col("_time").clip(lower_bound=0.0))
        .select(*by, "latency_from", "resolution_ms", "_across", "_released", "_time")
        .collect()
    )
