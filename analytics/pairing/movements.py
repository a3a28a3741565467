"""What the feedback switches showed: movements, the releases among them, retries, openings."""

from __future__ import annotations

import polars as pl

from remanence.analytics.clocks.instants import PLACES, stamp
from remanence.analytics.pairing.edges import nearest, nearest_of_others, with_facts
from remanence.analytics.pairing.rails import SIX_NOISE
from remanence.shared.tables import OUTCOMES

C = pl.col

OUTCOME = pl.Enum(OUTCOMES)

NEAR_US = 2_000_000
"""How long after another lock's command an opening may have to do with it: a door
that a neighbour shakes moves at once, one that a spring pushes within a second or two."""


def with_near_commands(edges: pl.DataFrame, commands: pl.DataFrame) -> pl.DataFrame:
    """EDGES of contacts with the other lock whose releasing command came last, if within NEAR_US.

    Its name and when: ``other_lock``, ``other_time``; null without.
    """
    edges, fired = (frame.with_columns(venue=0) for frame in (edges, commands.filter("on")))
    found = nearest_of_others(edges, "time", fired, "venue", strategy="backward")
    near = stamp("time") - stamp("other_time") <= NEAR_US
    return found.with_columns(pl.when(near).then(name).alias(name) for name in (
        "other_lock", "other_time")).drop("venue").sort("lock", "time")


def movements(contacts: pl.DataFrame, commands: pl.DataFrame, settle_us: int) -> pl.DataFrame:
    """Chains of contact edges; a releasing command, or more than ``settle_us``, parts them.

    ``lock``, ``first_edge``, ``last_edge`` and number of ``edges``; ``opens`` and ``shuts``: it
    settled otherwise than it was; ``command``: the lock's last releasing command at or before it;
    ``other_lock`` and ``other_time`` of the first edge.
    """
    told = nearest(contacts, "time", commands, "start", strategy="backward", command="start")
    begins = (C.lock != C.lock.shift(1)) | (stamp("time") - stamp("time").shift(1) > settle_us) \
        | C.command.ne_missing(C.command.shift(1))
    told = told.with_columns(begins=begins.fill_null(value=True), place=pl.int_range(pl.len()))
    ends = told.filter(C.begins.shift(-1, fill_value=True)).select(
        last_edge="time", now="on", last_place="place")
    return pl.concat([told.filter("begins"), ends], how="horizontal").select(
        "lock", "command", "other_lock", "other_time", "last_edge", first_edge="time",
        edges=C.last_place - C.place + 1, opens=C.on & C.now, shuts=~C.on & ~C.now)


def releases(
    commands: pl.DataFrame, contacts: pl.DataFrame, moves: pl.DataFrame, locks: pl.DataFrame
) -> pl.DataFrame:
    """Commands, with their waits, and their outcome as the contact tells it.

    ``outcome``; ``release``, the first edge of the release; ``bounces``; ``relock``, the first edge
    that shows it locked again before the next command; ``contact_edges`` in the wait. ``locks``
    have ``contact_since``: their first contact record of all.
    """
    opens, shuts = moves.filter("opens"), moves.filter("shuts")
    counted = contacts.with_columns(count=pl.int_range(1, pl.len() + 1).over("lock"))
    # (A contact edge at the following command's own instant is that command's.)
    stop = pl.when(C.wait_end == C.following).then(C.wait_end - 1).otherwise("wait_end")
    told = with_facts(commands, locks.select("lock", "contact_since"))
    told = nearest(told, "start", counted, "time", strategy="backward", exact=False,
                   was_open="on", count_before="count")
    told = nearest(told, stop, counted, "time", strategy="backward", count_then="count")
    told = nearest(told, "start", opens, "first_edge", strategy="forward", release="first_edge",
                   edges="edges")
    was_open = C.was_open.fill_null(value=False)
    seen = C.open_value.is_not_null() & C.ahead.is_not_null() & (
        ~C.sense_learned | (C.contact_since <= C.wait_end).fill_null(value=False))
    there = (C.release <= C.wait_end) & (C.release < C.following).fill_null(value=True)
    told = told.with_columns(seen=seen, released=seen & ~was_open & there.fill_null(value=False))
    told = told.with_columns(
        release=pl.when("released").then("release"),
        bounces=pl.when("released").then(C.edges - 1),
        contact_edges=pl.when("seen").then(
            (C.count_then.fill_null(0) - C.count_before.fill_null(0)).clip(0)).otherwise(0),
        outcome=pl.when(~C.seen).then(pl.lit("unobserved")).when(was_open)
        .then(pl.lit("already-open")).when("released").then(pl.lit("released"))
        .when(C.broke_off & (stamp("wait_end") == stamp("start"))).then(pl.lit("unobserved"))
        .otherwise(pl.lit("no-release")).cast(OUTCOME))
    told = nearest(told, pl.coalesce("release", "start"), shuts, "first_edge", strategy="forward",
                   relock="first_edge")
    shut = C.released & (C.relock < C.following).fill_null(value=True)
    return told.with_columns(relock=pl.when(shut).then("relock")).drop(
        "edges", "seen", "released", "was_open", "count_before", "count_then", "contact_since")


def supply_outcomes(commands: pl.DataFrame) -> pl.DataFrame:
    """Outcomes of locks whose release is read off the end of the sag.

    A sag that ends while the command lasts is the lock cutting its own coil: it has opened, at the
    first reading that shows it. A sag that lasts as long as the command is a release not seen.
    No sag (already open, or the coil is not fed), or readings that could not show one: unobserved.
    """
    deep = (C.sag_volts >= SIX_NOISE * C.volts_noise).fill_null(value=False)
    cut = C.by_supply & deep & C.cut_ms.is_not_null()
    outcome = (pl.when(~C.by_supply).then("outcome").when(cut)
               .then(pl.lit("released", OUTCOME)).when(deep & (C.held == 1))
               .then(pl.lit("no-release", OUTCOME)).otherwise(pl.lit("unobserved", OUTCOME)))
    return commands.with_columns(
        outcome=outcome,
        release=pl.when(cut).then(C.start + (C.cut_ms * 1000).round().cast(pl.Int64) * PLACES)
        .otherwise("release"))


def with_attempts(commands: pl.DataFrame, moves: pl.DataFrame, retry_us: int) -> pl.DataFrame:
    """Commands with ``attempt``: retries are commands soon after one without release.

    Not if the lock opened in between.
    """
    told = nearest(commands, "start", moves.filter("opens"), "first_edge", strategy="backward",
                   exact=False, last_open="first_edge")
    linked = (
        (C.lock == C.lock.shift(1)) & (C.outcome.shift(1) == "no-release")
        & (stamp("start") - stamp("start").shift(1) <= retry_us)
        & ~(C.last_open > C.wait_end.shift(1)).fill_null(value=False)).fill_null(value=False)
    told = told.with_columns(game=(~linked).cum_sum())
    return told.with_columns(attempt=pl.int_range(1, pl.len() + 1).over("game")).drop(
        "last_open", "game")


def judged(moves: pl.DataFrame, commands: pl.DataFrame) -> pl.DataFrame:
    """:func:`movements` with what they had to do with commands, out of :func:`releases`.

    ``commanded``: within the wait of a command; ``opening``: it opened with no releasing command;
    ``closed``: when the lock next showed locked; ``last_outcome``: of its ``command``.
    """
    told = with_facts(moves, commands.select(
        "lock", "end", "natural", "wait_end", "release", "outcome", command="start"),
        "lock", "command")
    told = nearest(told, "first_edge", moves.filter("shuts"), "first_edge", strategy="forward",
                   exact=False, closed="first_edge")
    has = C.command.is_not_null()
    releasing = has & (C.end.is_null() | (C.first_edge < C.end))
    waited = has & (C.outcome != "released") & (C.natural.is_null() | (C.first_edge <= C.natural))
    return told.with_columns(
        commanded=has & (C.first_edge <= C.wait_end), last_outcome="outcome",
        opening=C.opens & C.release.ne_missing(C.first_edge) & ~releasing & ~waited)
