"""One span of records paired, step by step, going on from what the span before left.

Each step is a function on tables: edges (what really changes), commands (pulses, and what else was
on), rails and hours (what the levels show, stretch by stretch), waits (as far as the log goes),
movements, releases, attempts; at the end what is final, and what is carried over.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import polars as pl

from remanence.analytics.pairing import tables
from remanence.analytics.pairing.carry_over import CarryOver
from remanence.analytics.pairing.commands import (
    breaks_in,
    coils_on,
    later,
    pulses,
    with_others_on,
    with_repeats,
    with_waits,
)
from remanence.analytics.pairing.edges import (
    DAY_US,
    EDGES,
    PLACES,
    changes,
    levels_said,
)
from remanence.analytics.pairing.look import look
from remanence.analytics.pairing.movements import (
    judged,
    movements,
    releases,
    supply_outcomes,
    with_attempts,
    with_near_commands,
)
from remanence.analytics.pairing.polling import polling_of
from remanence.analytics.pairing.readings import Stretch
from remanence.analytics.pairing.second_clock import (
    latest_answers,
    on_first_clock,
    second_clocks,
    with_ahead,
    with_course,
)
from remanence.analytics.pairing.windows import NEVER
from remanence.analytics.pairing.wiring import Wiring

C = pl.col

Tables = dict[str, pl.DataFrame]

RECENT_US = 130_000_000
"""How long command edges are kept, as they bear on what the supply shows of later commands: the
minute before a command, the minute of its pulse that is looked at, two seconds after it, and eight
to spare."""


@dataclass(frozen=True)
class Span:
    """A span of records, paired."""

    final: Tables
    """Rows that no later record can change, by table."""
    unfinished: Tables
    """The others, as they stand at the span's end."""
    left: CarryOver


def pair_span(
    wiring: Wiring, records: pl.DataFrame, stretches: Iterable[Stretch],
    carried: CarryOver, until: int, *, is_last: bool,
) -> Span:
    """Pair a span of records.

    Parameters
    ----------
    wiring : Wiring
        The locks.
    records : polars.DataFrame
        RECORDS of the span.
    stretches : iterable of Stretch
        Its levels, one stretch after the other, from the span's begin to its end.
    carried : CarryOver
        What the span before left.
    until : int
        The span's end (exclusive), a turn of UTC days. [us]
    is_last : bool
        Nothing comes after it yet: the commands that are not over are looked at as they stand.

    Returns
    -------
    Span
    """
    polling = polling_of(records)
    ordered = levels_said(records, wiring, "command", "fires")
    fresh = _fresh_commands(ordered, carried, polling, wiring)
    said = levels_said(records, wiring, "contact", "open_value")
    shown = changes(said, _levels(carried.contacts))
    lines, clocks, levels = second_clocks(wiring, fresh, shown, carried.clocks, carried.levels)
    fresh = with_ahead(fresh, lines, wiring).with_columns(again=pl.lit(None, pl.Int64))
    edges = with_repeats(pl.concat([
        carried.commands, fresh.select(carried.commands.columns)]).sort("lock", "time"), ordered)
    shown = on_first_clock(shown, lines, wiring, carried.contacts)
    moved = with_near_commands(shown, edges)
    contacts = pl.concat([carried.contacts, moved]).sort("lock", "time")
    first_said = on_first_clock(
        said.group_by("lock").agg(C.time.min()).sort("lock"), lines, wiring).rename(
        {"time": "said"})
    locks = carried.locks.join(first_said, on="lock", how="left", maintain_order="left").select(
        "lock", "resume", contact_since=pl.coalesce("contact_since", "said"))

    commands = pulses(edges, wiring)
    coils = coils_on(edges, wiring)
    seen = look(wiring, records, edges, coils, commands, stretches, carried.until, until,
                is_last=is_last)
    broken, last_words = breaks_in(seen.runs, carried.last_words)
    figures, breaks = (pl.concat([carried.figures, seen.figures]),
                       pl.concat([carried.breaks, broken]))
    commands = with_waits(commands, breaks, last_words)
    moves = movements(contacts, commands, wiring.settle_us)
    commands = releases(commands, contacts, moves, locks)
    commands = commands.join(figures, on=["lock", "start"], how="left", maintain_order="left")
    moves = judged(moves, commands)
    commands = with_attempts(supply_outcomes(commands), moves, wiring.retry_us)

    # What was final before is left out, what no later record can change is final now.
    begun = locks.select("lock", begun="resume")
    news, new_moves = (
        frame.join(begun, on="lock", maintain_order="left").filter(C(time) >= C.begun)
        for frame, time in ((commands, "start"), (moves, "first_edge")))
    resume = _resume(news, new_moves, latest_answers(clocks, until, wiring), wiring, until)
    news, new_moves = (frame.join(resume, on="lock", maintain_order="left")
                       for frame in (news, new_moves))
    is_done, has_settled = C.start < C.resume, C.first_edge < C.resume
    final = _tables(wiring, news.filter(is_done), new_moves.filter(has_settled),
                    coils.filter(~C.lasts & (C.ended >= carried.until * PLACES)))
    final |= {"rail_hours": seen.rail_hours, "activity": seen.activity,
              "polling": with_course(polling, lines)}
    unfinished = _tables(wiring, news.filter(~is_done), new_moves.filter(~has_settled),
                         coils.filter("lasts"))

    needed = resume.join(_needed_from(commands, resume, until), on="lock", how="left",
                         maintain_order="left")
    commands, edges, contacts = (frame.join(needed, on="lock", maintain_order="left")
                                 for frame in (commands, edges, contacts))
    known = commands.filter((C.start >= C.needed) & (C.done_at < until * PLACES))
    earliest = needed.join(wiring.of_locks(controller="watcher"), on="lock").group_by(
        "controller").agg(C.needed.min())
    return Span(final, unfinished, CarryOver(
        locks=needed.join(locks, on="lock").select("lock", "resume", "contact_since"),
        commands=edges.filter(C.time >= C.needed).select(carried.commands.columns),
        contacts=contacts.filter(later("time", 1).fill_null(NEVER) >= C.needed).select(
            carried.contacts.columns),
        figures=figures.join(known, on=["lock", "start"], how="semi"),
        breaks=breaks.join(earliest, on="controller").filter(
            C("first") * PLACES > C.needed).select(breaks.columns),
        last_words=last_words, clocks=clocks, levels=levels, until=until))


def _levels(edges: pl.DataFrame) -> pl.DataFrame:
    """``lock`` and the level that it has after all these edges, ``before`` further ones."""
    return edges.group_by("lock", maintain_order=True).agg(before=C.on.last())


def _fresh_commands(
    said: pl.DataFrame, carried: CarryOver, polling: pl.DataFrame, wiring: Wiring
) -> pl.DataFrame:
    """The span's own command edges, with what is known of them now and not later."""
    before = _levels(carried.commands)
    edges = with_others_on(changes(said, before), before, wiring)
    return (edges.with_columns(day=(C.time // (DAY_US * PLACES)).cast(pl.Int32).cast(pl.Date))
            .join(wiring.of_locks(controller="contact_controller"), on="lock",
                  maintain_order="left")
            .join(polling, on=["controller", "day"], how="left", maintain_order="left")
            .select(*EDGES, "others_on", "resolution_ms", "clock_ms"))


def _tables(
    wiring: Wiring, commands: pl.DataFrame, moves: pl.DataFrame, coils: pl.DataFrame
) -> Tables:
    return {
        "actuations": tables.actuations(commands),
        "openings": tables.openings(moves, wiring.of_locks("pulsed")),
        "energisings": tables.energisings(coils),
        "contact_changes": tables.contact_changes(moves),
    }


def _resume(
    commands: pl.DataFrame, moves: pl.DataFrame, late: pl.DataFrame, wiring: Wiring, until: int
) -> pl.DataFrame:
    """``lock`` and ``resume``, an instant: up to it no later record can change a row.

    That is ``until``, so much earlier as answers may be stamped ``late``, or where the first row
    begins that later records may change.
    """
    ends = late.select("lock", ends=(until - C.late) * PLACES)
    until *= PLACES
    commands, moves = (frame.join(ends, on="lock", maintain_order="left")
                       for frame in (commands, moves))
    unsettled = C.last_edge + wiring.settle_us * PLACES >= C.ends
    held = moves.group_by("lock").agg(
        moved=C.first_edge.filter(unsettled | (C.opening & C.closed.is_null())).min(),
        waiting=C.first_edge.filter(unsettled).max())
    commands = commands.join(held, on="lock", how="left", maintain_order="left")
    open_still = (C.outcome == "released") & C.relock.is_null() & C.following.is_null()
    lasts = (C.natural.is_null() | (C.natural >= C.ends) | C.undecided | open_still
             | (C.done_at >= until) | (C.start <= C.waiting).fill_null(value=False))
    first = commands.filter(lasts).group_by("lock").agg(commanded=C.start.min())
    told = ends
    for found in (held, first):
        told = told.join(found, on="lock", how="left", maintain_order="left")
    told = told.select("lock", resume=pl.min_horizontal("moved", "commanded", "ends"))
    # Never within a command's wait: go back to where that command began.
    inside = commands.join(told, on="lock", maintain_order="left").filter(
        (C.start < C.resume) & (C.natural >= C.resume).fill_null(value=True))
    return told.join(inside.group_by("lock").agg(back=C.start.min()), on="lock", how="left",
                     maintain_order="left").select(
        "lock", resume=pl.min_horizontal("resume", "back"))


def _needed_from(commands: pl.DataFrame, resume: pl.DataFrame, until: int) -> pl.DataFrame:
    """``lock`` and ``needed``, an instant: rows from ``resume`` on rest on edges from there on.

    That is the first attempt of the last command before; and of the last while all are kept, as
    they bear on what the rails show.
    """
    told = resume.with_columns(pl.min_horizontal("resume", (until - RECENT_US) * PLACES))
    firsts = commands.join(told, on="lock").filter((C.attempt == 1) & (C.start < C.resume))
    return told.join(firsts.group_by("lock").agg(C.start.max()), on="lock", how="left").select(
        "lock", needed=pl.coalesce("start", "resume"))
