"""The state of a lock: one answer that every sheet, file and line of the terminal shows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import polars as pl

from remanence.analytics.conditions.coarse_clock import coarse_locks
from remanence.analytics.conditions.condition import catalogue
from remanence.analytics.conditions.in_play import openings_of_locks
from remanence.analytics.drift.clock_course import WANDERS_TO_TIME, wandering_locks
from remanence.analytics.history import History, once_per_history
from remanence.analytics.physics.pulse import present_pulses
from remanence.shared.findings import STATE_OF_URGENCY, STATES, Finding, rank
from remanence.shared.venue import Lock

ENOUGH = 5
"""Fewer judged commands than this in a week do not bear a verdict; common practice."""


@dataclass(frozen=True)
class Counts:
    """What happened to the commands of a stretch of time."""

    commands: int = 0
    released: int = 0
    unanswered: int = 0
    already_open: int = 0
    unobserved: int = 0
    retries: int = 0
    opened_alone: int = 0
    opened_energised: int = 0

    @property
    def judged(self) -> int:
        """Commands of which it is known whether they were answered."""
        return self.released + self.unanswered


@dataclass(frozen=True)
class LockState:
    """What is to be said of one lock in one week, whatever sheet says it.

    Attributes
    ----------
    lock, room : str
        As in the venue file.
    state : str
        One of :data:`~remanence.shared.findings.STATES`.
    findings : tuple of Finding
        Of the lock itself, most urgent first.
    of_rail : tuple of Finding
        Of its rail, where they reach it; most urgent first.
    silence : str
        Why there is too little data: ``no-log``, ``no-commands``, ``no-feedback``, ``few``,
        ``coarse-clock``, ``unsteady-clock``; empty else.
    week : Counts
        The week's commands and openings.
    pulse_ms : float or None
        The pulse (a magnet: the off-time) that the program sets now; None where it sets none.
    """

    lock: str
    room: str = ""
    state: str = "too-little-data"
    findings: tuple[Finding, ...] = ()
    of_rail: tuple[Finding, ...] = ()
    silence: str = ""
    week: Counts = field(default_factory=Counts)
    pulse_ms: float | None = None

    @property
    def cause(self) -> Finding | None:
        """The finding that its state rests on: its own, else its rail's; None without one."""
        return next(iter((*self.findings, *self.of_rail)), None)

    @property
    def usable(self) -> bool:
        """Whether the room may run with it."""
        return self.state != "do-not-run"

    def as_json(self) -> dict[str, Any]:
        """What every file says of the lock: state, findings, cause, pulse and facts of the week."""
        cause = self.cause
        return {
            "state": self.state, "too_little_data_because": self.silence or None,
            "findings": [found.condition for found in self.findings],
            "findings_of_rail": [found.condition for found in self.of_rail],
            "cause": cause.condition if cause else None,
            "pulse_now_ms": self.pulse_ms,
            "no_release": self.week.unanswered, "opened_energised": self.week.opened_energised,
        }


def state_of(
    findings: Sequence[Finding], silence: str, *, of_rail: Sequence[Finding] = (),
    week: Counts | None = None,
) -> str:
    """A subject's state: its most urgent finding, what happened, and whether enough was heard.

    Parameters
    ----------
    findings : sequence of Finding
        Of the subject itself.
    silence : str
        Why there is too little data; empty where there is enough.
    of_rail : sequence of Finding
        Of a lock's rail, where they reach it.
    week : Counts, optional
        Of a lock: what happened in the week.

    Returns
    -------
    str
        One of :data:`~remanence.shared.findings.STATES`. Never ``good`` beside a command that was
        not answered, an opening while energised or a finding of the rail: then ``watch``.
    """
    states = [STATE_OF_URGENCY[finding.urgency] for finding in findings]
    worst = min(states, key=STATES.index) if states else None
    if worst is not None and (worst != "watch" or not silence):
        return worst
    happened = week is not None and (week.unanswered > 0 or week.opened_energised > 0)
    if happened or (of_rail and not silence):
        return "watch"
    return "too-little-data" if silence else "good"


def lock_states(history: History, findings: Sequence[Finding]) -> dict[str, LockState]:
    """The state of every lock in the week of ``history``.

    Parameters
    ----------
    history : History
        The venue's tables up to the end of the week.
    findings : sequence of Finding
        All that stand in that week, in any order.

    Returns
    -------
    dict of str to LockState
        By lock id, in the venue file's order.

    Notes
    -----
    A finding of a rail reaches the locks that it feeds where its condition explains what locks do
    (``explains_on_locks`` of the catalogue), and is more than watched.
    """
    known = catalogue()
    ordered = sorted(findings, key=rank)
    own: dict[str, list[Finding]] = {}
    rails: dict[str, list[Finding]] = {}
    for found in ordered:
        if found.subject_kind == "lock":
            own.setdefault(found.subject, []).append(found)
        elif (found.subject_kind == "supply" and found.urgency != "watch"
              and found.condition in known and known[found.condition].explains_on_locks):
            rails.setdefault(found.subject, []).append(found)
    counts, logging = counts_by_week(history), controllers_with_log(history)
    pulses = present_pulses(history)
    coarse, unsteady = coarse_locks(history), wandering_locks(history, WANDERS_TO_TIME)
    states = {}
    for lock in history.venue.locks:
        week = counts.get(lock.id, {}).get(0, Counts())
        silence = _silence(lock, week, logging) or (
            "coarse-clock" if lock.id in coarse else
            "unsteady-clock" if lock.id in unsteady else "")
        said, of_rail = tuple(own.get(lock.id, ())), tuple(rails.get(lock.supply, ()))
        pulse = pulses.get(lock.id)
        states[lock.id] = LockState(
            lock.id, lock.room, state_of(said, silence, of_rail=of_rail, week=week), said,
            of_rail, silence, week, pulse.setting_ms if pulse else None)
    return states


@once_per_history
def controllers_with_log(history: History) -> frozenset[str]:
    """Controllers that logged anything in the week; all of them where only actuations are known."""
    week = history.this_week(history.activity, "hour").filter(pl.col("records") > 0)
    if not history.activity.height and history.this_week(
            history.actuations, "command_time").height:
        return frozenset(history.venue.controllers)
    return frozenset(week["controller"].unique().to_list())


@once_per_history
def counts_by_week(history: History) -> Mapping[str, Mapping[int, Counts]]:
    """What happened to each lock's commands, by lock and weeks ago (0: the week itself)."""
    outcome = pl.col("outcome")
    made = history.dated("actuations").group_by("lock", "weeks_ago").agg(
        commands=pl.len(),
        released=(outcome == "released").sum(),
        unanswered=(outcome == "no-release").sum(),
        already_open=(outcome == "already-open").sum(),
        unobserved=(outcome == "unobserved").sum(),
        retries=(pl.col("attempt").fill_null(1) > 1).sum(),
    )
    alone = openings_of_locks(history).group_by("lock", "weeks_ago").agg(
        opened_alone=pl.len(), opened_energised=pl.col("energised").fill_null(False).sum(),
    )
    both = made.join(alone, on=["lock", "weeks_ago"], how="full", coalesce=True).fill_null(0)
    counts: dict[str, dict[int, Counts]] = {}
    for row in both.sort("lock", "weeks_ago").to_dicts():
        lock, ago = row.pop("lock"), row.pop("weeks_ago")
        counts.setdefault(lock, {})[ago] = Counts(**row)
    return counts


def _silence(lock: Lock, week: Counts, logging: frozenset[str]) -> str:
    if lock.command_controller not in logging or (
            lock.contact is not None and lock.contact_controller not in logging):
        return "no-log"
    if lock.latency_kind is None:
        return "no-feedback"
    if week.commands == 0:
        return "no-commands"
    if week.judged < ENOUGH:
        return "few"
    return ""
