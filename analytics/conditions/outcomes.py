"""Conditions that show in whether a lock lets go: no release, pulse too short, left open."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta

import numpy as np
import polars as pl

from remanence.analytics.conditions.after_work import came_back_after
from remanence.analytics.conditions.condition import Condition, failed_repair, finding
from remanence.analytics.conditions.evidence import (
    raised_on_way_out,
    raised_unless_people,
    share_evidence,
)
from remanence.analytics.conditions.exits import held_on_way_out
from remanence.analytics.conditions.one_command import whole_commands
from remanence.analytics.drift.judge import drifts
from remanence.analytics.history import (
    History,
    actuations_by_lock,
    day_ordinals,
    last_service,
    per_lock,
    since_baseline,
)
from remanence.analytics.physics.pulse import present_pulse
from remanence.analytics.statistics.arrays import Reals
from remanence.analytics.statistics.change import Change
from remanence.analytics.statistics.intervals import probability, robust_deviation
from remanence.analytics.statistics.rates import rate_that_matters
from remanence.shared.findings import Amount, Evidence, Finding, say
from remanence.shared.venue import Lock

HEALTHY_NO_RELEASE = (0.4, 250.0)
"""Rate of unanswered commands of a sound lock, as a Beta prior: mean 0.16 %, seldom above 1 %
(a base rate of 0.01 to 0.1 % is usual; the rest is for what people do)."""
FAULTY_NO_RELEASE = (1.0, 5.0)
HEALTHY_LEFT_OPEN = (1.0, 100.0)
"""The same for commands that find the lock open: 0.5 to 2 % is people."""
FAULTY_LEFT_OPEN = (2.0, 8.0)
PRIOR = 1 / 100
"""Chance, before any data, that one lock has one of these faults in a given week. Assumption."""

PULSE_MARGIN = 1.05
"""A pulse ends too soon for a release whose latency is above pulse / margin."""


def _rows(history: History) -> Iterator[tuple[Lock, pl.DataFrame, Reals]]:
    """Each lock's rows since its baseline's start, with the day counted from the week's Monday."""
    by_lock = actuations_by_lock(history)
    epoch = history.week.monday.toordinal()
    for lock in history.venue.locks:
        rows = by_lock.get(lock.id)
        if rows is None:
            continue
        rows = since_baseline(rows, history, lock.id)
        whole = whole_commands(
            rows["command_time"].dt.epoch("us").to_numpy(), rows["outcome"].to_numpy())
        if not whole.all():
            rows = rows.filter(pl.Series(whole))
        if rows.height:
            yield lock, rows, (day_ordinals(rows["day"]) - epoch).astype(float)


def _date(history: History, day: float) -> date:
    return history.week.monday + timedelta(days=int(np.floor(day)))


def no_release(history: History) -> list[Finding]:
    """Commands that ought to release and do not, at a rate that matters."""
    found = []
    for lock, rows, day in _rows(history):
        first = (rows["attempt"].fill_null(1) == 1).to_numpy()
        told = rows["outcome"].is_in(["released", "no-release"]).to_numpy()
        use = first & told
        event = (rows["outcome"] == "no-release").to_numpy()[use]
        healthy, faulty = _usual_failures(lock, day[use], event)
        rate = rate_that_matters(day[use], event, healthy=healthy, faulty=faulty, prior=PRIOR)
        if rate is None or rate.log_odds <= 0:
            continue
        short = _too_short(lock, rows, history)
        if short is not None and short[0] > 0.5:
            continue
        since, low, high = rate.dates(history.week.monday.toordinal())
        unhelped = _before_service(history, lock.id)
        work = None
        if unhelped is not None:
            serviced = unhelped[1].toordinal() - history.week.monday.toordinal()
            later = day[use] >= serviced
            weeks = came_back_after(
                day[use][later] - serviced, event[later], unhelped[0].now.level)
            work = (*unhelped[1:], weeks)
        if unhelped is not None and work is not None and work[2] is None:
            since, low, high = unhelped[0].dates(history.week.monday.toordinal())
        (count, total), window = rate.now.count, rate.window_days or 0
        serious = 100 * rate.now.level >= history.venue.limits.no_release_now_percent
        urgency = raised_unless_people("now" if serious else "week", lock)
        retries = int((rows["attempt"].fill_null(1) > 1).to_numpy()[day > 6 - window]
                      .sum())
        found.append(finding(
            lock.id, "no-release", urgency, probability(rate.log_odds),
            since=since, since_low=low, since_high=high,
            says=[
                say("not-released", failed=count, total=total, days=window),
                *([say("tried-again", count=retries)] if retries else []),
            ],
            evidence=[
                share_evidence("commands-without-release", rate.now.count, rate.before.count),
                Evidence("retries", float(retries), "commands", n=total),
            ],
            not_excluded=_unseen(rows, lock),
            extra={"share": round(rate.now.level, 4),
                   **failed_repair(work)},
        ))
    return found


def _usual_failures(
    lock: Lock, day: Reals, event: np.ndarray
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Beta priors of a sound and a faulty lock's rate of unanswered commands.

    A contact on a door stays silent too when nobody opens the door in time: its
    own past says how often that is, and only far more than that is the lock.
    """
    if lock.latency_kind != "door":
        return HEALTHY_NO_RELEASE, FAULTY_NO_RELEASE
    past = day <= -21
    weight = min(1.0, 60.0 / max(int(past.sum()), 1))
    missed = float(event[past].sum()) * weight
    return (1.0 + missed, 8.0 + weight * float(past.sum()) - missed), (8.0, 2.0)


def _before_service(history: History, name: str) -> tuple[Change, date, str] | None:
    """What the lock's failures were like just before its last service, if they mattered then."""
    serviced = last_service(history, name)
    if serviced is None or (history.week.sunday - serviced[0]).days > 90:
        return None
    rows = actuations_by_lock(history)[name].filter(
        (pl.col("day") < serviced[0]) & (pl.col("attempt").fill_null(1) == 1)
        & pl.col("outcome").is_in(["released", "no-release"])
    )
    if rows.is_empty():
        return None
    monday = history.week.monday
    day = (day_ordinals(rows["day"]) - monday.toordinal()).astype(float)
    rate = rate_that_matters(
        day, (rows["outcome"] == "no-release").to_numpy(), healthy=HEALTHY_NO_RELEASE,
        faulty=FAULTY_NO_RELEASE, prior=PRIOR, last_day=float((serviced[0] - monday).days - 1),
        fresh_days=14.0,
    )
    return (rate, *serviced) if rate is not None and rate.log_odds > 0 else None


def _unseen(rows: pl.DataFrame, lock: Lock) -> tuple[str, ...]:
    """What the log cannot tell from a lock that does not release."""
    if lock.is_magnet:
        return ("stuck-energised", "contact-stuck")
    if rows["sag_volts"].null_count() == rows.height:
        return ("coil-open", "contact-stuck", "low-supply")
    return ("contact-stuck",)


def _too_short(
    lock: Lock, rows: pl.DataFrame, history: History
) -> tuple[float, int, int, float] | None:
    """Share of this week's failures that the pulse explains; None where nothing can be said.

    Returns
    -------
    (explained, failures, total, needed_ms) or None
        ``needed_ms`` is the 95 % quantile of the lock's latency while its pulses were long enough.
    """
    if lock.latency_kind == "door":
        return None
    answered = rows.filter(
        (pl.col("outcome") == "released") & pl.col("latency_ms").is_not_null()
        & (pl.col("attempt").fill_null(1) == 1)
    )
    ample = answered.filter(
        pl.col("pulse_ms").is_null() | (pl.col("pulse_ms") > 1.3 * pl.col("latency_ms"))
    )
    now = rows.filter((pl.col("weeks_ago") == 0) & pl.col("pulse_ms").is_not_null()
                      & pl.col("outcome").is_in(["released", "no-release"]))
    reference = ample.head(400) if ample.height >= 15 else answered.head(400)
    if reference.height < 8 or now.height < 3:
        return None
    latency = reference["latency_ms"].to_numpy()
    middle = float(np.median(latency))
    spread = robust_deviation(np.log(latency))
    needed = middle * float(np.exp(1.645 * max(spread, 0.05)))
    pulse = now["pulse_ms"].to_numpy()
    late = (now["outcome"] == "no-release").to_numpy() | (
        now["latency_ms"].fill_null(np.inf).to_numpy() > pulse * PULSE_MARGIN
    )
    short = pulse < needed * PULSE_MARGIN
    failures = int(late.sum())
    explained = float((late & short).sum() / failures) if failures else 0.0
    return explained, int((late & short).sum()), now.height, needed


def short_pulse(history: History) -> list[Finding]:
    """Pulses that end before the lock's own latency allows."""
    found = []
    for lock, rows, day in _rows(history):
        told = _too_short(lock, rows, history)
        if told is None or told[0] <= 0.5 or told[1] < 2:
            continue
        explained, failures, total, needed = told
        now = present_pulse(rows)
        assert now is not None  # It was told of this week's pulses.
        recent = rows.filter(pl.col("weeks_ago") == 0)
        pulse = recent["pulse_ms"].drop_nulls().to_numpy()
        short = pulse < needed * PULSE_MARGIN
        every = rows["pulse_ms"].fill_null(np.inf).to_numpy() < needed * PULSE_MARGIN
        since = _run_start(day, every)
        before = rows.filter(~pl.lit(True) if since is None else pl.col("day") < _date(
            history, since))
        found.append(finding(
            lock.id, "short-pulse", raised_on_way_out("week", lock),
            float(np.clip(0.5 + 0.1 * failures, 0, 0.98)),
            since=_date(history, since) if since is not None else None,
            says=[say("pulses-too-short", short=int(short.sum()), pulses=int(pulse.size),
                      needed=Amount(needed, "ms"), failed=failures, total=total)],
            evidence=[
                Evidence("median-pulse", now.median_ms, "ms", n=now.count,
                         before=_median(before["pulse_ms"])),
                Evidence("latency-that-95-of-releases-need", needed, "ms"),
                share_evidence("commands-that-failed-for-it", (failures, total)),
            ],
            not_excluded=("sticking-catch",) if not lock.is_magnet else ("slow-drop",),
            extra={"explained": round(explained, 3),
                   "pulse_cut": _pulse_cut(now.median_ms, before)},
        ))
    return found


def _pulse_cut(now_ms: float, before: pl.DataFrame) -> bool:
    """Whether the program's pulses have become shorter: then no rail is to blame."""
    earlier = _median(before["pulse_ms"])
    return earlier is not None and now_ms < 0.85 * earlier


def _median(values: pl.Series) -> float | None:
    known = values.drop_nulls()
    return float(np.median(known.to_numpy())) if known.len() else None


def _run_start(day: Reals, flag: np.ndarray) -> float | None:
    """Day from which most commands are flagged, up to the end."""
    if not flag.any():
        return None
    # Flags score +1, others -1: the best start of a run that reaches the end.
    score = np.cumsum(np.where(flag, 1.0, -1.0)[::-1])[::-1]
    return float(day[int(np.argmax(score))])


def not_reclosed(history: History) -> list[Finding]:
    """Found open when next commanded, again and again."""
    found = []
    opened = per_lock(history.openings)
    for lock, rows, day in _rows(history):
        rows, day = _without_own_openings(rows, day, opened.get(lock.id))
        told = rows["outcome"].is_in(["released", "no-release", "already-open"]).to_numpy()
        first = (rows["attempt"].fill_null(1) == 1).to_numpy()
        use = told & first
        event = (rows["outcome"] == "already-open").to_numpy()[use]
        this_week = rows.filter(pl.col("weeks_ago") == 0)
        open_now = this_week.filter(pl.col("outcome") == "already-open")
        if open_now.height < history.venue.limits.not_reclosed_week:
            continue
        if not _feedback_moves(this_week, open_now):
            continue
        rate = rate_that_matters(
            day[use], event, healthy=HEALTHY_LEFT_OPEN, faulty=FAULTY_LEFT_OPEN, prior=PRIOR
        )
        if rate is None or rate.log_odds <= 0:
            continue
        found.append(_left_open(history, lock, rate))
    return found


def _without_own_openings(
    rows: pl.DataFrame, day: Reals, opened: pl.DataFrame | None
) -> tuple[pl.DataFrame, Reals]:
    """The rows without those that found it open after the log saw it open by itself.

    Nobody left it open then: that is a fault of its own.
    """
    if opened is None:
        return rows, day
    at = rows["command_time"].dt.epoch("us").to_numpy()
    times = np.sort(opened["time"].dt.epoch("us").to_numpy())
    before = np.concatenate([[np.iinfo(np.int64).min], at[:-1]])
    itself = np.searchsorted(times, at) > np.searchsorted(times, before, "right")
    keep = ~(itself & (rows["outcome"] == "already-open").to_numpy())
    return rows.filter(pl.Series(keep)), day[keep]


def _feedback_moves(this_week: pl.DataFrame, open_now: pl.DataFrame) -> bool:
    """Whether the feedback shows this lock locked at times; else it is the feedback's own fault.

    A contact wired or set the wrong way round shows open at rest and moves at
    the command; one that is stuck never moves.
    """
    moving = int((open_now["contact_edges"].fill_null(0) > 0).sum())
    if moving > 0.5 * open_now.height:
        return False
    return (this_week["outcome"] == "released").any()


def _left_open(history: History, lock: Lock, rate: Change) -> Finding:
    drift = drifts(history).current.get(lock.id)
    unsure = ("catch-spring-weak",) if not lock.is_magnet else ("weakening-hold",)
    since, low, high = rate.dates(history.week.monday.toordinal())
    count, total = rate.now.count
    return finding(
        lock.id, "not-reclosed", "week" if lock.on_way_out is False else "plan",
        probability(rate.log_odds),
        since=since, since_low=low, since_high=high,
        says=[say("left-open", found=count, total=total, days=rate.window_days or 0)],
        evidence=[share_evidence("commands-that-found-it-open", rate.now.count,
                                 rate.before.count)],
        not_excluded=unsure if drift is not None else (*unsure, "contact-stuck"),
    )


NO_RELEASE = Condition(
    "no-release", (no_release, held_on_way_out), ("commands-without-release", "retries"),
    needs_part=True, keeps_in=True,
)
SHORT_PULSE = Condition(
    "short-pulse", (short_pulse,),
    ("median-pulse", "latency-that-95-of-releases-need", "commands-that-failed-for-it"),
    explains=("no-release", "loaded-catch"), takes_urgency_of=("no-release",),
)
NOT_RECLOSED = Condition(
    "not-reclosed", (not_reclosed,), ("commands-that-found-it-open",),
    explains=("opened-unpowered",),
)
