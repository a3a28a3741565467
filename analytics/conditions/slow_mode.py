"""Conditions that show as a second, slow mode: a catch that sticks at times, one leant upon."""

from __future__ import annotations

import weakref
from datetime import date, timedelta

import numpy as np
import polars as pl

from remanence.analytics.conditions.condition import PULSED, Condition, finding
from remanence.analytics.conditions.evidence import raised_on_way_out, share_evidence
from remanence.analytics.drift.judge import drifts
from remanence.analytics.drift.slow_mode import SlowMode, slow_mode
from remanence.analytics.history import History, baseline_start, per_lock, with_weeks
from remanence.analytics.statistics.intervals import probability
from remanence.shared.findings import Amount, Evidence, Finding, Sentence, say
from remanence.shared.venue import Lock

_LAST: list[tuple[weakref.ref[History], dict[str, SlowMode]]] = []


def slow_modes(history: History) -> dict[str, SlowMode]:
    """The slow mode of each lock that has one; computed once per history."""
    if _LAST and _LAST[0][0]() is history:
        return _LAST[0][1]
    by_lock = per_lock(with_weeks(history.actuations, "command_time", history))
    epoch = history.week.monday.toordinal()
    found: dict[str, SlowMode] = {}
    for name, drift in drifts(history).current.items():
        lock = drift.days.lock
        if lock.latency_kind == "door":
            continue
        rows = by_lock[name]
        start = baseline_start(history, name)
        if start is not None:
            rows = rows.filter(pl.col("day") >= start)
        row_day = rows["day"].to_physical().to_numpy().astype(float) + 719163.0 - epoch
        mode = slow_mode(drift.days, rows, row_day)
        if mode is not None and mode.log_odds > 0:
            found[name] = mode
    _LAST[:] = [(weakref.ref(history), found)]
    return found


def slow_at_times(history: History) -> list[Finding]:
    """Latches whose releases are slow or late at times, not because people lean on them.

    Also magnets that let go late at times: the tail comes before the median.
    """
    found = []
    for name, mode in slow_modes(history).items():
        lock = history.venue.locks_by_id[name]
        if mode.loaded > 0 and not lock.is_magnet:
            continue
        drift = drifts(history).current[name]
        sooner = drift.change < -history.venue.limits.drift_gate_percent / 100
        if sooner and drift.fit is not None and drift.fit.log_odds > 0:
            continue  # it has become sooner: what it was looks slow beside that
        if mode.unanswered > 0.7 * mode.count:
            continue  # it fails rather than lags: said as no-release
        condition = "slow-drop" if lock.is_magnet else "sticking-catch"
        urgency = raised_on_way_out("week", lock)
        unsure = ("loaded-catch",) if mode.loaded > -2 and not lock.is_magnet else ()
        found.append(_finding(
            history, lock, mode, condition, urgency, unsure,
            [say("slow-at-times", failed=mode.count, total=mode.total), *_figures(mode)],
        ))
    return found


def loaded_catch(history: History) -> list[Finding]:
    """Latches that people lean on: two humps, open when the push ends."""
    found = []
    for name, mode in slow_modes(history).items():
        lock = history.venue.locks_by_id[name]
        if mode.loaded <= 0 or lock.is_magnet or mode.unanswered > 0.7 * mode.count:
            continue
        urgency = raised_on_way_out("plan" if mode.unanswered < 0.05 * mode.total else "week", lock)
        found.append(_finding(
            history, lock, mode, "loaded-catch", urgency,
            ("sticking-catch",) if mode.loaded < 3 else (),
            [say("people-lean", failed=mode.count, total=mode.total), *_figures(mode),
             say("after-a-rest", failed=mode.first_count, total=mode.first_total)],
        ))
    return found


def _figures(mode: SlowMode) -> list[Sentence]:
    said = []
    if np.isfinite(mode.slow_ms) and np.isfinite(mode.usual_ms):
        said.append(say("slow-ones-take", slow=Amount(mode.slow_ms, "ms"),
                        usual=Amount(mode.usual_ms, "ms")))
    if mode.unanswered:
        said.append(say("not-answered-of-them", count=mode.unanswered))
    return said


def _day(history: History, day: float) -> date:
    return history.week.monday + timedelta(days=int(np.floor(day)))


def _finding(
    history: History, lock: Lock, mode: SlowMode, condition: str, urgency: str,
    not_excluded: tuple[str, ...], says: list[Sentence],
) -> Finding:
    return finding(
        lock.id, condition, urgency, probability(mode.log_odds), says=says,
        since=_day(history, mode.since), since_low=_day(history, mode.since_low),
        since_high=_day(history, mode.since_high), not_excluded=not_excluded,
        evidence=[
            share_evidence(
                "slow-or-unanswered-commands", (mode.count, mode.total),
                (mode.count_before, mode.total_before) if mode.total_before else None,
            ),
            share_evidence("the-same-after-a-rest", (mode.first_count, mode.first_total)),
            Evidence("median-latency-of-the-slow-ones",
                     mode.slow_ms if np.isfinite(mode.slow_ms) else None, "ms",
                     n=mode.count - mode.unanswered,
                     before=mode.usual_ms if np.isfinite(mode.usual_ms) else None),
        ],
        extra={"course": "slow mode", "from_start": mode.from_start},
    )


LOADED_CATCH = Condition(
    "loaded-catch", (loaded_catch,),
    ("slow-or-unanswered-commands", "the-same-after-a-rest", "median-latency-of-the-slow-ones"),
    mechanisms=PULSED, explains=("no-release", "opened-unpowered"),
    takes_urgency_of=("no-release",),
)
