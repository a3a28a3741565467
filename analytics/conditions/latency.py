"""Conditions seen in the time to release: sticking catch, slow drop, weakening hold."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import date

import numpy as np
import polars as pl

from remanence.analytics.conditions.after_work import came_back_after
from remanence.analytics.conditions.condition import PULSED, Condition, failed_repair, finding
from remanence.analytics.conditions.door_people import people_only
from remanence.analytics.conditions.drift_weekly import weekly_course
from remanence.analytics.conditions.exits import late_doors
from remanence.analytics.conditions.in_play import openings_of_locks
from remanence.analytics.conditions.lost_lines import lost_shares
from remanence.analytics.conditions.new_locks import slow_beside_siblings
from remanence.analytics.conditions.slow_mode import slow_at_times, slow_modes
from remanence.analytics.drift.daily_series import LockDays
from remanence.analytics.drift.judge import LockDrift, drifts
from remanence.analytics.drift.polls import least_change_ms
from remanence.analytics.history import (
    Flags,
    History,
    actuations_by_lock,
    day_ordinals,
    last_service,
    per_lock,
    since_baseline,
)
from remanence.analytics.statistics.intervals import poisson_limits, probability
from remanence.analytics.statistics.polled import polled_median
from remanence.analytics.statistics.rates import change_of_rate
from remanence.shared.findings import Amount, Evidence, Finding, say
from remanence.shared.venue import Lock

LOST_DIODE = -0.7
"""A magnet that releases sooner by more than this share has lost its diode. Calculated: a gap of
0.2 mm a face makes it 66 % sooner, half the current 43 %, a hard cut some 95 %."""
LOST_DIODE_SCORE = 0.95
"""The most that the time to release says of a lost diode; the spikes say more. Assumption."""

FEEDBACK_ONLY = ("hot-coil", "low-supply", "supply-sag", "coil-current-high")
"""These make a latch slow as well; only the rail's volts tell them apart (trade knowledge)."""

SEEN_SHARE_OF_GATE = 0.75
"""This week's level by itself must differ by this share of the gate; the whole course must differ
by all of it. Assumption."""

CERTAIN, CERTAIN_DEVIATIONS = 6.0, 3.0
"""Natural log odds, and standard deviations of the fitted change: a course beyond both needs no
more proof. Assumption."""

STEP_LIKELIER = 0.5
"""A change is called a step where a step is likelier than a slope (calculated: even odds)."""

LEAST_HUMP_RELEASES, QUICK_QUANTILE, QUICK_MOVED_SHARE = 10, 0.15, 0.5
"""The quantile of the quick releases, the fewest releases it is read from, and the share of the
whole change by which it must have moved too. Assumption."""

LEAST_AFTER_SERVICE = 5
"""A repair is not judged on fewer releases of this week. Assumption."""
INTERVAL_DEVIATIONS = 4
"""A 95 % interval is about this many standard deviations wide (calculated: 2 x 1.96)."""
LEFT_SHARE, LEFT_SURE_SHARE = 0.6, 0.3
"""A repair failed if this share of the change is left, and the second share still is left two
standard deviations lower. Assumption."""
REPLACED_WITHIN = 0.3
"""A new lock has its own latency: it shows the old fault only if it repeats the old change to
within this share. Assumption."""
BEFORE_SERVICE_DAYS = 14
"""The fault before a service is read from these last days before it. Assumption."""

COARSE_STEP_MS, COARSE_STEP_SHARE = 2, 0.04
"""The page tells the time resolution if it is this coarse, in ms and as a share of the latency
before: about half the usual gate. Assumption."""

SELDOM_FORCED, OFTEN_FORCED = (0.5, 20.0), (1.5, 4.5)
"""Beta priors of the share of days on which a sound and a weak magnet is pulled open: now and then
somebody pulls hard; a weak one gives way on one day in four. Assumption."""
FORCED_PRIOR = 1 / 300
"""Chance, before any data, that a magnet becomes weak in a given week. Assumption."""


def sticking_catch(history: History) -> list[Finding]:
    """Latches, bolts and strikes whose release has become slower."""
    found = []
    modes = slow_modes(history)
    for lock, drift in _standing(history, slower=True):
        at_times = modes.get(lock.id)
        leant = at_times is not None and at_times.mode.loaded > 0
        if lock.is_magnet or (leant and _hump_only(drift)):
            continue
        large = 100 * drift.change >= history.venue.limits.drift_week_percent
        urgency = "week" if large else "plan"
        found.append(_drift_finding(
            history, lock, drift, "sticking-catch", _raised(urgency, lock),
            _not_excluded(drift, lock),
        ))
    return _with_unhelped(found, history, "sticking-catch", slower=True)


def slow_drop(history: History) -> list[Finding]:
    """Magnets that release later after the current is cut."""
    found = []
    for lock, drift in _standing(history, slower=True):
        if not lock.is_magnet:
            continue
        large = 100 * drift.change >= history.venue.limits.drift_week_percent
        urgency = "week" if large else "plan"
        found.append(_drift_finding(
            history, lock, drift, "slow-drop", _raised(urgency, lock),
            ("driver-leakage", "suppression-changed")
            if drift.fit and drift.fit.step_share > STEP_LIKELIER else ("driver-leakage",),
        ))
    return _with_unhelped(found, history, "slow-drop", slower=True)


def weakening_hold(history: History) -> list[Finding]:
    """Magnets that release sooner each week, or open while they are energised."""
    found: dict[str, Finding] = {}
    for lock, drift in _standing(history, slower=False):
        if lock.is_magnet:
            step = drift.fit is not None and drift.fit.step_share > STEP_LIKELIER
            if step and _diode_lost(lock, drift):
                continue
            found[lock.id] = _drift_finding(
                history, lock, drift, "weakening-hold",
                "week" if -100 * drift.change > history.venue.limits.drift_week_percent
                else "plan",
                ("missing-suppression", "one-winding-open") if step else ("low-supply",),
            )
    for item in _unhelped_findings(history, "weakening-hold", slower=False):
        found[item.subject] = item
    for name, forced in _forced_openings(history).items():
        if name not in found or forced.score > found[name].score:
            found[name] = forced
    return list(found.values())


def lost_diode(history: History) -> list[Finding]:
    """Magnets that release so much sooner at one step that only a lost diode explains it.

    The spikes on the rail are surer evidence, where the rail is sampled finely enough to show
    them: a clamp fitted in place of the diode makes a magnet as quick.
    """
    found = [
        _drift_finding(history, lock, drift, "missing-suppression", "week", ("weakening-hold",))
        for lock, drift in _standing(history, slower=False)
        if drift.fit is not None and drift.fit.step_share > STEP_LIKELIER
        and _diode_lost(lock, drift)
    ]
    return [replace(item, score=min(item.score, LOST_DIODE_SCORE)) for item in found]


def _diode_lost(lock: Lock, drift: LockDrift) -> bool:
    return (
        lock.is_magnet and lock.suppression != "none" and lock.latency_kind != "door"
        and drift.seen_high < LOST_DIODE
    )


def _standing(history: History, *, slower: bool) -> list[tuple[Lock, LockDrift]]:
    """Drifts beyond the gate, in the direction asked for, that are present this week."""
    gate = history.venue.limits.drift_gate_percent / 100
    out = []
    for name, drift in drifts(history).current.items():
        if drift.fit is None or not drift.stands or drift.since is None:
            continue
        if drift.fit.log_odds <= 0.0:
            continue
        if (drift.change > 0) != slower or abs(drift.change) < gate:
            continue
        if not _borne_out(drift, slower) or abs(drift.seen) < SEEN_SHARE_OF_GATE * gate:
            continue  # this week's own level does not support it
        if drift.days.phase_tied and _below_poll(history, drift):
            continue
        if drift.days.lock.latency_kind == "door" and people_only(drift):
            continue
        out.append((history.venue.locks_by_id[name], drift))
    return out


def _borne_out(drift: LockDrift, slower: bool) -> bool:
    """Whether the interval of this week's change excludes no change.

    Where the rail failed before the change began, the two levels cannot be compared; the course
    since the rail failed can still be almost certain by itself.
    """
    fit = drift.fit
    assert fit is not None
    certain = fit.log_odds > CERTAIN and abs(fit.shift) > CERTAIN_DEVIATIONS * fit.shift_deviation
    return certain or (drift.seen_low if slower else -drift.seen_high) > 0


def _hump_only(drift: LockDrift) -> bool:
    """Whether the quick releases are as quick as before: there is a second hump, nothing moved."""
    days = drift.days
    onset = drift.fit.since if drift.fit else 0.0
    before, after = days.value[days.release_day < onset], days.value[days.release_day >= onset]
    if min(before.size, after.size) < LEAST_HUMP_RELEASES:
        return False
    moved = days.moved(QUICK_QUANTILE, before, after)
    return abs(moved) < QUICK_MOVED_SHARE * abs(drift.change) or moved * drift.change < 0


def _unhelped(history: History) -> dict[str, tuple[LockDrift, LockDrift, date, str]]:
    """Locks that release as late (or as soon) after their last service as before it.

    Returns
    -------
    dict
        By lock: the drift up to the service, the drift since, the day and the action.
    """
    gate = history.venue.limits.drift_gate_percent / 100
    out = {}
    judged = drifts(history)
    for name, earlier in judged.earlier.items():
        current = judged.current.get(name)
        serviced = last_service(history, name)
        if (
            current is None or serviced is None or earlier.fit is None or not earlier.stands
            or earlier.fit.log_odds <= 0.0 or abs(earlier.change) < gate
            or current.releases_now < LEAST_AFTER_SERVICE
            or current.days.resolution_ms != earlier.days.resolution_ms
        ):
            continue
        full = math.log(earlier.now_ms / earlier.before_ms)
        left = math.log(current.now_ms / earlier.before_ms)
        unsure = math.log(current.now_high_ms / current.now_low_ms) / INTERVAL_DEVIATIONS
        if serviced[1] == "replaced" and abs(left - full) > REPLACED_WITHIN * abs(full):
            continue  # another lock has its own latency
        same_way, size = math.copysign(1.0, full) * left, abs(full)
        if same_way > LEFT_SHARE * size and same_way - 2 * unsure > LEFT_SURE_SHARE * size:
            out[name] = (earlier, current, *serviced)
    return out


def _came_back(earlier: LockDrift, current: LockDrift, serviced: float) -> int | None:
    """Weeks from the work until the latency was back where it had been; None: it never left."""
    days, middle = current.days, math.sqrt(earlier.now_ms * earlier.before_ms)
    latency = days.latency_ms - days.resolution_ms / 2
    bad = latency > middle if earlier.change > 0 else latency < middle
    past = (earlier.days.latency_ms - earlier.days.resolution_ms / 2)[
        earlier.days.release_day > serviced - BEFORE_SERVICE_DAYS]
    share = float(np.mean(past > middle if earlier.change > 0 else past < middle)) if (
        past.size) else 1.0
    return came_back_after(days.release_day - serviced, bad, share)


def _unhelped_findings(history: History, condition: str, *, slower: bool) -> list[Finding]:
    """Findings of repairs that did not help."""
    out = []
    for name, (earlier, current, day, action) in _unhelped(history).items():
        lock = history.venue.locks_by_id[name]
        if (earlier.change > 0) != slower or lock.is_magnet != (condition != "sticking-catch"):
            continue
        change = current.now_ms / earlier.before_ms - 1.0
        joined = replace(
            earlier, change=change, now_ms=current.now_ms, now_low_ms=current.now_low_ms,
            now_high_ms=current.now_high_ms, releases_now=current.releases_now,
            seen=change, seen_low=current.now_low_ms / earlier.before_high_ms - 1.0,
            seen_high=current.now_high_ms / earlier.before_low_ms - 1.0,
        )
        large = 100 * abs(change) >= history.venue.limits.drift_week_percent
        weeks = _came_back(earlier, current, (day - history.week.monday).days)
        if weeks is not None and current.since is not None and current.since > day:
            # The work helped: the fault that came back began after it.
            joined = replace(joined, since=current.since, since_low=current.since_low,
                             since_high=current.since_high)
        found = _drift_finding(
            history, lock, joined, condition, _raised("week" if large else "plan", lock),
            _not_excluded(earlier, lock) if not lock.is_magnet else (),
        )
        out.append(replace(found, extra={**found.extra, **failed_repair((day, action, weeks))}))
    return out


def _with_unhelped(
    found: list[Finding], history: History, condition: str, *, slower: bool
) -> list[Finding]:
    """Add repairs that did not help; they replace another finding of the same lock."""
    unhelped = _unhelped_findings(history, condition, slower=slower)
    told = {item.subject for item in unhelped}
    return [item for item in found if item.subject not in told] + unhelped


def _below_poll(history: History, drift: LockDrift) -> bool:
    """A change too small for a poll whose phase follows the command.

    The time between two polls can look like a change; beyond that, half the gate must be left.
    """
    days = drift.days
    if days.deviation * days.reference_ms >= 0.5 * days.resolution_ms:
        return False
    beyond = 0.5 * history.venue.limits.drift_gate_percent / 100 * days.reference_ms
    least = least_change_ms(days.reference_ms, days.resolution_ms, beyond)
    return abs(drift.change) * days.reference_ms < least


def _raised(urgency: str, lock: Lock) -> str:
    """One step more urgent on an exit route, unless people could be the whole cause."""
    if not lock.on_way_out or lock.latency_kind == "door":
        return urgency
    return {"watch": "plan", "plan": "week", "week": "now", "now": "now"}[urgency]


def _not_excluded(drift: LockDrift, lock: Lock) -> tuple[str, ...]:
    if not drift.days.volts_known.any():
        return FEEDBACK_ONLY
    return ("hot-coil", "loaded-catch")


def _drift_finding(
    history: History, lock: Lock, drift: LockDrift, condition: str, urgency: str,
    not_excluded: Sequence[str],
) -> Finding:
    assert drift.fit is not None
    days = drift.days
    percent, low, high = 100 * drift.seen, 100 * drift.seen_low, 100 * drift.seen_high
    corrected = lock.pulsed and bool(days.volts_known.any())
    says = [say(
        "release-slower" if drift.change > 0 else "release-sooner",
        percent=Amount(abs(percent), "%"), now=Amount(drift.now_ms, "ms"),
        before=Amount(drift.before_ms, "ms"),
    )]
    if corrected:
        says.append(say("at-rated-volts"))
    if lock.latency_kind in ("door", "supply"):
        says.append(say(f"time-from-{lock.latency_kind}"))
    if days.resolution_ms >= COARSE_STEP_MS and (
            days.resolution_ms > COARSE_STEP_SHARE * days.reference_ms):
        says.append(say("polled-feedback", step=Amount(days.resolution_ms, "ms"),
                        least=Amount(drift.detectable_change * days.reference_ms, "ms")))
    if days.phase_tied:
        says.append(say("between-polls", low=Amount(drift.now_low_ms, "ms"),
                        high=Amount(drift.now_high_ms, "ms")))
    return finding(
        lock.id, condition, urgency, probability(drift.fit.log_odds),
        says=says, since=drift.since, since_low=drift.since_low, since_high=drift.since_high,
        not_excluded=not_excluded,
        evidence=[
            *_as_logged(drift, history),
            Evidence(
                "median-latency-at-rated-volts" if corrected
                else "median-latency-beside-its-siblings", drift.now_ms, "ms",
                n=drift.releases_now,
                now_low=drift.now_low_ms, now_high=drift.now_high_ms, before=drift.before_ms,
                before_low=drift.before_low_ms, before_high=drift.before_high_ms,
            ),
            Evidence("change-since-then", percent, "%", n=int(days.releases.sum()),
                     now_low=low, now_high=high, before=0.0),
            Evidence("smallest-change-two-weeks-would-show", 100 * drift.detectable_change, "%"),
            *_by_week(history, drift),
        ],
        extra={"course": "step" if drift.fit.step_share > STEP_LIKELIER else "gradual"},
    )


def _by_week(history: History, drift: LockDrift) -> list[Evidence]:
    """The CUSUM of weekly levels, and the slope where enough weeks have passed since the start."""
    course = weekly_course(drift)
    out = [Evidence(
        "cusum-of-weekly-levels-alarm-at-5", course.sum_high if drift.change > 0
        else course.sum_low, "standard deviations", n=course.week.size,
    )]
    if course.slope is not None and drift.fit is not None and drift.fit.step_share < STEP_LIKELIER:
        slope, low, high = course.slope
        out.append(Evidence(
            "slope-since-then", 100 * slope, "% a week", now_low=100 * low, now_high=100 * high,
        ))
    return out


def _as_logged(drift: LockDrift, history: History) -> list[Evidence]:
    """Median of this week's releases as logged, volts and season as they were."""
    days = drift.days
    ends = (days.release_day >= 0) & (days.release_day < 7)
    if not ends.any():
        return []
    middle, low, high = _median(days, ends)
    until = (drift.since - history.week.monday).days if drift.since else 0
    past = days.release_day < until
    before, before_low, before_high = _median(days, past)
    known = past.any()
    return [Evidence(
        "median-latency", middle, "ms", n=int(ends.sum()), now_low=low, now_high=high,
        before=before if known else None, before_low=before_low if known else None,
        before_high=before_high if known else None,
    )]


def _median(days: LockDays, which: Flags) -> tuple[float, float, float]:
    """Median of some of a lock's releases, each known to within its poll, with its interval."""
    time = days.latency_ms[which]
    return polled_median(
        time, np.full(time.size, days.resolution_ms), in_step=days.phase_tied)


def _forced_openings(history: History) -> dict[str, Finding]:
    """Magnets pulled open while energised, on more days than by chance and than before.

    Days are held against those before it began, so that a fault which lasts does not become its
    own past.
    """
    opened = per_lock(openings_of_locks(history).filter(pl.col("energised")))
    monday, limit = history.week.monday.toordinal(), history.venue.limits.forced_openings_week
    out: dict[str, Finding] = {}
    for name, commands in actuations_by_lock(history).items():
        lock = history.venue.locks_by_id.get(name)
        if lock is None or not lock.is_magnet or name not in opened:
            continue
        used = np.unique(day_ordinals(since_baseline(commands, history, name)["day"]))
        at = day_ordinals(opened[name]["day"])
        at = at[at >= used[0]] if used.size else at[:0]
        # A day on which it was not commanded counts where it was pulled open.
        days = np.union1d(used, at)
        # A cut whose command is lost from the log looks like an opening under power.
        lost = lost_shares(history).get(lock.command_controller, 0.0)
        a_day = 1.0 - (1.0 - lost) ** (commands.height / max(used.size, 1))
        seldom = SELDOM_FORCED[0] + a_day * SELDOM_FORCED[1], SELDOM_FORCED[1]
        rate = change_of_rate(days - monday, np.isin(days, at), seldom, OFTEN_FORCED)
        if rate is None:
            continue
        weeks = (float(days[-1] - days[0]) + 1.0) / 7.0
        log_odds = rate.log_odds + float(np.log(FORCED_PRIOR * weeks))
        if log_odds <= 0:
            continue
        since, since_low, since_high = rate.dates(monday)
        begun = monday + rate.since
        now = int((at >= monday).sum())
        _, weekly = np.unique(np.floor_divide(at[at >= begun] - monday, 7), return_counts=True)
        if not now or weekly.max(initial=0) < limit:
            continue
        before = float((at < begun).sum()) / max((begun - float(days[0])) / 7.0, 1.0)
        low, high = poisson_limits(now)
        out[name] = finding(
            name, "weakening-hold", "week", probability(log_odds),
            says=[say("opened-while-energised", count=now, before=Amount(before, "a week"))],
            since=since, since_low=since_low, since_high=since_high,
            not_excluded=("forced-by-players", "low-supply"),
            evidence=[Evidence("openings-while-energised", float(now), "a week", n=now,
                               now_low=low, now_high=high, before=before)],
        )
    return out


_LATENCY = (
    "median-latency", "median-latency-at-rated-volts", "median-latency-beside-its-siblings",
    "change-since-then", "smallest-change-two-weeks-would-show",
    "cusum-of-weekly-levels-alarm-at-5", "slope-since-then",
)
_SLOW = (
    "slow-or-unanswered-commands", "the-same-after-a-rest", "median-latency-of-the-slow-ones",
)

STICKING_CATCH = Condition(
    "sticking-catch", (sticking_catch, slow_at_times, slow_beside_siblings, late_doors),
    (*_LATENCY, *_SLOW),
    mechanisms=PULSED, explains=("no-release", "short-pulse"), takes_urgency_of=("no-release",),
    needs_part=True,
)
SLOW_DROP = Condition(
    "slow-drop", (slow_drop, slow_at_times, slow_beside_siblings, late_doors), (*_LATENCY, *_SLOW),
    mechanisms=("magnet",), explains=("no-release", "short-pulse"),
    takes_urgency_of=("no-release",), needs_part=True, keeps_in=True,
)
WEAKENING_HOLD = Condition(
    "weakening-hold", (weakening_hold,), (*_LATENCY, "openings-while-energised"),
    mechanisms=("magnet",), explains=("not-reclosed",), needs_part=True,
)
