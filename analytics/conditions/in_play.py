"""Each day's time of play, and openings that a rail made: its magnets let go together."""

from __future__ import annotations

import polars as pl

from remanence.analytics.history import History, once_per_history
from remanence.analytics.physics.idle_volts import OFF_SHARE

TOGETHER = pl.duration(seconds=2)
"""Magnets of one rail that open this soon after each other were let go by it: they differ by half a
second in how soon they let go, and polls by one more (calculated)."""
LEAST_TOGETHER, TOGETHER_SHARE = 2, 0.5
"""So many magnets, and this share of those of the rail that are watched, must open together: one
may be pulled open, and one may stand open already (assumption)."""


@once_per_history
def played(history: History) -> pl.DataFrame:
    """First and last command of each day: what lies outside is staff's time.

    Returns
    -------
    polars.DataFrame
        ``day``, ``first`` and ``last``.
    """
    return history.dated("actuations").group_by("day").agg(
        first=pl.col("command_time").min(), last=pl.col("command_time").max())


def in_play(rows: pl.DataFrame, history: History) -> pl.DataFrame:
    """The rows whose ``time`` lies between the first and the last command of their ``day``."""
    return rows.join(played(history), on="day").filter(
        pl.col("time").is_between("first", "last")).drop("first", "last")


@once_per_history
def openings_energised(history: History) -> pl.DataFrame:
    """Openings of magnets while they were commanded to hold, with what their rail did.

    Returns
    -------
    polars.DataFrame
        Columns of OPENINGS, ``day``, ``weeks_ago``, ``supply``, ``moment`` (counts what came at one
        time on one rail) and ``of_rail``: the rail's magnets opened together, or it was read as off
        in that hour or the next, as when it is switched off for the night, stopped in an emergency,
        or fails.
    """
    openings = history.dated("openings")
    supply_of = {lock.id: lock.supply for lock in history.venue.locks if lock.is_magnet}
    opened = openings.filter(
        pl.col("energised").fill_null(False) & pl.col("lock").is_in(list(supply_of)))
    opened = opened.with_columns(supply=pl.col("lock").replace_strict(
        supply_of, default=None, return_dtype=pl.String)).sort("supply", "time", "lock")
    watched = history.dated("actuations").filter(
        pl.col("lock").is_in(list(supply_of)) & (pl.col("outcome") != "unobserved"))
    of_supply = dict(watched.select(
        "lock", supply=pl.col("lock").replace_strict(
            supply_of, default=None, return_dtype=pl.String)
    ).group_by("supply").agg(pl.col("lock").n_unique()).rows())
    apart = (pl.col("time") - pl.col("time").shift() > TOGETHER).fill_null(True)
    new = apart | (pl.col("supply") != pl.col("supply").shift()).fill_null(True)
    opened = opened.with_columns(moment=new.cum_sum())
    least = (TOGETHER_SHARE * pl.col("supply").replace_strict(
        of_supply, default=0, return_dtype=pl.Float64)).clip(lower_bound=LEAST_TOGETHER)
    together = pl.col("lock").n_unique().over("moment") >= least
    hour = pl.col("time").dt.truncate("1h")
    dead = _hours_off(history)
    return opened.with_columns(
        of_rail=together | pl.struct("supply", hour=hour).is_in(dead)
        | pl.struct("supply", hour=hour.dt.offset_by("1h")).is_in(dead))


def _hours_off(history: History) -> pl.Series:
    """Supplies and hours in which a rail was read as off."""
    off = {supply.id: OFF_SHARE * supply.rated_volts for supply in history.venue.supplies}
    return history.rail_hours.filter(
        pl.col("idle_low") < pl.col("supply").replace_strict(
            off, default=0.0, return_dtype=pl.Float64)
    ).select(pl.struct("supply", "hour")).to_series().implode()


@once_per_history
def openings_of_locks(history: History) -> pl.DataFrame:
    """OPENINGS with ``day`` and ``weeks_ago``, but those that a rail made."""
    return history.dated("openings").join(
        openings_energised(history).filter("of_rail").select("lock", "time"),
        on=["lock", "time"], how="anti", maintain_order="left")
