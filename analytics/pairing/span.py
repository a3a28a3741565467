"""One span of records paired, step by step, going on from what the span before left.

Each step is a function on tables: edges (what really changes), commands (pulses, and what else was
on), rails and hours (what the levels show, stretch by stretch), waits (as far as the log goes),
movements, releases, attempts; at the end what is final, and what is carried over.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import polars as pl

from remanence.analytics.clocks.instants import PLACES, day_of
from remanence.analytics.clocks.polling import polling_of
from remanence.analytics.clocks.second_clock import (
    latest_answers,
    on_first_clock,
    second_clocks,
    with_ahead,
    with_course,
)
from remanence.analytics.pairing import commands as commanding
from remanence.analytics.pairing import movements as moving
from remanence.analytics.pairing import tables
from remanence.analytics.pairing.carry_over import CarryOver
from remanence.analytics.pairing.edges import changes, later, levels_said, nearest, with_facts
from remanence.analytics.pairing.look import look
from remanence.analytics.pairing.readings import Stretch
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
        Nothing comes after it yet: commands that are not over are looked at as they stand.
    """
    # The edges of commands and of contacts, brought to one clock.
    polling = polling_of(records)
    ordered = levels_said(records, wiring, "command", "fires")
    shown = levels_said(records, wiring, "contact", "open_value")
    was_ordered, was_shown = (frame.group_by("lock").agg(before=C.on.last())
                              for frame in (carried.commands, carried.contacts))
    fresh, moved = changes(ordered, was_ordered), changes(shown, was_shown)
    lines, clocks, levels = second_clocks(
        wiring.pairs, wiring.settle_us, fresh, moved, carried.clocks, carried.levels)
    fresh = with_ahead(commanding.with_others_on(fresh, was_ordered, wiring), lines, wiring.pairs)
    fresh = _with_resolution(fresh, polling, wiring)
    edges = commanding.with_repeats(pl.concat([
        carried.commands, fresh.select(carried.commands.columns)]).sort("lock", "time"), ordered)
    moved = on_first_clock(moved, lines, wiring.pairs, carried.contacts)
    contacts = pl.concat([
        carried.contacts, moving.with_near_commands(moved, edges)]).sort("lock", "time")
    first_shown = on_first_clock(
        shown.group_by("lock").agg(C.time.min()).sort("lock"), lines, wiring.pairs)
    locks = with_facts(carried.locks, first_shown).select(
        "lock", "resume", contact_since=pl.coalesce("contact_since", "time"))

    # What was commanded, what the levels show of it, what the contacts did.
    commands, coils = commanding.pulses(edges, wiring), commanding.coils_on(edges, wiring)
    seen = look(wiring, records, edges, coils, commands, stretches, carried.until, until,
                is_last=is_last)
    broken, last_words = commanding.breaks_in(seen.runs, carried.last_words)
    figures, breaks = pl.concat([carried.figures, seen.figures]), pl.concat([
        carried.breaks, broken])
    commands = commanding.with_waits(commands, breaks, last_words)
    moves = moving.movements(contacts, commands, wiring.settle_us)
    commands = moving.releases(commands, contacts, moves, locks)
    moves = moving.judged(moves, commands)
    commands = moving.supply_outcomes(with_facts(commands, figures, "lock", "start"))
    commands = moving.with_attempts(commands, moves, wiring.retry_us)

    # What was final before is left out, what no later record can change is final now.
    late = latest_answers(clocks, until, wiring.pairs)
    resume = _resume(commands, moves, late, locks, wiring, until)
    commands, moves, edges, contacts = (
        with_facts(frame, resume) for frame in (commands, moves, edges, contacts))
    news, new_moves = commands.filter(C.start >= C.begun), moves.filter(C.first_edge >= C.begun)
    is_done, has_settled = C.start < C.resume, C.first_edge < C.resume
    final = _tables(wiring, news.filter(is_done), new_moves.filter(has_settled),
                    coils.filter(~C.lasts & (C.ended >= carried.until * PLACES)))
    unfinished = _tables(wiring, news.filter(~is_done), new_moves.filter(~has_settled),
                         coils.filter("lasts"))
    final |= {"rail_hours": seen.rail_hours, "activity": seen.activity,
              "polling": with_course(polling, lines)}
    known = commands.filter((C.start >= C.needed) & (C.done_at < until * PLACES))
    earliest = resume.join(wiring.of_locks(controller="watcher"), on="lock").group_by(
        "controller").agg(C.needed.min())
    return Span(final, unfinished, CarryOver(
        locks=with_facts(locks.drop("resume"), resume).select(carried.locks.columns),
        commands=edges.filter(C.time >= C.needed).select(carried.commands.columns),
        contacts=contacts.filter(later("time", 1).fill_null(NEVER) >= C.needed).select(
            carried.contacts.columns),
        figures=figures.join(known, on=["lock", "start"], how="semi"),
        breaks=breaks.join(earliest, on="controller").filter(
            C("first") * PLACES > C.needed).select(breaks.columns),
        last_words=last_words, clocks=clocks, levels=levels, until=until))


def _with_resolution(edges: pl.DataFrame, polling: pl.DataFrame, wiring: Wiring) -> pl.DataFrame:
    """Command edges with what POLLING says of the contacts' stamps on that day."""
    whose = with_facts(edges, wiring.of_locks(controller="contact_controller"))
    return with_facts(whose.with_columns(day=day_of("time"), again=pl.lit(None, pl.Int64)),
                      polling, "controller", "day")


def _tables(
    wiring: Wiring, commands: pl.DataFrame, moves: pl.DataFrame, coils: pl.DataFrame
) -> Tables:
    return {"actuations": tables.actuations(commands),
            "openings": tables.openings(moves, wiring.of_locks("pulsed")),
            "energisings": tables.energisings(coils),
            "contact_changes": tables.contact_changes(moves)}


def _resume(
    commands: pl.DataFrame, moves: pl.DataFrame, late: pl.DataFrame, locks: pl.DataFrame,
    wiring: Wiring, until: int,
) -> pl.DataFrame:
    """Up to where each lock's rows are final, and what the others rest on.

    By ``lock`` these instants: ``begun``, up to where they were final before; ``resume``, up to
    where no later record can change one; ``needed``, from where on edges are kept: the first
    attempt of the last command before, and of the last while all are kept, as they bear on what the
    rails show.
    """
    # Nothing is sure from the span's end on, so much earlier as answers may be stamped late, or
    # from where a movement begins that may not have settled by then.
    ends = with_facts(locks, late).select(
        "lock", begun="resume", ends=(until - C.late.fill_null(0)) * PLACES)
    unsettled = with_facts(moves, ends).filter(C.last_edge + wiring.settle_us * PLACES >= C.ends)
    sure = with_facts(ends, unsettled.group_by("lock").agg(C.first_edge.min())).select(
        "lock", "begun", sure=pl.min_horizontal("ends", "first_edge"))
    commands, moves = with_facts(commands, sure), with_facts(moves, sure)
    open_still = (C.outcome == "released") & C.relock.is_null() & C.following.is_null()
    lasts = (C.natural.is_null() | (C.natural >= C.sure) | C.undecided | open_still
             | (C.relock >= C.sure) | (C.done_at >= until * PLACES))
    open_then = C.opening & (C.closed.is_null() | (C.closed >= C.sure))
    told = pl.concat([sure, *(
        frame.filter(may_change, C(time) >= C.begun).select("lock", "begun", sure=time)
        for frame, time, may_change in ((commands, "start", lasts),
                                        (moves, "first_edge", open_then)))])
    told = told.group_by("lock").agg(
        C.begun.first(), resume=pl.max_horizontal(C.begun.first(), C.sure.min())).sort("lock")
    recent = pl.min_horizontal("resume", (until - RECENT_US) * PLACES)
    return nearest(told, recent, commands.filter(C.attempt == 1), "start", strategy="backward",
                   first_try="start").with_columns(needed=pl.coalesce("first_try", recent))
