"""The rows of pairing as tables of the schemas in :mod:`remanence.shared.tables`."""

from __future__ import annotations

import polars as pl

from remanence.analytics.clocks.instants import stamp
from remanence.shared.table import TIMESTAMP, in_order
from remanence.shared.tables import ACTUATIONS, CONTACT_CHANGES, ENERGISINGS, OPENINGS

C = pl.col


def _ms(since: str, until: str | pl.Expr) -> pl.Expr:
    """Milliseconds from one instant to another, as they were stamped.

    A product and not a quotient: Polars divides many rows by multiplying with the inverse, but one
    row by dividing it, and the two differ in the last digit.
    """
    return (stamp(until) - stamp(since)) * 0.001


def _time(of: str) -> pl.Expr:
    return stamp(of).cast(TIMESTAMP)


def actuations(commands: pl.DataFrame) -> pl.DataFrame:
    """ACTUATIONS of commands with their outcome, figures and wiring."""
    return ACTUATIONS.conform(commands.with_columns(
        command_time=_time("start"),
        pulse_ms=_ms("start", "end"),
        latency_ms=_ms("start", "release"),
        waited_ms=_ms("start", pl.coalesce("release", "wait_end")),
        resolution_ms=pl.when("by_supply").then("cut_gap_ms").otherwise("resolution_ms"),
        relock_ms=_ms("release", "relock"),
        contact_edges=pl.when(C.contact.is_not_null()).then("contact_edges")))


def openings(moves: pl.DataFrame, held: pl.DataFrame) -> pl.DataFrame:
    """OPENINGS among judged movements; ``held``: ``lock`` and ``pulsed``."""
    return OPENINGS.conform(moves.filter("opening").join(held, on="lock").with_columns(
        time=_time("first_edge"),
        energised=~C.pulsed,
        since_command_ms=_ms("command", "first_edge"),
        bounces=C.edges - 1,
        open_ms=_ms("first_edge", "closed"),
        other_ms=_ms("other_time", "first_edge")))


def contact_changes(moves: pl.DataFrame) -> pl.DataFrame:
    """CONTACT_CHANGES among judged movements."""
    return CONTACT_CHANGES.conform(moves.filter(C.opens | C.shuts).with_columns(
        time=_time("first_edge"), open="opens", bounces=C.edges - 1,
        settle_ms=_ms("first_edge", "last_edge")))


def energisings(stretches: pl.DataFrame) -> pl.DataFrame:
    """ENERGISINGS, ``cut_ms`` left null."""
    return ENERGISINGS.conform(stretches.with_columns(
        start=_time("start"), end=_time("end"), on_ms=_ms("start", "end"),
        again_ms=_ms("start", "again")))


def with_cuts(stretches: pl.DataFrame, actuations: pl.DataFrame) -> pl.DataFrame:
    """ENERGISINGS with ``cut_ms`` filled in from ACTUATIONS."""
    cuts = _numbered(actuations.select("lock", "cut_ms", start="command_time")).filter(
        C.cut_ms.is_not_null())
    return ENERGISINGS.conform(_numbered(stretches.drop("cut_ms", strict=False)).join(
        cuts, on=["lock", "start", "_nth"], how="left", maintain_order="left"))


def _numbered(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows by ``lock`` and ``start`` with ``_nth``, their number among those that are alike.

    A coarse clock stamps several pulses of a lock alike: the nth of them is the nth command.
    """
    keys = ("lock", "start")
    if not in_order(rows, keys):
        rows = rows.sort(keys, maintain_order=True)
    place = pl.int_range(pl.len())
    # Alike rows follow each other: to count from the first of them takes no groups.
    alike = (C.lock == C.lock.shift(1)) & (C.start == C.start.shift(1))
    first = pl.when(~alike.fill_null(False)).then(place).forward_fill()
    return rows.with_columns(_nth=place - first)
