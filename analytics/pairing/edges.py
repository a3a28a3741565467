"""Records of two-valued channels turned into edges: where a level really changes.

All times are instants, see :mod:`remanence.analytics.clocks.instants`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import polars as pl

from remanence.analytics.clocks.instants import PLACES
from remanence.analytics.pairing.wiring import Wiring

C = pl.col

RECORDS = pl.Schema({"lock": pl.String(), "quantity": pl.String(), "time": pl.Int64(),
                     "on": pl.Boolean(), "run": pl.Int64(), "controller": pl.String()})
"""What was logged of the commands and contacts of locks (their Enum): any order, repeats allowed;
``time`` is an instant, ``on`` the value that was logged."""

HALF_WAY = 0.5
"""A record of two values says on above this: half way between the 0 and the 1 that it may say."""

EDGES = pl.Schema({"lock": pl.String(), "time": pl.Int64(), "on": pl.Boolean(), "run": pl.Int64()})
"""Changes of level by lock (its Enum) and time, an instant; ``on`` is the level after it."""


def with_facts(rows: pl.DataFrame, facts: pl.DataFrame, *on: str) -> pl.DataFrame:
    """The rows in their order with what else is known by ``on`` (default: by lock)."""
    return rows.join(facts, on=on or "lock", how="left", maintain_order="left")


def later(column: str, steps: int) -> pl.Expr:
    """The column of the row ``steps`` further on (earlier, if negative) of the same lock."""
    return pl.when(C.lock == C.lock.shift(-steps)).then(C(column).shift(-steps))


def nearest(
    rows: pl.DataFrame, at: str | pl.Expr, among: pl.DataFrame, time: str, *,
    strategy: Literal["forward", "backward"], exact: bool = True, **wanted: str,
) -> pl.DataFrame:
    """The rows with columns of the nearest row of the same lock among others.

    Parameters
    ----------
    rows : polars.DataFrame
        By lock and ``at``.
    at : str or Expr
        When to look; of each lock in the order of time, never null.
    among : polars.DataFrame
        By lock and ``time``.
    time : str
        The time of those.
    strategy : {"forward", "backward"}
        The first one after, or the last one before.
    exact : bool, default True
        One at that very instant counts.
    **wanted : str
        Column of ``among`` by the name that it is to have.
    """
    return rows.with_columns(_at=at).join_asof(
        among.select("lock", _at=time, **wanted), on="_at", by="lock", strategy=strategy,
        allow_exact_matches=exact, check_sortedness=False).drop("_at")


def records_of(signals: pl.DataFrame, wiring: Wiring) -> pl.DataFrame:
    """RECORDS out of SIGNALS; without ``place`` no line is taken to come before another."""
    place = C.place.fill_null(0) if "place" in signals.columns else pl.lit(0, pl.Int64)
    return signals.join(wiring.channels, on=["channel", "quantity"]).select(
        "lock", "quantity", time=C.time.to_physical() * PLACES + place.clip(0, PLACES - 1),
        on=C.value > HALF_WAY, run=C.run.fill_null(0), controller="controller")


def levels_said(
    records: pl.DataFrame, wiring: Wiring, quantity: str, yes: str
) -> pl.DataFrame:
    """RECORDS of a quantity, ``on`` where one has its lock's value ``yes``.

    ``yes`` is a column of the wiring; a lock of which it is not known says nothing.
    """
    return (records.filter(C.quantity == quantity)
            .join(wiring.of_locks(yes=yes).drop_nulls(), on="lock")
            .with_columns(on=C.on == C.yes))


def changes(
    said: pl.DataFrame, before: pl.DataFrame | None, by: Sequence[str] = ("lock",)
) -> pl.DataFrame:
    """The records that change a level.

    Parameters
    ----------
    said : polars.DataFrame
        ``by``, ``time``, ``on`` and ``run``: any order, repeats allowed.
    before : polars.DataFrame or None
        ``lock`` and ``before``, its level before the first record; a lock that is not there rests
        (False). None: nothing is known before it, so the first record is a change.
    by : sequence of str, default ("lock",)
        Whose level it is.

    Returns
    -------
    polars.DataFrame
        EDGES (``by`` in place of ``lock``).

    Notes
    -----
    A level that is said again changes nothing. Where one channel says both levels at one instant
    (two files, neither of which has both), they are ordered so that the level is changed after
    them.
    """
    told = said.group_by(*by, "time").agg(
        C.run.min(), on=C.on.any(), both=C.on.any() & ~C.on.all()).sort(*by, "time")
    told = told.with_columns(before=pl.lit(None, pl.Boolean)) if before is None else with_facts(
        told, before).with_columns(C.before.fill_null(value=False))
    if told["both"].any():
        # After such an instant the level is the last one told without contradiction, turned over
        # once for every contradiction since.
        turns = C.both.cast(pl.Int64).cum_sum()
        since = turns - pl.when(~C.both).then(turns).forward_fill().fill_null(0)
        last = pl.when(~C.both).then("on").forward_fill().fill_null(C.before.fill_null(value=False))
        told = told.with_columns(on=(last ^ (since % 2 == 1)).over(*by))
    first = pl.any_horizontal(C(name) != C(name).shift(1) for name in by).fill_null(value=True)
    previous = pl.when(first).then("before").otherwise(C.on.shift(1))
    return told.filter(C.on.ne_missing(previous)).select(*by, "time", "on", "run")
