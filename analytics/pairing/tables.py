"""The rows of pairing as tables of the schemas in :mod:`remanence.shared.tables`."""

from __future__ import annotations

import polars as pl

from remanence.shared.table import TIMESTAMP, Table
from remanence.shared.tables import ACTUATIONS, CONTACT_CHANGES, ENERGISINGS, OPENINGS

C = pl.col


def _ms(microseconds: pl.Expr) -> pl.Expr:
    """Milliseconds.

    A product and not a quotient: Polars divides many rows by multiplying with the inverse, but one
    row by dividing it, and the two differ in the last digit.
    """
    return microseconds * 0.001


def _table(frame: pl.DataFrame, table: Table) -> pl.DataFrame:
    return table.conform(frame.with_columns(C("lock").cast(pl.String)))


def actuations(commands: pl.DataFrame) -> pl.DataFrame:
    """ACTUATIONS of commands with their outcome, figures and wiring."""
    answer = pl.coalesce("release", "wait_end")
    return _table(commands.with_columns(
        command_time=C.start.cast(TIMESTAMP),
        pulse_ms=_ms(C.end - C.start),
        outcome=C.outcome.cast(pl.String),
        latency_ms=_ms(C.release - C.start),
        waited_ms=_ms(answer - C.start),
        resolution_ms=pl.when("by_supply").then("cut_gap_ms").otherwise("resolution_ms"),
        relock_ms=_ms(C.relock - C.release),
        contact_edges=pl.when(C.contact.is_not_null()).then("contact_edges"),
    ), ACTUATIONS)


def openings(moves: pl.DataFrame, held: pl.DataFrame) -> pl.DataFrame:
    """OPENINGS among judged movements; ``held``: ``lock`` and ``pulsed``."""
    return _table(moves.filter("opening").join(held, on="lock").with_columns(
        time=C.first_edge.cast(TIMESTAMP),
        energised=~C.pulsed,
        since_command_ms=_ms(C.first_edge - C.since),
        last_outcome=C.last_outcome.cast(pl.String),
        bounces=C.edges - 1,
        open_ms=_ms(C.closed - C.first_edge),
        other_lock=C.other_lock.cast(pl.String),
        other_ms=_ms(C.first_edge - C.other_time),
    ), OPENINGS)


def contact_changes(moves: pl.DataFrame) -> pl.DataFrame:
    """CONTACT_CHANGES among judged movements."""
    return _table(moves.filter(C.opens | C.shuts).with_columns(
        time=C.first_edge.cast(TIMESTAMP), open="opens", bounces=C.edges - 1,
        settle_ms=_ms(C.last_edge - C.first_edge)), CONTACT_CHANGES)


def energisings(stretches: pl.DataFrame) -> pl.DataFrame:
    """ENERGISINGS, ``cut_ms`` left null."""
    return _table(stretches.with_columns(
        C.start.cast(TIMESTAMP), C.end.cast(TIMESTAMP), on_ms=_ms(C.end - C.start)), ENERGISINGS)


def with_cuts(stretches: pl.DataFrame, actuations: pl.DataFrame) -> pl.DataFrame:
    """ENERGISINGS with ``cut_ms`` filled in from ACTUATIONS."""
    cuts = actuations.filter(C.cut_ms.is_not_null()).select(
        "lock", "cut_ms", start="command_time")
    return ENERGISINGS.conform(
        stretches.drop("cut_ms", strict=False).join(cuts, on=["lock", "start"], how="left"))
