"""Which way round a contact of unknown sense is: learned from what commands do to it.

A contact that commands move shows open after them. Each releasing command casts a
vote: the value that the contact's first change in its wait goes to is "open".
Votes are counted day by day (UTC), each day as if it stood alone, so the order in
which records come in, or are cut into files, cannot change them. Of the two senses
the one with three votes or more, and three times as many as the other, is taken.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import polars as pl

from remanence.analytics.clocks.instants import PLACES, day_of
from remanence.analytics.pairing.edges import changes, levels_said, with_facts
from remanence.analytics.pairing.wiring import Wiring

C = pl.col

VOTES_NEEDED = 3
"""Fewest votes for the winning sense: one vote or two may be a bounce, or a hand at the door."""

VOTES_RATIO = 3
"""How many times as many votes the winning sense needs as the other: a contact that commands move
answers most of them the same way. Common practice, no source."""


def votes(records: pl.DataFrame, wiring: Wiring) -> dict[str, list[int]]:
    """Votes for "open is 0" and "open is 1" of locks whose contact's sense is not stated.

    ``records`` are RECORDS of whole UTC days; ``wiring`` has learned nothing.
    """
    asked = wiring.locks.filter(C.contact.is_not_null() & C.open_value.is_null())
    if asked.is_empty():
        return {}
    by = "lock", "day"
    records = records.join(asked, on="lock", how="semi").with_columns(day=day_of("time"))
    at_rest = asked.select("lock", before=pl.lit(value=False))
    moved = changes(records.filter(C.quantity == "contact"), None, by).select(
        *by, "time", shows="on", at="time")
    fired = changes(levels_said(records, wiring, "command", "fires"), at_rest, by)
    end, following = (C.time.shift(-step).over(by) for step in (1, 2))
    fired = with_facts(fired, asked.select("lock", "coast_us")).with_columns(
        stop=pl.min_horizontal(end + C.coast_us * PLACES, following - 1)).filter("on")
    cast = fired.join_asof(moved, on="time", by=by, strategy="forward", check_sortedness=False)
    cast = cast.filter(C.at.is_not_null() & (C.stop.is_null() | (C.at <= C.stop)))
    counted = cast.group_by("lock").agg(zero=(~C.shows).sum(), one=C.shows.sum())
    return {str(lock): [zero, one] for lock, zero, one in counted.rows()}


def decide_votes(counts: Mapping[str, Sequence[int]]) -> dict[str, str]:
    """What the votes say: closed when ``locked`` or ``open``, by lock; undecided ones left out."""
    learned = {}
    for name, (zero, one) in sorted(counts.items()):
        most, least = max(zero, one), min(zero, one)
        if most >= VOTES_NEEDED and most >= VOTES_RATIO * least:
            learned[name] = "locked" if zero > one else "open"
    return learned
