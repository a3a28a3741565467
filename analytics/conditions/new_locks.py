"""Locks whose own past is too short to judge by: they are compared with their siblings."""

from __future__ import annotations

import numpy as np

from remanence.analytics.conditions.condition import finding
from remanence.analytics.drift.judge import LockDrift, drifts
from remanence.analytics.drift.panel import LEAST_SIBLINGS
from remanence.analytics.history import History, family
from remanence.analytics.statistics.intervals import (
    log_density_of_t,
    probability,
    robust_deviation,
)
from remanence.shared.findings import Amount, Evidence, Finding, say

YOUNG_DAYS = 28
"""A lock with a shorter past than this is compared with its siblings. Assumption."""
NEW_LOCK_RELEASES = 8
"""Fewer releases give no median to compare (common practice, no source)."""

BETWEEN_LOCKS = 0.2
"""Sound locks of one family differ by about this much (standard deviation of log latency;
common practice: 0.2 for latches, 0.25 to 0.3 for magnets)."""
BETWEEN_WEIGHT, LEAST_BETWEEN = 5.0, 0.1
"""Siblings' worth of say that this has beside their own spread, and the least of that: makers keep
to some ten per cent (assumption)."""
PREDECESSOR_DEVIATIONS = 2.0
"""A lock less than this many such deviations above its predecessor is like it (two standard
deviations: common practice)."""

NEW_LOCK_PRIOR = 1 / 60
"""Chance that a lock just fitted or just worked on is not right. Assumption."""
SIBLINGS_PERCENTILES = (2.5, 97.5)
"""The range shown of the siblings holds 95 % of them (common practice)."""
LEAST_DEVIATIONS_ABOVE = 2.5
"""A lock less than this many deviations above its siblings is not told. Assumption."""
FAULTY_DEVIATIONS, SOUND_FREEDOM = 8.0, 5
"""A faulty lock lies anywhere up to this many deviations above; a sound lock follows Student's t
with these degrees of freedom, whose tail is heavy. Assumption."""


def slow_beside_siblings(history: History) -> list[Finding]:
    """New locks that release much later than their family."""
    judged, predecessors = drifts(history).current, drifts(history).earlier
    found = []
    for name, drift in judged.items():
        days = drift.days
        if days.day[-1] - days.day[0] >= YOUNG_DAYS or drift.releases_now < NEW_LOCK_RELEASES:
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
        score = slow_beside(drift.now_ms, np.array(others))
        if score is not None:
            found.append(_said(drift, np.array(others), score))
    return found


def _as_its_predecessor(drift: LockDrift, earlier: LockDrift | None) -> bool:
    """Whether the lock in this place before, or this lock before the work, took as long when sound.

    Then the lock has another size or wiring than the locks described in the same words.
    """
    if earlier is None or not np.isfinite(earlier.before_ms):
        return False
    return bool(drift.now_ms < earlier.before_ms * np.exp(PREDECESSOR_DEVIATIONS * BETWEEN_LOCKS))


def slow_beside(now_ms: float, others: np.ndarray) -> float | None:
    """Probability that a lock without a past of its own is faulty, beside sound ones of its family.

    Parameters
    ----------
    now_ms : float
        Its median time to release. [ms]
    others : numpy.ndarray
        Natural logarithms of the others', four or more.

    Returns
    -------
    float or None
        None where it lies less than :data:`LEAST_DEVIATIONS_ABOVE` above them.
    """
    usual = float(np.median(others))
    # Siblings alike say so the more, the more of them there are.
    weight = others.size / (others.size + BETWEEN_WEIGHT)
    spread = float(np.sqrt(weight * max(robust_deviation(others), LEAST_BETWEEN)**2
                           + (1 - weight) * BETWEEN_LOCKS**2))
    off = (float(np.log(now_ms)) - usual) / spread
    if not np.isfinite(off) or off < LEAST_DEVIATIONS_ABOVE:
        return None
    return probability(float(
        np.log(NEW_LOCK_PRIOR / (1 - NEW_LOCK_PRIOR)) + np.log(1 / FAULTY_DEVIATIONS)
        - log_density_of_t(off, max(SOUND_FREEDOM, others.size))
    ))


def _said(drift: LockDrift, others: np.ndarray, score: float) -> Finding:
    lock = drift.days.lock
    usual = float(np.exp(np.median(others)))
    low, high = np.exp(np.percentile(others, SIBLINGS_PERCENTILES))
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
