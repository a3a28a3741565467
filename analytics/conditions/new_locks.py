"""Locks whose own past is too short to judge by: held against their siblings instead."""

from __future__ import annotations

import numpy as np

from remanence.analytics.conditions.condition import finding
from remanence.analytics.drift.judge import LockDrift, drifts
from remanence.analytics.drift.season import LEAST_SIBLINGS
from remanence.analytics.history import History, family
from remanence.analytics.statistics.intervals import probability, robust_deviation
from remanence.shared.findings import Amount, Evidence, Finding, say

YOUNG_DAYS = 28
"""With less of a past than this a lock is held against its siblings."""

BETWEEN_LOCKS = 0.2
"""Sound locks of one family differ by about this much (standard deviation of log latency;
common practice: 0.2 for latches, 0.25 to 0.3 for magnets). Never taken for less."""

NEW_LOCK_PRIOR = 1 / 60
"""Chance that a lock just fitted or just worked on is not right. Assumption."""


def slow_beside_siblings(history: History) -> list[Finding]:
    """Young locks that let go much later than their family does."""
    judged, predecessors = drifts(history).current, drifts(history).earlier
    found = []
    for name, drift in judged.items():
        days = drift.days
        if days.day[-1] - days.day[0] >= YOUNG_DAYS or drift.releases_now < 8:
            continue
        if days.lock.latency_kind == "door" or _as_its_predecessor(drift, predecessors.get(name)):
            continue
        others = [
            np.log(other.now_ms if np.isfinite(other.now_ms) else other.before_ms)
            for other in judged.values()
            if other.lock != name and family(other.days.lock) == family(days.lock)
            and other.days.lock.rated_volts == days.lock.rated_volts
            and np.isfinite(other.before_ms)
        ]
        if len(others) < LEAST_SIBLINGS:
            continue
        score = _score(drift, np.array(others))
        if score is not None:
            found.append(_said(drift, np.array(others), score))
    return found


def _as_its_predecessor(drift: LockDrift, earlier: LockDrift | None) -> bool:
    """Whether what was in this place before, or before the work on it, took as long when sound.

    Then the lock is of another size or wired otherwise than those that share its words.
    """
    if earlier is None or not np.isfinite(earlier.before_ms):
        return False
    return bool(drift.now_ms < earlier.before_ms * np.exp(2 * BETWEEN_LOCKS))


def _score(drift: LockDrift, others: np.ndarray) -> float | None:
    """Probability that it is slow for a reason: against sound locks' spread, with a heavy tail."""
    usual = float(np.median(others))
    spread = max(robust_deviation(others), BETWEEN_LOCKS)
    off = (float(np.log(drift.now_ms)) - usual) / spread
    if not np.isfinite(off) or off < 2.5:
        return None
    # Sound: Student's t with five degrees of freedom. Faulty: anywhere up to eight deviations.
    from scipy.stats import t

    return probability(float(
        np.log(NEW_LOCK_PRIOR / (1 - NEW_LOCK_PRIOR)) + np.log(1 / 8.0) - t.logpdf(off, 5)
    ))


def _said(drift: LockDrift, others: np.ndarray, score: float) -> Finding:
    lock = drift.days.lock
    usual = float(np.exp(np.median(others)))
    low, high = np.exp(np.percentile(others, [2.5, 97.5]))
    return finding(
        lock.id, "slow-drop" if lock.is_magnet else "sticking-catch", "plan", score,
        since=drift.segment_start,
        says=[say("slow-beside-same-kind", others=int(others.size), usual=Amount(usual, "ms"),
                  now=Amount(drift.now_ms, "ms"))],
        evidence=[Evidence(
            "median-latency-beside-its-siblings", drift.now_ms, "ms", n=drift.releases_now,
            now_low=drift.now_low_ms, now_high=drift.now_high_ms, before=usual,
            before_low=float(low), before_high=float(high),
        )],
        not_excluded=("another-make-or-size-of-lock",),
        extra={"course": "from the start"},
    )
