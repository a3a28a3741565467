"""All numbers of the weekly health report, gathered before a page is written."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

import polars as pl

from remanence.analytics.health import front as health_venue
from remanence.analytics.health.fault_measures import fault_measures
from remanence.analytics.health.lock_state import controllers_with_log, lock_states
from remanence.analytics.health.locks import history_of, lock_health, lock_tables
from remanence.analytics.health.model import Health
from remanence.analytics.health.physics_locks import physics_of
from remanence.analytics.health.physics_supplies import heat_by_lock, resistances, sags_by_supply
from remanence.analytics.health.supplies import supply_health, supply_tables
from remanence.analytics.health.traces import telling_actuations, traces_of
from remanence.analytics.history import History
from remanence.shared.absent import Absent
from remanence.shared.findings import Finding, rank
from remanence.shared.weeks import Week

__all__ = ["Health", "health", "telling_actuations"]


def health(
    history: History,
    findings: Sequence[Finding],
    *,
    traces: Mapping[str, pl.DataFrame] | None = None,
    earlier: Sequence[tuple[Week, Sequence[tuple[str, str]]]] = (),
    rejects: pl.DataFrame | None = None,
    never_came: Sequence[Absent] = (),
    service_set_aside: Sequence[str] = (),
    ended: Sequence[Finding] = (),
    version: str = "",
) -> Health:
    """Gather one venue's week.

    Parameters
    ----------
    history : History
        The venue's tables up to the end of the week.
    findings : sequence of Finding
        What was concluded from them, in any order.
    traces : mapping of str to polars.DataFrame, optional
        SIGNALS rows for the requests of :func:`telling_actuations`, by their key.
    earlier : sequence of (Week, sequence of (subject, condition)), optional
        What the reports of earlier weeks found.
    rejects : polars.DataFrame, optional
        REJECTS rows of the log files, to be counted by reason.
    never_came : sequence of Absent, optional
        Channels of the venue file that no log ever brought.
    service_set_aside : sequence of str
        Lines of the service log that could not be taken up.
    ended : sequence of Finding
        What earlier reports said and is over since the last of them.
    version : str
        Of the program.

    Returns
    -------
    Health
    """
    ordered = tuple(sorted(findings, key=rank))
    by_subject: dict[tuple[str, str], tuple[Finding, ...]] = {}
    for found in ordered:
        key = (found.subject_kind, found.subject)
        by_subject[key] = (*by_subject.get(key, ()), found)
    controllers = health_venue.controllers(
        history,
        {who: said for (kind, who), said in by_subject.items() if kind == "controller"},
    )
    made = lock_tables(history, ordered)
    states = lock_states(history, ordered)
    raw = traces_of(history, telling_actuations(history, ordered), traces or {})
    heat = heat_by_lock(history)
    measures = fault_measures(history, {
        who: said for (kind, who), said in by_subject.items() if kind == "lock"})
    locks = tuple(
        lock_health(
            lock, history, made, states[lock.id],
            raw.get(lock.id, ()), heat.get(lock.id), history_of(lock.id, earlier),
            fault=measures.get(lock.id),
        )
        for lock in history.venue.locks
    )
    hours, by_lock = supply_tables(history)
    now_ohms, before_ohms = resistances(history)
    sags = sags_by_supply(history)
    supplies = tuple(
        supply_health(
            supply, history, hours, by_lock, by_subject.get(("supply", supply.id), ()),
            now_ohms, before_ohms, sags.get(supply.id, ()),
        )
        for supply in history.venue.supplies
    )
    all_jobs = health_venue.jobs(ordered, history)
    counted, unanswered = health_venue.numbers(history, locks)
    return Health(
        venue=history.venue, week=history.week, version=version,
        heard=bool(controllers_with_log(history)), last_record=_last_record(history),
        jobs=tuple(job for job in all_jobs if job.lead.urgency in ("now", "week")),
        plans=tuple(job for job in all_jobs if job.lead.urgency == "plan"),
        watch=tuple(found for found in ordered if found.urgency == "watch"),
        locks=locks, supplies=supplies, controllers=controllers,
        mended=health_venue.mended(history, made.rows),
        untold=health_venue.untold(history, locks, controllers, ordered, rejects,
                                    never_came),
        numbers=counted, unanswered=unanswered,
        service_set_aside=tuple(service_set_aside), ended=tuple(ended), physics=physics_of(history),
    )


def _last_record(history: History) -> datetime | None:
    for frame, column in ((history.activity, "last"), (history.actuations, "command_time")):
        last = frame[column].max()
        if isinstance(last, datetime):
            return last.astimezone(history.venue.zone)
    return None
