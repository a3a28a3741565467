"""What was commanded: one row a releasing command, what else was on, how long was waited."""

from __future__ import annotations

import polars as pl

from remanence.analytics.clocks.instants import PLACES, stamp
from remanence.analytics.pairing.edges import later, nearest, with_facts
from remanence.analytics.pairing.wiring import Wiring

C = pl.col

BREAKS = pl.Schema({"controller": pl.String(), "last": pl.Int64(), "first": pl.Int64()})
"""Where a controller's log breaks off: the last record before, the first of the next run after."""

RUNS = pl.Schema({"controller": pl.String(), "run": pl.Int64(), "first": pl.Int64(),
                  "last": pl.Int64()})
"""Stretches of records of one run, of each controller in the order of time."""

LAST_WORDS = pl.Schema({"controller": pl.String(), "run": pl.Int64(), "time": pl.Int64()})
"""The last record of each controller."""

LONGEST_US = 60_000_000
"""Of a longer pulse only this much is looked at."""

REACH_US = 2_000_000
"""How far the rail is looked at after a pulse's end, or after a magnet's cut."""


def with_others_on(edges: pl.DataFrame, levels: pl.DataFrame, wiring: Wiring) -> pl.DataFrame:
    """EDGES of all commands with ``others_on``: how many other locks on the rail were commanded on.

    All of one stamp on a rail is looked at as a whole. ``levels``: ``lock`` and ``before``, its
    command before them; a lock that is not there rests.
    """
    facts = wiring.of_locks("rail", "pulsed")
    is_on = (C.on == C.pulsed).cast(pl.Int64)
    at_first = facts.join(levels, on="lock", how="left").group_by("rail").agg(
        at_first=(C.before.fill_null(value=False) == C.pulsed).sum().cast(pl.Int64))
    return (edges.join(facts, on="lock").join(at_first, on="rail").sort("rail", "time")
            .with_columns(loads=C.at_first + (2 * is_on - 1).cum_sum().over("rail"),
                          _stamp=stamp("time"))
            .select(*edges.columns, others_on=C.loads.last().over("rail", "_stamp")
                    - is_on.last().over("lock", "_stamp"))
            .sort("lock", "time"))


def pulses(edges: pl.DataFrame, wiring: Wiring) -> pl.DataFrame:
    """One row a releasing command, out of EDGES of which each lock's begin with a releasing one.

    ``start``; ``end``, the transition back (null while it lasts); ``following``, the lock's next
    releasing edge; ``natural``, when the wait ends unless the log breaks off; ``done_at``, when all
    readings of its rail have come in; the edge's other columns; the lock's wiring.
    """
    looked_at = pl.when("pulsed").then(pl.min_horizontal("end", C.start + LONGEST_US * PLACES))
    return with_facts(
        edges.with_columns(start="time", end=later("time", 1), following=later("time", 2))
        .filter("on").drop("on", "time"), wiring.locks,
    ).with_columns(natural=pl.min_horizontal("following", C.end + C.coast_us * PLACES),
                   done_at=looked_at.otherwise("start") + REACH_US * PLACES)


def with_repeats(edges: pl.DataFrame, said: pl.DataFrame) -> pl.DataFrame:
    """EDGES of commands with ``again``: when records last ``said`` the level again that it begins.

    ``edges`` have ``again`` as far as it is known (null: never).
    """
    again = nearest(said.sort("lock", "time"), "time", edges, "time", strategy="backward",
                    begun="time", level="on").filter(C.on == C.level, C.time > C.begun)
    return with_facts(edges, again.group_by("lock", time="begun").agg(said_again=C.time.max()),
                      "lock", "time").with_columns(
        again=pl.max_horizontal("again", "said_again")).drop("said_again")


def coils_on(edges: pl.DataFrame, wiring: Wiring) -> pl.DataFrame:
    """Stretches with the coil on, out of EDGES of commands with ``again``.

    ``lock``, ``start``, ``run``, ``ended`` (the next edge), ``again`` and ``lasts``; ``end`` is
    null while it lasts and where the controller was started anew in between.
    """
    return with_facts(edges, wiring.of_locks("pulsed")).with_columns(
        ended=later("time", 1), run_then=later("run", 1)).filter(C.on == C.pulsed).select(
        "lock", "run", "ended", "again", start="time", lasts=C.ended.is_null(),
        end=pl.when(C.run == C.run_then).then("ended"))


def breaks_in(runs: pl.DataFrame, last: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """BREAKS between RUNS and the LAST_WORDS before them, and the LAST_WORDS after them."""
    before = last.select("controller", "run", first=pl.lit(None, pl.Int64), last="time")
    every = pl.concat([before, runs.select(before.columns)]).sort(
        "controller", "first", nulls_last=False, maintain_order=True)
    broke = (C.controller == C.controller.shift(1)) & (C.run != C.run.shift(1))
    return (every.with_columns(C.last.shift(1), broke=broke).filter("broke").select(BREAKS.names()),
            every.group_by("controller", maintain_order=True).agg(C.run.last(), time=C.last.last()))


def with_waits(
    commands: pl.DataFrame, breaks: pl.DataFrame, last_words: pl.DataFrame
) -> pl.DataFrame:
    """:func:`pulses` with when the wait for their release ended, by lock and start.

    ``wait_end``; ``broke_off``: the log's end, or a new run, cut the wait short; ``undecided``: a
    later record may show that it went on. They have ``ahead``: so much later the watcher stamps.
    [us]
    """
    found = commands.sort("start").join_asof(
        breaks.sort("first").select(C("first") * PLACES, _whole_tick("last").alias("break_at"),
                                    watcher="controller"),
        left_on="start", right_on="first", by="watcher", strategy="forward",
        allow_exact_matches=False, check_sortedness=False)
    found = found.join(last_words.select(_whole_tick("time"), watcher="controller"), on="watcher",
                       how="left")
    limit = pl.max_horizontal(
        pl.coalesce("break_at", "time") - C.ahead.fill_null(0) * PLACES, "start")
    broke_off = C.natural.is_null() | (limit < C.natural)
    return found.with_columns(
        wait_end=pl.min_horizontal("natural", limit), broke_off=broke_off,
        undecided=broke_off & C.break_at.is_null(),
    ).drop("break_at", "time", "first", strict=False).sort("lock", "start")


def _whole_tick(column: str) -> pl.Expr:
    """The last instant of a stamp: of a log's last record its whole tick was seen."""
    return C(column) * PLACES + PLACES - 1
