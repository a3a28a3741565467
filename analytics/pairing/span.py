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
from remanence.analytics.pairing.carry_over import BEGINNING, RECENT_US, CarryOver
from remanence.analytics.pairing.commands import (
    breaks_in,
    pulses,
    stretches_on,
    with_others_on,
    with_waits,
)
from remanence.analytics.pairing.edges import (
    DAY_US,
    PLACES,
    changes,
    command_records,
    contact_records,
)
from remanence.analytics.pairing.hours import hours_table
from remanence.analytics.pairing.look import Look, Stretch
from remanence.analytics.pairing.movements import (
    judged,
    movements,
    releases,
    supply_outcomes,
    with_attempts,
    with_near_commands,
)
from remanence.analytics.pairing.polling import polling_of
from remanence.analytics.pairing.readings import Levels
from remanence.analytics.pairing.wiring import Wiring
from remanence.shared.tables import ACTIVITY, RAIL_HOURS

C = pl.col

Tables = dict[str, pl.DataFrame]


@dataclass(frozen=True)
class Span:
    """A span of records, paired."""

    final: Tables
    """Rows that no later record can change, by table."""
    unfinished: Tables
    """The others, as they stand at the span's end."""
    left: CarryOver


def pair_span(
    wiring: Wiring, records: pl.DataFrame, stretches: Iterable[Stretch], before: Levels,
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
    before : mapping of (channel, quantity) to Records
        Levels of the last while before the span
        (:data:`remanence.analytics.pairing.look.LOOKS_BACK_US`).
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
    fresh = _fresh_commands(records, carried, polling, wiring)
    edges = pl.concat([carried.commands, fresh]).sort("lock", "time")
    moved = with_near_commands(
        changes(contact_records(records, wiring), _levels(carried, "contact_open")), edges)
    locks = _with_first_contacts(carried.locks, records, wiring)
    contacts = pl.concat([carried.contacts, moved]).sort("lock", "time")
    commands = pulses(_from(edges, locks), wiring)

    look = Look(wiring, records, edges, commands, before, carried.until)
    for stretch in stretches:
        look.at(stretch)
        del stretch  # before the next one is read
    if is_last:
        look.rest()
    figures = pl.concat([carried.figures, *look.figures])
    broken, last_words = breaks_in(look.runs(), carried.last_words)
    breaks = pl.concat([carried.breaks, broken])

    commands = with_waits(commands, breaks, last_words)
    moves = movements(contacts, commands, wiring.settle_us)
    commands = releases(commands, contacts, moves, locks)
    moves = judged(moves, commands, locks)
    commands = commands.join(figures, on=["lock", "start"], how="left", maintain_order="left")
    commands = with_attempts(supply_outcomes(commands), moves, locks, wiring.retry_us)
    coils = stretches_on(fresh, carried.still_on, wiring)

    resume = _resume(commands, moves, wiring, until)
    commands, moves, contacts = (
        frame.join(resume, on="lock", how="left", maintain_order="left")
        for frame in (commands, moves, contacts))
    is_done, has_settled = C.start < C.resume, C.first_edge < C.resume
    final = _tables(wiring, commands.filter(is_done), moves.filter(has_settled),
                    coils.filter(~C.lasts))
    final |= {"rail_hours": hours_table(RAIL_HOURS, "supply", look.hours),
              "activity": hours_table(ACTIVITY, "controller", look.activity), "polling": polling}
    unfinished = _tables(wiring, commands.filter(~is_done), moves.filter(~has_settled),
                         coils.filter("lasts"))
    waiting = commands.filter(~is_done & (C.done_at < until * PLACES)).select("lock", "start")
    left = CarryOver(
        locks=_locks_after(locks, fresh, contacts, commands, moves, resume),
        still_on=coils.filter("lasts").select("lock", "run", time="start").select(
            carried.still_on.columns),
        commands=edges.join(resume, on="lock").filter(
            (C.time >= C.resume) | (C.time >= (until - RECENT_US) * PLACES)).drop("resume"),
        contacts=contacts.filter(C.time >= C.resume).drop("resume"),
        figures=figures.join(waiting, on=["lock", "start"], how="semi"),
        breaks=_still_needed(breaks, resume, wiring), last_words=last_words, until=until)
    return Span(final, unfinished, left)


def _levels(carried: CarryOver, of: str) -> pl.DataFrame:
    return carried.locks.select("lock", before=of)


def _from(edges: pl.DataFrame, locks: pl.DataFrame) -> pl.DataFrame:
    """The edges that are paired: those from each lock's ``resume`` on."""
    return (edges.join(locks.select("lock", "resume"), on="lock", maintain_order="left")
            .filter(C.time >= C.resume).drop("resume"))


def _fresh_commands(
    records: pl.DataFrame, carried: CarryOver, polling: pl.DataFrame, wiring: Wiring
) -> pl.DataFrame:
    """The span's own command edges, with what is known of them now and not later."""
    edges = changes(command_records(records, wiring), _levels(carried, "releasing"))
    edges = with_others_on(edges, carried.locks, wiring)
    return (edges.with_columns(day=(C.time // (DAY_US * PLACES)).cast(pl.Int32).cast(pl.Date))
            .join(wiring.of_locks(controller="contact_controller"), on="lock",
                  maintain_order="left")
            .join(polling, on=["controller", "day"], how="left", maintain_order="left")
            .select(carried.commands.columns))


def _with_first_contacts(
    locks: pl.DataFrame, records: pl.DataFrame, wiring: Wiring
) -> pl.DataFrame:
    """The locks with their first contact record of all."""
    first = contact_records(records, wiring).group_by("lock").agg(C.time.min())
    return locks.join(first, on="lock", how="left", maintain_order="left").with_columns(
        contact_since=pl.coalesce("contact_since", "time")).drop("time")


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
    commands: pl.DataFrame, moves: pl.DataFrame, wiring: Wiring, until: int
) -> pl.DataFrame:
    """From when on each lock's edges have to be paired again: ``lock`` and ``resume``, an instant.

    That is ``until``, or where the first row begins that later records may change.
    """
    until *= PLACES
    unsettled = C.last_edge + wiring.settle_us * PLACES >= until
    held = moves.group_by("lock").agg(
        moved=C.first_edge.filter(unsettled | (C.opening & C.closed.is_null())).min(),
        waiting=C.first_edge.filter(unsettled).max())
    told = wiring.of_locks().join(held, on="lock", how="left", maintain_order="left")
    commands = commands.join(held, on="lock", how="left", maintain_order="left")
    open_still = (C.outcome == "released") & C.relock.is_null() & C.following.is_null()
    lasts = (C.natural.is_null() | (C.natural >= until) | C.undecided | open_still
             | (C.done_at >= until) | (C.start <= C.waiting).fill_null(value=False))
    first = commands.filter(lasts).group_by("lock").agg(commanded=C.start.min())
    told = told.join(first, on="lock", how="left", maintain_order="left").select(
        "lock", resume=pl.min_horizontal("moved", "commanded", pl.lit(until)))
    # Never within a command's wait: go back to where that command began.
    inside = commands.join(told, on="lock", maintain_order="left").filter(
        (C.start < C.resume) & (C.natural >= C.resume).fill_null(value=True))
    back = inside.group_by("lock").agg(back=C.start.min())
    return told.join(back, on="lock", how="left", maintain_order="left").select(
        "lock", resume=pl.min_horizontal("resume", "back"))


def _locks_after(
    locks: pl.DataFrame, fresh: pl.DataFrame, contacts: pl.DataFrame, commands: pl.DataFrame,
    moves: pl.DataFrame, resume: pl.DataFrame,
) -> pl.DataFrame:
    """``locks`` of the next :class:`CarryOver`."""
    past = commands.filter(C.start < C.resume).group_by("lock", maintain_order=True).agg(
        command_now=C.start.last(), outcome=C.outcome.last(), attempt=C.attempt.last(),
        waited=C.wait_end.last())
    opened = (moves.filter(C.opens & (C.first_edge < C.resume))
              .group_by("lock").agg(last_open=C.first_edge.max()))
    told = locks.drop("resume")
    for more in (
        resume, fresh.group_by("lock", maintain_order=True).agg(releasing_now=C.on.last()),
        contacts.group_by("lock", maintain_order=True).agg(
            open_now=C.on.last(), open_then=C.on.filter(C.time < C.resume).last()),
        past, opened,
    ):
        told = told.join(more, on="lock", how="left", maintain_order="left")
    since = pl.coalesce("waited", pl.lit(BEGINNING))
    return told.select(
        "lock", releasing=pl.coalesce("releasing_now", "releasing"),
        contact_open=pl.coalesce("open_now", "contact_open"), resume="resume",
        open_before=pl.coalesce("open_then", "open_before"), contact_since="contact_since",
        command=pl.coalesce("command_now", "command"),
        last_outcome=pl.coalesce("outcome", "last_outcome"),
        last_attempt=pl.coalesce("attempt", "last_attempt"),
        opened=(C.opened & C.waited.is_null()) | (C.last_open > since).fill_null(value=False))


def _still_needed(breaks: pl.DataFrame, resume: pl.DataFrame, wiring: Wiring) -> pl.DataFrame:
    """Breaks that a row not yet final may fall into."""
    earliest = (resume.join(wiring.of_locks(controller="watcher"), on="lock")
                .group_by("controller").agg(C.resume.min()))
    return breaks.join(earliest, on="controller").filter(C("first") * PLACES > C.resume).select(
        breaks.columns).sort("controller", "first")
