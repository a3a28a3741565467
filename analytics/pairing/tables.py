"""The rows of pairing as tables of the schemas in :mod:`remanence.shared.tables`."""

from __future__ import annotations

import polars as pl

from remanence.analytics.pairing.edges import stamp
from remanence.shared.table import TIMESTAMP, Table
from remanence.shared.tables import ACTUATIONS, CONTACT_CHANGES, ENERGISINGS, OPENINGS

C = pl.col


def _ms(since: str | pl.Expr, until: str | pl.Expr) -> pl.Expr:
    """Milliseconds from one instant to another, as they were stamped.

    A product and not a quotient: Polars divides many rows by multiplying with the inverse, but one
    row by dividing it, and the two differ in the last digit.
    """
    return (stamp(until) - stamp(since)) * 0.001


def _time(of: str) -> pl.Expr:
    return stamp(of).cast(TIMESTAMP)


def _table(frame: pl.DataFrame, table: Table) -> pl.DataFrame:
    return table.conform(frame.with_columns(C("lock").cast(pl.String)))


def actuations(commands: pl.DataFrame) -> pl.DataFrame:
    """ACTUATIONS of commands with their outcome, figures and wiring."""
    answer = pl.coalesce("release", "wait_end")
    return _table(commands.with_columns(
        command_time=_time("start"),
        pulse_ms=_ms("start", "end"),
        outcome=C.outcome.cast(pl.String),
        latency_ms=_ms("start", "release"),
        waited_ms=_ms("start", answer),
        resolution_ms=pl.when("by_supply").then("cut_gap_ms").otherwise("resolution_ms"),
        relock_ms=_ms("release", "relock"),
        contact_edges=pl.when(C.contact.is_not_null()).then("contact_edges"),
    ), ACTUATIONS)


def openings(moves: pl.DataFrame, held: pl.DataFrame) -> pl.DataFrame:
    """OPENINGS among judged movements; ``held``: ``lock`` and ``pulsed``."""
    return _table(moves.filter("opening").join(held, on="lock").with_columns(
        time=_time("first_edge"),
        energised=~C.pulsed,
        since_command_ms=_ms("command", "first_edge"),
        last_outcome=C.last_outcome.cast(pl.String),
        bounces=C.edges - 1,
        open_ms=_ms("first_edge", "closed"),
        other_lock=C.other_lock.cast(pl.String),
        other_ms=_ms("other_time", "first_edge"),
    ), OPENINGS)


def contact_changes(moves: pl.DataFrame) -> pl.DataFrame:
    """CONTACT_CHANGES among judged movements."""
    return _table(moves.filter(C.opens | C.shuts).with_columns(
        time=_time("first_edge"), open="opens", bounces=C.edges - 1,
        settle_ms=_ms("first_edge", "last_edge")), CONTACT_CHANGES)


def energisings(stretches: pl.DataFrame) -> pl.DataFrame:
    """ENERGISINGS, ``cut_ms`` left null."""
    return _table(stretches.with_columns(
        start=_time("start"), end=_time("end"), on_ms=_ms("start", "end"),
        again_ms=_ms("start", "again")), ENERGISINGS)


def with_cuts(stretches: pl.DataFrame, actuations: pl.DataFrame) -> pl.DataFrame:
    """ENERGISINGS with ``cut_ms`` filled in from ACTUATIONS."""
    # (A coarse clock stamps several pulses of a lock alike: the nth of them is the nth command.)
    nth = pl.int_range(pl.len()).over("lock", "start").alias("_nth")
    cuts = actuations.select("lock", "cut_ms", start="command_time").with_columns(nth).filter(
        C.cut_ms.is_not_null())
    return ENERGISINGS.conform(stretches.drop("cut_ms", strict=False).with_columns(nth).join(
        cuts, on=["lock", "start", "_nth"], how="left", maintain_order="left"))
