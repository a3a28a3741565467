"""Instants: thousandths of a microsecond, UTC.

They hold the time as a clock stamped it and, behind it, the place of the line among those that the
clock stamped alike. So one comparison tells which of two came first, and :func:`stamp` gives back
the time as it was stamped. Records, levels and tables have whole microseconds, edges and all that
is made of edges have instants.
"""

from __future__ import annotations

import polars as pl

PLACES = 1000
"""Instants to a microsecond: lines of one stamp beyond so many count as the last of them."""

DAY_US = 24 * 3_600_000_000


def stamp(of: str | pl.Expr) -> pl.Expr:
    """The time of an instant as it was stamped. [us, UTC]"""
    return (pl.col(of) if isinstance(of, str) else of) // PLACES


def stamped(frame: pl.DataFrame, *columns: str) -> pl.DataFrame:
    """A table with instants turned into times as they were stamped. [us, UTC]"""
    return frame.with_columns(stamp(name).alias(name) for name in columns)


def day_of(instant: str) -> pl.Expr:
    """Its day. [date, UTC]"""
    return (pl.col(instant) // (DAY_US * PLACES)).cast(pl.Int32).cast(pl.Date)
