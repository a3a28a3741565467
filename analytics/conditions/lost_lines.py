"""The condition lost-lines: a controller's records are lost one by one, or in short runs.

A network that drops one message in a hundred leaves no silence to see. What it leaves are commands
that never end: the record of their end was lost, while the rail was unloaded, or the catch had
locked again, long before the next record of that channel. Each command has one end, so their share
is about the share of records that are lost.
"""

from __future__ import annotations

import polars as pl

from remanence.analytics.conditions.condition import Condition, finding
from remanence.analytics.conditions.evidence import share_evidence
from remanence.analytics.history import History, once_per_history, per_lock, with_weeks
from remanence.analytics.physics.on_times import times_of
from remanence.analytics.statistics.rates import chance_of_fault
from remanence.shared.findings import Amount, Finding, say
from remanence.shared.venue import Lock

LOST_WEEKS = 2
"""Weeks that are looked at together: one in a hundred is two or three a week. Assumption."""
_FEWEST, _FEWEST_LOCKS = 3, 2
"""Lost ends that are told, and locks that they lie on: one lock alone may have a contact that shows
it locked while its coil is on. Assumption."""
_LEAST_SHARE = 0.004
"""Share of lost records below which nothing comes of it: one in 250. Assumption."""
_KEPT, _LOST, _PRIOR = (1.0, 5000.0), (1.0, 80.0), 1 / 20
"""Beta priors of the share of ends that are not in the log, of a network that keeps its records
and of one that loses some, and the chance of the latter before any data. Assumption."""
_PLAN_SHARE = 0.01
"""From this share on it is planned for; below it is watched. Assumption."""


@once_per_history
def lost_shares(history: History) -> dict[str, float]:
    """Share of each controller's records that are lost; only of controllers where some are.

    A sound lock's command then looks unanswered, or finds it open, as often.
    """
    return {item.subject: (item.evidence[0].now or 0.0) / 100 for item in lost_lines(history)}


def with_lost(
    history: History, lock: Lock, healthy: tuple[float, float]
) -> tuple[float, float]:
    """Shapes of the beta prior of a sound lock's rate, where its contact's records are lost too."""
    share = lost_shares(history).get(lock.contact_controller or "", 0.0)
    return healthy[0] + share * healthy[1], healthy[1]


@once_per_history
def lost_lines(history: History) -> list[Finding]:
    """Controllers of which so many commands have no end that records must have been lost.

    Parameters
    ----------
    history : History
        ``energisings`` and ``actuations`` are used.

    Returns
    -------
    list of Finding
        ``lost-lines`` of controllers.
    """
    by_lock = per_lock(with_weeks(
        times_of(history).select("lock", "start", "end_lost"), "start", history).drop("start"))
    of_controller: dict[str, list[pl.DataFrame]] = {}
    for lock in history.venue.locks:
        if lock.pulsed and lock.id in by_lock:
            of_controller.setdefault(lock.command_controller, []).append(by_lock[lock.id])
    found = []
    for controller, parts in of_controller.items():
        part = pl.concat(parts)
        recent = pl.col("weeks_ago") < LOST_WEEKS
        now, lost = part.filter(recent), part.filter(recent & pl.col("end_lost"))
        count, total = lost.height, now.height
        if (count < _FEWEST or lost["lock"].n_unique() < _FEWEST_LOCKS
                or count < _LEAST_SHARE * total or lost["weeks_ago"].min() != 0):
            continue
        past = part.filter(~recent)
        first = lost["day"].min()
        found.append(finding(
            controller, "lost-lines", "plan" if count >= _PLAN_SHARE * total else "watch",
            chance_of_fault(count, total, healthy=_KEPT, faulty=_LOST, prior=_PRIOR),
            since=first,  # type: ignore[arg-type]
            says=[say("records-lost", found=count, total=total,
                      percent=Amount(100 * count / total, "%"))],
            evidence=[share_evidence(
                "commands-whose-end-is-not-in-the-log", (count, total),
                (past.filter("end_lost").height, past.height) if past.height else None)],
            subject_kind="controller",
        ))
    return sorted(found, key=lambda item: item.subject)


LOST_LINES = Condition(
    "lost-lines", (lost_lines,), ("commands-whose-end-is-not-in-the-log",),
    subject_kinds=("controller",), mechanisms=(),
)
