"""The numbers of the front page that belong to no one lock: controllers, work, gaps, counts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import timedelta

import polars as pl

from remanence.analytics.conditions.swapped import swap_notes
from remanence.analytics.drift.clock_course import clock_notes
from remanence.analytics.health.lock_state import ENOUGH, Counts, state_of
from remanence.analytics.health.locks import (
    change_percent,
    estimate,
    service_mark,
    share,
    step_ms,
)
from remanence.analytics.health.model import (
    Compared,
    ControllerHealth,
    Estimate,
    Job,
    LockHealth,
    Mended,
    ServiceMark,
    Untold,
)
from remanence.analytics.history import History, per_lock, polls_known
from remanence.analytics.physics.latency import release_latency
from remanence.analytics.physics.regimes import regimes
from remanence.shared.absent import Absent
from remanence.shared.findings import STATE_OF_URGENCY, Finding, rank
from remanence.shared.tables import BASELINE_ACTIONS
from remanence.shared.venue import controller_of

COARSE_MS = 25.0
"""A step wider than this hides the change of a latch of 25 ms (trade practice: poll no coarser
than the scatter of the lock, 4 to 10 ms)."""

USUAL_WEEKS = 4
MENDED_DAYS = 14

TOGETHER = ("release-test-due",)
"""Conditions whose subjects make one job: one walk with one test."""

NEEDS_PART = (
    "no-release", "slow-drop", "coil-open", "coil-current-high", "hot-coil", "stuck-energised",
    "contact-chatter", "contact-stuck", "self-cut-failed", "sticking-catch", "weakening-hold",
)
"""Conditions after which the lock's own part may have to be changed."""


def controllers(
    history: History, findings: Mapping[str, tuple[Finding, ...]]
) -> tuple[ControllerHealth, ...]:
    """What every controller that the venue file names has logged in the week."""
    week = history.this_week(history.activity, "hour")
    clocks = history.this_week(history.clock_events, "time")
    polled = polls_known(history).filter(
        pl.col("day").is_between(history.week.monday, history.week.sunday)
    )
    result = []
    for name in history.venue.controllers:
        own, events = (frame.filter(pl.col("controller") == name) for frame in (week, clocks))
        steps = polled.filter(pl.col("controller") == name)["resolution_ms"].drop_nulls()
        said = findings.get(name, ())
        last = own["last"].max()
        silences = own["longest_silence_s"].drop_nulls()
        result.append(ControllerHealth(
            controller=name, state=state_of(said, "" if own.height else "no-log"), findings=said,
            records=int(own["records"].sum() or 0), hours=own.height,
            last=last.astimezone(history.venue.zone) if last is not None else None,  # type: ignore[union-attr]
            longest_silence_s=float(silences.max()) if silences.len() else None,  # type: ignore[arg-type]
            restarts=events.filter(pl.col("kind") == "restart").height,
            resolution_ms=float(steps.median()) if steps.len() else None,  # type: ignore[arg-type]
            clock_events=events.height,
            clock_unmended=events.filter(~pl.col("mended").fill_null(False)).height,
            locks=sum(
                name in (lock.command_controller, lock.contact_controller)
                for lock in history.venue.locks
            ),
        ))
    return tuple(result)


def jobs(findings: Sequence[Finding], history: History) -> tuple[Job, ...]:
    """Findings that ask for hands, one job for each subject, the most urgent first.

    What is only watched makes no job. Subjects that need nothing but the same
    due test share one.
    """
    asked = sorted((item for item in findings if item.urgency != "watch"), key=rank)
    by_subject: dict[tuple[str, str], list[Finding]] = {}
    for found in asked:
        by_subject.setdefault((found.subject_kind, found.subject), []).append(found)
    together: dict[tuple[str, str], list[Finding]] = {}
    made: list[Job] = []
    for (kind, subject), own in by_subject.items():
        if len(own) == 1 and own[0].condition in TOGETHER:
            together.setdefault((own[0].condition, own[0].urgency), []).append(own[0])
        else:
            made.append(_job(history, kind, (subject,), own))
    made += [_job(history, own[0].subject_kind, tuple(item.subject for item in own), own[:1])
             for own in together.values()]
    return tuple(sorted(made, key=lambda job: rank(job.lead)))


def _job(
    history: History, kind: str, subjects: tuple[str, ...], own: Sequence[Finding]
) -> Job:
    locks = [history.venue.locks_by_id[name] for name in subjects
             if kind == "lock" and name in history.venue.locks_by_id]
    part = None
    if len(locks) == 1 and any(item.condition in NEEDS_PART for item in own):
        part = locks[0].part
    entry = history.venue.parts_by_id.get(part) if part else None
    return Job(
        subjects=subjects, kind=kind, rooms=tuple(dict.fromkeys(lock.room for lock in locks)),
        state=STATE_OF_URGENCY[own[0].urgency], lead=own[0], others=tuple(own[1:]),
        part=part, part_in_stock=entry.in_stock if entry else None,
    )


def mended(history: History, rows: pl.DataFrame) -> tuple[Mended, ...]:
    """Work of this week and the one before, with the log's word on whether it helped.

    Compared are the four weeks before the day of the work and all that came after
    it. The verdict is ``better`` or ``worse`` only where the 95 % intervals of the
    medians, or of the shares of unanswered commands, do not meet.
    """
    since = history.week.sunday - timedelta(days=MENDED_DAYS - 1)
    work = history.service.filter(
        (pl.col("date") >= since) & pl.col("action").is_in(list(BASELINE_ACTIONS))
    ).sort("date", "lock", "action", descending=[True, False, False])
    by_lock = per_lock(rows)
    result = []
    for row in work.to_dicts():
        mark = service_mark(row)
        own = by_lock.get(mark.lock)
        if own is None or mark.lock not in history.venue.locks_by_id:
            nothing = Estimate()
            result.append(Mended(mark, "unobserved", nothing, nothing, nothing, nothing, None))
            continue
        day = pl.col("day")
        earlier = own.filter((day < mark.day) & (day >= mark.day - timedelta(weeks=USUAL_WEEKS)))
        later = own.filter(day > mark.day)
        result.append(_effect(mark, earlier, later))
    return tuple(result)


def _effect(mark: ServiceMark, earlier: pl.DataFrame, later: pl.DataFrame) -> Mended:
    medians, shares = [], []
    for rows in (earlier, later):
        judged = rows.filter(pl.col("outcome").is_in(["released", "no-release"]))
        missed = judged.filter(pl.col("outcome") == "no-release").height
        shares.append(share(missed, judged.height))
        found = release_latency(
            judged, ("lock",), (0.5,), within_resolution=True).sort("commands", descending=True)
        medians.append(estimate(found.to_dicts()[0]) if found.height else Estimate())
    change = None
    if medians[0].n == 0 and medians[1].n == 0:
        verdict = "unobserved"
    elif min(medians[0].n, medians[1].n) < ENOUGH:
        verdict = "too-few"
    else:
        ways = {_way(medians[0], medians[1]), _way(shares[0], shares[1])}
        verdict = "worse" if "worse" in ways else "better" if "better" in ways else "same"
        change = _largest_change_percent(medians[0], medians[1], pl.concat([earlier, later]))
    return Mended(mark, verdict, medians[0], medians[1], shares[0], shares[1], change)


def _way(before: Estimate, after: Estimate) -> str:
    if before.low is not None and after.high is not None and after.high < before.low:
        return "better"
    if before.high is not None and after.low is not None and after.low > before.high:
        return "worse"
    return "same"


def _largest_change_percent(
    before: Estimate, after: Estimate, rows: pl.DataFrame
) -> float | None:
    """The largest change of the median that the intervals and the log's step leave room for."""
    steps = rows["resolution_ms"].drop_nulls().median()
    step = step_ms(
        rows.filter(pl.col("outcome") == "released")["latency_ms"].drop_nulls().to_numpy(),
        steps if isinstance(steps, float) else None,
    )
    change = change_percent(after, before, step or 0.0)
    ends = [abs(end) for end in (change.low, change.high) if end is not None]
    return max(ends) if len(ends) == 2 else None


def untold(
    history: History, locks: Sequence[LockHealth], controller_list: Sequence[ControllerHealth],
    findings: Sequence[Finding], rejects: pl.DataFrame | None,
    never_came: Sequence[Absent] = (),
) -> Untold:
    """What the log could not tell of the week."""
    days = [history.week.monday + timedelta(days=n) for n in range(7)]
    active = set(history.dated("activity").filter(
        pl.col("weeks_ago") == 0
    )["day"].unique())
    if not history.activity.height:
        active = set(history.dated("actuations")["day"].unique())
    events = history.this_week(history.clock_events, "time").sort("controller", "time", "kind")
    reasons: list[tuple[str, int]] = []
    if rejects is not None and rejects.height:
        counted = rejects.group_by("reason").len().sort(["len", "reason"], descending=[True, False])
        reasons = [(row["reason"], row["len"]) for row in counted.to_dicts()]
    pulsed_reader = {
        lock.contact_controller or controller_of(history.venue.supplies_by_id[lock.supply].channel
                                                 or lock.command)
        for lock in history.venue.locks if not lock.is_magnet and lock.latency_kind
    }
    return Untold(
        days_logged=sum(day in active for day in days),
        days=tuple((day, day in active) for day in days),
        gaps=tuple(item for item in findings if item.condition == "log-gap"),
        silent_locks=tuple(
            (lock.lock.id, lock.silence, lock.week.commands) for lock in locks if lock.silence
        ),
        clock_events=tuple(
            (row["controller"], row["time"].astimezone(history.venue.zone), row["kind"],
             row["seconds"], bool(row["mended"]))
            for row in events.to_dicts()
        ),
        coarse=tuple(
            (item.controller, item.resolution_ms) for item in controller_list
            if item.resolution_ms is not None and item.resolution_ms > COARSE_MS
            and item.controller in pulsed_reader
        ),
        rejected=sum(count for _, count in reasons), rejected_reasons=tuple(reasons),
        never_came=tuple(never_came),
        changed=(*regimes(history).changed(history.week.monday, history.week.sunday),
                 *clock_notes(history), *swap_notes(history)),
    )


def numbers(
    history: History, locks: Sequence[LockHealth]
) -> tuple[tuple[tuple[str, Compared], ...], Estimate]:
    """The week's counts beside the mean of the four weeks before, and the unanswered share."""
    names = ("commands", "released", "unanswered", "retries", "already_open", "opened_alone",
             "unobserved")
    now = {name: sum(getattr(lock.week, name) for lock in locks) for name in names}
    earlier: dict[str, list[int]] = {name: [] for name in names}
    for back in range(1, USUAL_WEEKS + 1):
        week = history.week.plus(-back)
        found = [point.counts for lock in locks for point in lock.weeks if point.week == week]
        if any(counts.commands for counts in found):
            for name in names:
                earlier[name].append(sum(getattr(counts, name) for counts in found))
    compared = tuple(
        (name, Compared(now[name],
                        sum(earlier[name]) / len(earlier[name]) if earlier[name] else None))
        for name in names
    )
    total = Counts(released=now["released"], unanswered=now["unanswered"])
    return compared, share(total.unanswered, total.judged)


