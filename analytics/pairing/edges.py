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


Strategy = Literal["forward", "backward"]
"""The first one after, or the last one before."""


def nearest(
    rows: pl.DataFrame, at: str | pl.Expr, among: pl.DataFrame, time: str, *,
    strategy: Strategy, exact: bool = True, **wanted: str,
) -> pl.DataFrame:
    """The rows with columns (``wanted``, by their new name) of the nearest of the same lock.

    Rows are by lock and ``at`` (never null), those ``among`` which it is looked for by lock and
    their ``time``. ``exact``: one at that very instant counts.
    """
    return rows.with_columns(_at=at).join_asof(
        among.select("lock", _at=time, **wanted), on="_at", by="lock", strategy=strategy,
        allow_exact_matches=exact, check_sortedness=False).drop("_at")


def nearest_of_others(
    rows: pl.DataFrame, at: str, edges: pl.DataFrame, by: str, *, strategy: Strategy,
    exact: bool = True,
) -> pl.DataFrame:
    """The rows, by ``at``, with ``other_lock`` and ``other_time`` of another lock's nearest edge.

    Both have ``lock`` and ``by``: only edges that are alike in this count.
    """
    step = 1 if strategy == "backward" else -1
    told = edges.sort(by, "time", "lock").select(by, at="time", _lock="lock", _time="time")
    # Of each edge: the next one in that direction that is another lock's.
    turns = C._lock != C._lock.shift(step).over(by)
    fill = pl.Expr.forward_fill if strategy == "backward" else pl.Expr.backward_fill
    told = told.with_columns(
        fill(pl.when(turns).then(C(name).shift(step).over(by))).over(by).alias(f"beyond{name}")
        for name in ("_lock", "_time"))
    own = C.lock == C._lock
    return rows.sort(at).join_asof(
        told, left_on=at, right_on="at", by=by, strategy=strategy, allow_exact_matches=exact,
        check_sortedness=False,
    ).select(*rows.columns, **{f"other{name}": pl.when(own).then(f"beyond{name}").otherwise(name)
                               for name in ("_lock", "_time")})


def records_of(signals: pl.DataFrame, wiring: Wiring) -> pl.DataFrame:
    """RECORDS out of SIGNALS; without ``place`` no line is taken to come before another."""
    place = C.place.fill_null(0) if "place" in signals.columns else pl.lit(0, pl.Int64)
    return signals.join(wiring.channels, on=["channel", "quantity"]).select(
        "lock", "quantity", time=C.time.to_physical() * PLACES + place.clip(0, PLACES - 1),
        on=C.value > HALF_WAY, run=C.run.fill_null(0), controller="controller")


def levels_said(records: pl.DataFrame, wiring: Wiring, quantity: str, yes: str) -> pl.DataFrame:
    """RECORDS of a quantity, ``on`` where one has its lock's value ``yes``.

    ``yes`` is a column of the wiring; a lock of which it is not known says nothing.
    """
    return (records.filter(C.quantity == quantity)
            .join(wiring.of_locks(yes=yes).drop_nulls(), on="lock")
            .with_columns(on=C.on == C.yes))


def changes(
    said: pl.DataFrame, before: pl.DataFrame | None, by: Sequence[str] = ("lock",)
) -> pl.DataFrame:
    """EDGES (``by`` in place of ``lock``): the records that change a level.

    ``said`` has ``by``, ``time``, ``on`` and ``run``, in any order, repeats allowed. ``before`` has
    ``lock`` and ``before``, its level before the first record; a lock that is not there rests
    (False). None: nothing is known before it, so the first record is a change.

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
