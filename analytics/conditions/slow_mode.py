"""Conditions that show as a second, slow mode: a catch that sticks at times, one leant upon."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from remanence.analytics.conditions.evidence import finding, raised_on_way_out, share_evidence
from remanence.analytics.drift.judge import drifts
from remanence.analytics.drift.slow_mode import SlowMode, slow_mode
from remanence.analytics.history import (
    History,
    actuations_by_lock,
    day_ordinals,
    once_per_history,
    since_baseline,
)
from remanence.analytics.statistics.intervals import probability
from remanence.shared.findings import Evidence, Finding
from remanence.shared.venue import Lock


@once_per_history
def slow_modes(history: History) -> dict[str, SlowMode]:
    """The slow mode of each lock that has one; computed once per history."""
    by_lock = actuations_by_lock(history)
    epoch = history.week.monday.toordinal()
    found: dict[str, SlowMode] = {}
    for name, drift in drifts(history).current.items():
        lock = drift.days.lock
        if lock.latency_kind == "door":
            continue
        rows = by_lock[name]
        rows = since_baseline(rows, history, name)
        row_day = (day_ordinals(rows["day"]) - epoch).astype(float)
        mode = slow_mode(drift.days, rows, row_day)
        if mode is not None and mode.change.log_odds > 0:
            found[name] = mode
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
        if mode.unanswered > 0.7 * mode.change.now.count[0]:
            continue  # it fails rather than lags: said as no-release
        condition = "slow-drop" if lock.is_magnet else "sticking-catch"
        urgency = raised_on_way_out("week", lock)
        unsure = ("loaded-catch",) if mode.loaded > -2 and not lock.is_magnet else ()
        found.append(_finding(
            history, lock, mode, condition, urgency, unsure,
            f"{name} is slow at times: {_words(mode)}.",
        ))
    return found


def loaded_catch(history: History) -> list[Finding]:
    """Latches that people lean on: two humps, open when the push ends."""
    found = []
    for name, mode in slow_modes(history).items():
        lock = history.venue.locks_by_id[name]
        if mode.loaded <= 0 or lock.is_magnet or mode.unanswered > 0.7 * mode.change.now.count[0]:
            continue
        failing = mode.unanswered >= 0.05 * mode.change.now.n
        urgency = raised_on_way_out("week" if failing else "plan", lock)
        found.append(_finding(
            history, lock, mode, "loaded-catch", urgency,
            ("sticking-catch",) if mode.loaded < 3 else (),
            f"People lean on {name}: {_words(mode)}; after a rest, when few lean, "
            f"{mode.first_count} of {mode.first_total}.",
        ))
    return found


def _words(mode: SlowMode) -> str:
    count, total = mode.change.now.count
    words = f"{count} of {total} commands slow or unanswered"
    if np.isfinite(mode.slow_ms) and np.isfinite(mode.usual_ms):
        words += f" (about {mode.slow_ms:.3g} ms in place of {mode.usual_ms:.3g} ms)"
    if mode.unanswered:
        words += f", {mode.unanswered} of them unanswered"
    return words


def _finding(
    history: History, lock: Lock, mode: SlowMode, condition: str, urgency: str,
    not_excluded: tuple[str, ...], says: str,
) -> Finding:
    change = mode.change
    since, low, high = change.dates(history.week.monday.toordinal())
    return finding(
        lock.id, condition, urgency, probability(change.log_odds), says=says,
        since=since, since_low=low, since_high=high, not_excluded=not_excluded,
        evidence=[
            share_evidence(
                "slow or unanswered commands", change.now.count,
                change.before.count if change.before.n else None,
            ),
            share_evidence("the same after a rest", (mode.first_count, mode.first_total)),
            Evidence("median latency of the slow ones",
                     mode.slow_ms if np.isfinite(mode.slow_ms) else None, "ms",
                     n=change.now.count[0] - mode.unanswered,
                     before=mode.usual_ms if np.isfinite(mode.usual_ms) else None),
        ],
        extra={"course": "slow mode", "from_start": mode.from_start},
    )


CANDIDATES: tuple[Callable[[History], list[Finding]], ...] = (slow_at_times, loaded_catch)
