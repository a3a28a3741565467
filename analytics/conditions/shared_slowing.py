"""Locks that have become slow together: said of what they share, not of each of them."""

from __future__ import annotations

import numpy as np

from remanence.analytics.conditions.condition import Condition, finding
from remanence.analytics.drift.judge import drifts
from remanence.analytics.drift.shared_change import SharedChange
from remanence.analytics.history import History
from remanence.analytics.statistics.intervals import NORMAL_95, probability
from remanence.shared.findings import Amount, Evidence, Finding, say

VOLTS_LOGGED = 0.5
"""Share of known volts from which these are excluded as the cause (assumption)."""

STEP_LIKELIER = 0.5
"""A change is called a step where a step is likelier than a slope (calculated: even odds)."""


def shared_slowing(history: History) -> list[Finding]:
    """Units (venue, room, rail, part, controller) whose locks release later than they did.

    The volts that are logged and the season are allowed for already.
    """
    gate = history.venue.limits.drift_gate_percent / 100
    found = []
    for shared in drifts(history).shared:
        change = shared.change
        if shared.kind and np.expm1(change.shift) >= gate and change.log_odds > 0:
            found.append(_said(history, shared))
    return found


def _said(history: History, shared: SharedChange) -> Finding:
    change, judged = shared.change, drifts(history).current
    slow = sorted(shared.locks)
    logged = float(np.mean([judged[name].days.volts_known.mean() for name in slow]))
    since, low, high = change.dates(history.week.monday.toordinal())
    changed = probability(change.log_odds)
    percent, half = 100 * np.expm1(change.shift), NORMAL_95 * change.shift_deviation
    large = percent >= history.venue.limits.drift_week_percent
    unsure = ["a-warm-room"] if shared.kind in ("venue", "room") else []
    sagging = shared.kind == "supply" and logged < VOLTS_LOGGED
    if shared.kind == "venue" and logged < VOLTS_LOGGED:
        unsure.append("low-supply")
    name = "supply-sag" if sagging else "shared-slowing"
    if sagging:
        # What its locks share is the rail, whose volts would tell if they were logged.
        unsure, large = ["low-supply", "a-warm-room"], True
    return finding(
        shared.subject, name, "week" if large else "plan",
        changed if sagging else changed * probability(shared.odds_of_one_cause),
        subject_kind=shared.kind,
        since=since, since_low=low, since_high=high, not_excluded=unsure,
        says=[
            say("slow-together", slow=len(slow), total=shared.total) if sagging else
            say(f"shared-slowing-{shared.kind}", slow=len(slow), total=shared.total,
                percent=Amount(percent, "%")),
            *(say(f"shared-too-{kind}", name=name) for kind, name in shared.same),
        ],
        evidence=[Evidence(
            "median-change-of-their-latency", percent, "%", n=len(slow), before=0.0,
            now_low=100 * np.expm1(change.shift - half),
            now_high=100 * np.expm1(change.shift + half))],
        extra={"accounts_for": slow, "effect_score": round(changed, 3),
               "course": "step" if change.step_share > STEP_LIKELIER else "gradual"},
    )


SHARED_SLOWING = Condition(
    "shared-slowing", (shared_slowing,), ("median-change-of-their-latency",),
    subject_kinds=("venue", "room", "supply", "part", "controller"), weighs_its_name=True,
)
