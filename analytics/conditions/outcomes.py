"""Conditions seen in whether a lock releases: no release, pulse too short, left open."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta

import numpy as np
import polars as pl

from remanence.analytics.conditions.after_work import came_back_after
from remanence.analytics.conditions.coarse_clock import coarse_locks
from remanence.analytics.conditions.condition import Condition, failed_repair, finding
from remanence.analytics.conditions.drawn_load import EMPTY_SAG_SHARE, drawn_loads
from remanence.analytics.conditions.evidence import (
    FAULTY_NO_RELEASE,
    HEALTHY_NO_RELEASE,
    raised_on_way_out,
    raised_unless_people,
    share_evidence,
)
from remanence.analytics.conditions.exits import PAST_ENDS_DAY, held_on_way_out
from remanence.analytics.conditions.lost_lines import with_lost
from remanence.analytics.drift.judge import drifts
from remanence.analytics.drift.slow_mode import healthy_beside
from remanence.analytics.history import (
    History,
    actuations_by_lock,
    day_ordinals,
    last_service,
    once_per_history,
    per_lock,
    since_baseline,
)
from remanence.analytics.physics.pulse import present_pulse
from remanence.analytics.statistics.arrays import Flags, Reals
from remanence.analytics.statistics.change import Change
from remanence.analytics.statistics.intervals import probability, robust_deviation
from remanence.analytics.statistics.rates import chance_of_fault, rate_that_matters
from remanence.shared.findings import Amount, Evidence, Finding, say
from remanence.shared.venue import Lock

HEALTHY_LEFT_OPEN = (1.0, 100.0)
"""The same for commands that find a sound lock open: people leave 0.5 to 2 % open."""
FAULTY_LEFT_OPEN = (2.0, 8.0)
"""The same of a faulty lock: mean one in five. Assumption."""
OUTCOME_FAULT_PRIOR = 1 / 100
"""Chance, before any data, that one lock has one of these faults in a given week. Assumption."""

DOOR_PAST_COMMANDS = 60.0
"""A door's past counts as at most this many commands: people's habits change. Assumption."""
HEALTHY_DOOR, FAULTY_DOOR = (1.0, 8.0), (8.0, 2.0)
"""Beta priors of the rate of unanswered commands of a door's contact: one in nine is people, four
in five is the lock. The door's past is added to the first. Assumption."""
PRESSED_TWICE = (1.0, 150.0)
"""Beta prior of the share of commands of a sound door that somebody gives again before a first push
opens it: people are impatient at one in 150. Assumption."""
SERVICE_REMEMBERED_DAYS = 90
"""An older service is not judged any more. Assumption."""
SERVICE_FRESH_DAYS = 14.0
"""A failure within this many days before a service was present at the service. Assumption."""
LAST_WEEKDAY = 6
"""Sunday, counted from the week's Monday (calculated)."""

PROGRAM_REPEATS_US = 10_000_000
"""Commands of one lock within ten seconds belong together: no room is reset so soon (trade
practice)."""
PULSE_MARGIN = 1.05
"""A pulse ends too soon for a release whose latency is above pulse / margin: 5 % for the steps of
the clock. Assumption."""
CLEARLY_LONG_PULSE = 1.3
"""A pulse this many times the latency did not limit the release (the usual margin of a programmed
pulse; common practice, no source)."""
REFERENCE_RELEASES, LEAST_CLEARLY_LONG, LEAST_REFERENCE = 400, 15, 8
"""A lock's latency is read from its first releases, at most so many; from all of them where fewer
than the second number had a clearly long pulse; from fewer than the third not at all.
Assumption."""
LEAST_PULSES_NOW = 3
"""Fewer pulses of this week say nothing. Assumption."""
NEEDED_DEVIATIONS = 1.645
"""Standard deviations from the median to the 95 % quantile (calculated: normal distribution)."""
LEAST_LATENCY_SCATTER = 0.05
"""The standard deviation of log latency is never taken as less. Assumption."""
EXPLAINED_SHARE, LEAST_EXPLAINED = 0.5, 2
"""Short pulses are the fault if they explain more than this share of this week's failures, and at
least so many: one may be chance. Assumption."""
PULSE_CUT_RATIO = 0.85
"""The program's pulse was shortened if its median is below this share of before: more than clocks
and polls differ by. Assumption."""
FEEDBACK_FAULT_SHARE = 0.5
"""The feedback is at fault if it moves at more than this share of the commands that found the lock
open (most of them). Assumption."""


def _rows(history: History) -> Iterator[tuple[Lock, pl.DataFrame, Reals]]:
    """Each lock's rows since its baseline began, with the day counted from the week's Monday."""
    by_lock = actuations_by_lock(history)
    epoch = history.week.monday.toordinal()
    for lock in history.venue.locks:
        rows = by_lock.get(lock.id)
        if rows is None:
            continue
        rows = since_baseline(rows, history, lock.id)
        if rows.height:
            yield lock, rows, (day_ordinals(rows["day"]) - epoch).astype(float)


def _date(history: History, day: float) -> date:
    return history.week.monday + timedelta(days=int(np.floor(day)))


def no_release(history: History) -> list[Finding]:
    """Commands that should release the lock and do not, at a rate that matters."""
    found = []
    for lock, rows, day in _rows(history):
        first = (rows["attempt"].fill_null(1) == 1).to_numpy()
        told, failed = _told(lock, rows, history)
        use = first & told
        event = failed[use]
        healthy, faulty = _usual_failures(lock, day[use], event, history)
        healthy = with_lost(history, lock, healthy)
        rate = rate_that_matters(
            day[use], event, healthy=healthy, faulty=faulty, prior=OUTCOME_FAULT_PRIOR)
        wanted = _wanted(lock, rows, failed, history)
        people = lock.latency_kind == "door"
        if wanted.any():
            by_those = rate_that_matters(
                day[use], wanted[use], healthy=with_lost(history, lock, PRESSED_TWICE),
                faulty=FAULTY_NO_RELEASE, prior=OUTCOME_FAULT_PRIOR)
            if by_those is not None and (rate is None or by_those.log_odds > rate.log_odds):
                rate, event, people = by_those, wanted[use], False
        if rate is None or rate.log_odds <= 0:
            continue
        short = _too_short(lock, rows, history)
        if short is not None and short[0] > EXPLAINED_SHARE:
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
        urgency = (raised_unless_people if people else raised_on_way_out)(
            "now" if serious else "week", lock)
        retries = int((rows["attempt"].fill_null(1) > 1).to_numpy()[
            day > LAST_WEEKDAY - window].sum())
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


def _told(lock: Lock, rows: pl.DataFrame, history: History) -> tuple[Flags, Flags]:
    """Commands that tell whether the lock released, and those of them that it did not answer.

    Of a coil that cuts itself and has no contact, the load tells. What lasted for the pulse and is
    far less than it usually draws was none. Where nothing is left of it at the pulse's end it did
    not fail, though readings too far apart show no release: else only failures would count.
    """
    outcome = rows["outcome"]
    failed = (outcome == "no-release").to_numpy()
    told = failed | (outcome == "released").to_numpy()
    if lock.contact is not None or not lock.self_cut:
        return told, failed
    sag = rows["sag_volts"].fill_null(np.nan).to_numpy()
    drawn = drawn_loads(history).get(lock.id)
    usual = np.nan if drawn is None else drawn.usual_volts
    if not np.isfinite(usual):
        if not failed.any():
            return told, failed
        usual = float(np.median(sag[failed]))
    left = rows["end_sag_volts"].fill_null(np.nan).to_numpy()
    failed = failed & ~(sag < EMPTY_SAG_SHARE * usual)
    unloaded = (outcome == "unobserved").to_numpy() & (left < EMPTY_SAG_SHARE * usual)
    return failed | (outcome == "released").to_numpy() | unloaded, failed


def _wanted(lock: Lock, rows: pl.DataFrame, failed: Flags, history: History) -> Flags:
    """Commands of a door's lock that it did not answer and that somebody gave again at once.

    A door that stays shut may be one that nobody wanted to open; who presses again wants to.
    """
    if lock.latency_kind != "door":
        return np.zeros(rows.height, dtype=np.bool_)
    soon = (rows["command_time"].diff().dt.total_milliseconds()
            <= history.venue.limits.door_wait_ms).fill_null(value=False).to_numpy()
    return np.asarray(failed & np.append(soon[1:], False)[:rows.height], dtype=np.bool_)


@once_per_history
def _not_in_time(history: History) -> dict[str, Flags]:
    """Of each latch with a contact the first attempts that no release answered while it was driven.

    A latch without one shows no more than that: what people lean on lets go when the pulse is over.
    """
    found: dict[str, Flags] = {}
    for lock, rows, _ in _rows(history):
        if lock.is_magnet or lock.contact is None or lock.latency_kind == "door":
            continue
        told = rows.filter((pl.col("attempt").fill_null(1) == 1)
                           & pl.col("outcome").is_in(["released", "no-release"]))
        late = told["latency_ms"].fill_null(np.inf) > told["pulse_ms"].fill_null(np.inf)
        found[lock.id] = ((told["outcome"] == "no-release") | late).to_numpy()
    return found


def _usual_failures(
    lock: Lock, day: Reals, event: Flags, history: History
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Beta priors of a sound and a faulty lock's rate of unanswered commands.

    A contact on a door also shows nothing when nobody opens the door in time. Its own past says
    how often that happens; only a rate far above that is the lock's fault. A latch without a
    contact is told by its own load, which ends no sooner where people lean on it: how often they
    do the others show.
    """
    if lock.contact is None and not lock.is_magnet:
        missed, answered = healthy_beside({**_not_in_time(history), lock.id: event})[lock.id]
        return (HEALTHY_NO_RELEASE[0] + missed, HEALTHY_NO_RELEASE[1] + answered), (
            FAULTY_NO_RELEASE)
    if lock.latency_kind != "door":
        return HEALTHY_NO_RELEASE, FAULTY_NO_RELEASE
    past = day <= PAST_ENDS_DAY
    weight = min(1.0, DOOR_PAST_COMMANDS / max(int(past.sum()), 1))
    missed = float(event[past].sum()) * weight
    failing, answering = HEALTHY_DOOR
    return (failing + missed, answering + weight * float(past.sum()) - missed), FAULTY_DOOR


def _before_service(history: History, name: str) -> tuple[Change, date, str] | None:
    """The lock's rate of failures just before its last service, if it mattered then."""
    serviced = last_service(history, name)
    if serviced is None or (history.week.sunday - serviced[0]).days > SERVICE_REMEMBERED_DAYS:
        return None
    rows = actuations_by_lock(history)[name].filter(
        (pl.col("day") < serviced[0]) & (pl.col("attempt").fill_null(1) == 1))
    told, failed = _told(history.venue.locks_by_id[name], rows, history)
    rows, failed = rows.filter(told), failed[told]
    if rows.is_empty():
        return None
    monday = history.week.monday
    day = (day_ordinals(rows["day"]) - monday.toordinal()).astype(float)
    rate = rate_that_matters(
        day, failed, healthy=HEALTHY_NO_RELEASE, faulty=FAULTY_NO_RELEASE,
        prior=OUTCOME_FAULT_PRIOR, last_day=float((serviced[0] - monday).days - 1),
        fresh_days=SERVICE_FRESH_DAYS,
    )
    return (rate, *serviced) if rate is not None and rate.log_odds > 0 else None


def _unseen(rows: pl.DataFrame, lock: Lock) -> tuple[str, ...]:
    """Faults that look the same in the log as a lock that does not release."""
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
    if lock.latency_kind == "door" or lock.id in coarse_locks(history):
        return None
    answered = rows.filter(
        (pl.col("outcome") == "released") & (pl.col("latency_ms") > 0)
        & (pl.col("attempt").fill_null(1) == 1)
    )
    ample = answered.filter(
        pl.col("pulse_ms").is_null() | (
            pl.col("pulse_ms") > CLEARLY_LONG_PULSE * pl.col("latency_ms"))
    )
    now = rows.filter((pl.col("weeks_ago") == 0) & pl.col("pulse_ms").is_not_null()
                      & pl.col("outcome").is_in(["released", "no-release"]))
    reference = ample if ample.height >= LEAST_CLEARLY_LONG else answered
    reference = reference.head(REFERENCE_RELEASES)
    if reference.height < LEAST_REFERENCE or now.height < LEAST_PULSES_NOW:
        return None
    latency = reference["latency_ms"].to_numpy()
    middle = float(np.median(latency))
    spread = robust_deviation(np.log(latency))
    needed = middle * float(np.exp(NEEDED_DEVIATIONS * max(spread, LEAST_LATENCY_SCATTER)))
    pulse = now["pulse_ms"].to_numpy()
    late = (now["outcome"] == "no-release").to_numpy() | (
        now["latency_ms"].fill_null(np.inf).to_numpy() > pulse * PULSE_MARGIN
    )
    short = pulse < needed * PULSE_MARGIN
    failures = int(late.sum())
    explained = float((late & short).sum() / failures) if failures else 0.0
    return explained, int((late & short).sum()), now.height, needed


def short_pulse(history: History) -> list[Finding]:
    """Pulses that end before the lock has had time to release."""
    found = []
    for lock, rows, day in _rows(history):
        told = _too_short(lock, rows, history)
        if told is None or told[0] <= EXPLAINED_SHARE or told[1] < LEAST_EXPLAINED:
            continue
        explained, failures, total, needed = told
        now = present_pulse(rows)
        assert now is not None  # It was told of this week's pulses.
        recent = rows.filter(pl.col("weeks_ago") == 0)
        pulse = recent["pulse_ms"].drop_nulls().to_numpy()
        short = pulse < needed * PULSE_MARGIN
        every = rows["pulse_ms"].fill_null(np.inf).to_numpy() < needed * PULSE_MARGIN
        begun = _run_start(day, every)
        since, low = (_date(history, one) for one in begun) if begun else (None, None)
        before = rows.filter(~pl.lit(True) if since is None else pl.col("day") < since)
        found.append(finding(
            lock.id, "short-pulse", raised_on_way_out("week", lock),
            chance_of_fault(failures, total, healthy=HEALTHY_NO_RELEASE,
                            faulty=FAULTY_NO_RELEASE, prior=OUTCOME_FAULT_PRIOR),
            since=since, since_low=low, since_high=since,
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
    """Whether the program's pulses have become shorter: then the rail is not the cause."""
    earlier = _median(before["pulse_ms"])
    return earlier is not None and now_ms < PULSE_CUT_RATIO * earlier


def _median(values: pl.Series) -> float | None:
    known = values.drop_nulls()
    return float(np.median(known.to_numpy())) if known.len() else None


def _run_start(day: Reals, flag: Flags) -> tuple[float, float] | None:
    """Day from which most commands are flagged, up to the end, and that of the last one before."""
    if not flag.any():
        return None
    # Flags score +1, others -1: the best start of a run that reaches the end.
    start = int(np.argmax(np.cumsum(np.where(flag, 1.0, -1.0)[::-1])[::-1]))
    return float(day[start]), float(day[max(start - 1, 0)])


def not_reclosed(history: History) -> list[Finding]:
    """Locks that are repeatedly found open at the next command."""
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
            day[use], event, healthy=with_lost(history, lock, HEALTHY_LEFT_OPEN),
            faulty=FAULTY_LEFT_OPEN,
            prior=OUTCOME_FAULT_PRIOR,
        )
        if rate is None or rate.log_odds <= 0:
            continue
        found.append(_left_open(history, lock, rate))
    return found


def _without_own_openings(
    rows: pl.DataFrame, day: Reals, opened: pl.DataFrame | None
) -> tuple[pl.DataFrame, Reals]:
    """The rows without those that found the lock open though nobody had left it so.

    It had opened by itself, which is another fault; or its program had given the command just
    before, and nobody had time to close it.
    """
    at = rows["command_time"].dt.epoch("us").to_numpy()
    before = np.concatenate([at[:1] - 2 * PROGRAM_REPEATS_US, at[:-1]])
    excused = at - before <= PROGRAM_REPEATS_US
    if opened is not None:
        times = np.sort(opened["time"].dt.epoch("us").to_numpy())
        excused |= np.searchsorted(times, at) > np.searchsorted(times, before, "right")
    keep = ~(excused & (rows["outcome"] == "already-open").to_numpy())
    return rows.filter(pl.Series(keep)), day[keep]


def _feedback_moves(this_week: pl.DataFrame, open_now: pl.DataFrame) -> bool:
    """Whether the feedback shows this lock locked at times; if not, the feedback is at fault.

    A contact wired or set the wrong way round shows open at rest and moves at the command; a stuck
    contact never moves.
    """
    moving = int((open_now["contact_edges"].fill_null(0) > 0).sum())
    if moving > FEEDBACK_FAULT_SHARE * open_now.height:
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
