"""What a week's log could show of each subject: by it, earlier findings go on or end."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import polars as pl

from remanence.analytics.conditions.door_people import late_by_people
from remanence.analytics.conditions.drawn_load import drawn_loads
from remanence.analytics.conditions.exits import cuts_on_way_out
from remanence.analytics.conditions.in_play import openings_of_locks
from remanence.analytics.conditions.switch_off import outlasted
from remanence.analytics.history import Flags, History, Rows, per_lock
from remanence.shared.tables import BASELINE_ACTIONS


@dataclass(frozen=True)
class Shown:
    """What the week could show of one subject.

    ``told`` counts commands whose outcome was seen after the last work of the week (of a rail or
    controller: days with records), ``told_volts`` those with a sag; ``serviced`` is that work's
    day. ``unmoved`` commands neither released the lock nor moved its rail's volts (on an exit
    route: all that held), ``outlasted`` ones were outlasted by the load. ``supply`` is a lock's
    rail; ``late_by_people``: its door opens late in a way that people alone may have made. The
    medians, and the mean of the contact's further edges a movement, are None without a
    reading; the rest are counts of the week.
    """

    told: int = 0
    told_volts: int = 0
    latency_ms: float | None = None
    sag_volts: float | None = None
    unanswered: int = 0
    unmoved: int = 0
    outlasted: int = 0
    left_open: int = 0
    openings_energised: int = 0
    openings_unpowered: int = 0
    further_edges: float | None = None
    late_by_people: bool = False
    serviced: date | None = None
    supply: str | None = None


def what_was_shown(
    history: History, since: date | None = None
) -> dict[tuple[str, str], Shown]:
    """What the week of ``history`` could show of every subject of the venue file.

    Parameters
    ----------
    history : History
        The venue's tables up to the end of the week.
    since : date, optional
        Work on a lock counts from this day on: the first that no report has told of. Default: the
        week's Monday.

    Returns
    -------
    dict of (subject kind, subject) to Shown
        Locks, supplies, controllers, rooms, parts and the venue.
    """
    venue = history.venue
    rows = per_lock(history.dated("actuations").filter(pl.col("weeks_ago") == 0))
    opened = per_lock(openings_of_locks(history).filter(pl.col("weeks_ago") == 0))
    moved = per_lock(history.dated("contact_changes").filter(pl.col("weeks_ago") == 0))
    work = dict(history.service.filter(
        pl.col("action").is_in(list(BASELINE_ACTIONS))
        & pl.col("date").is_between(since or history.week.monday, history.week.sunday)
    ).group_by("lock").agg(pl.col("date").max()).rows())
    found: dict[tuple[str, str], Shown] = {}
    drawn, load, cuts = drawn_loads(history), outlasted(history), cuts_on_way_out(history)
    for lock in venue.locks:
        shown = _lock_shown(
            rows.get(lock.id), opened.get(lock.id), moved.get(lock.id), work.get(lock.id))
        if lock.id in drawn:
            of = drawn[lock.id]
            unanswered = of.rows.text("outcome") == "no-release"
            shown = replace(shown, unmoved=_after_work(of.rows, of.empty & unanswered, shown))
        if lock.id in cuts:
            held = _after_work(cuts[lock.id].rows, cuts[lock.id].held, shown)
            shown = replace(shown, unmoved=max(shown.unmoved, held))
        if lock.id in load:
            shown = replace(shown, outlasted=_after_work(*load[lock.id], shown))
        found["lock", lock.id] = replace(
            shown, supply=lock.supply, late_by_people=lock.id in late_by_people(history))
    hours = history.dated("rail_hours").filter(pl.col("weeks_ago") == 0)
    for supply in venue.supplies:
        days = hours.filter(pl.col("supply") == supply.id)["day"].n_unique()
        loaded = {day for lock in venue.locks_on(supply.id) if lock.id in rows for day in
                  rows[lock.id].filter(pl.col("sag_volts").is_finite())["day"]}
        found["supply", supply.id] = Shown(days, len(loaded))
    active = history.dated("activity").filter(pl.col("weeks_ago") == 0)
    for controller in venue.controllers:
        days = active.filter(pl.col("controller") == controller)["day"].n_unique()
        found["controller", controller] = Shown(days, days)
    days = active["day"].n_unique()
    found["venue", venue.id] = Shown(days, days)
    found |= {("room", name): Shown(days, days) for name in venue.rooms}
    found |= {("part", lock.part): Shown(days, days) for lock in venue.locks if lock.part}
    return found


def _after_work(rows: Rows, flags: Flags, shown: Shown) -> int:
    """How many rows of the week are flagged, of those after the last work in it."""
    live = flags & rows.now
    if shown.serviced is not None:
        live = live & (rows.day > shown.serviced.toordinal())
    return int(live.sum())


def _lock_shown(
    rows: pl.DataFrame | None, opened: pl.DataFrame | None, moved: pl.DataFrame | None,
    serviced: date | None,
) -> Shown:
    if rows is None:
        return Shown(serviced=serviced)
    if serviced is not None:
        rows = rows.filter(pl.col("day") > serviced)
        opened = None if opened is None else opened.filter(pl.col("day") > serviced)
        moved = None if moved is None else moved.filter(pl.col("day") > serviced)
    outcome, sag = pl.col("outcome"), pl.col("sag_volts")
    # In the middle of the poll, as findings state it.
    middle = pl.col("latency_ms") - pl.col("resolution_ms").fill_null(0.0) / 2
    seen = rows.select(
        told=outcome.is_in(["released", "no-release", "already-open"]).sum(),
        told_volts=sag.is_finite().fill_null(False).sum(),
        latency_ms=middle.median(), sag_volts=sag.median(),
        unanswered=(outcome == "no-release").sum(), left_open=(outcome == "already-open").sum(),
    ).row(0, named=True)
    energised = 0 if opened is None else int(opened["energised"].fill_null(False).sum())
    return Shown(
        **seen,
        openings_energised=energised,
        openings_unpowered=0 if opened is None else opened.height - energised,
        further_edges=None if moved is None else moved["bounces"].mean(),  # type: ignore[arg-type]
        serviced=serviced,
    )
