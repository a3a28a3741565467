"""Locks that were slow from their first day: no past of their own shows it, so siblings do."""

from __future__ import annotations

import numpy as np

from remanence.analytics.conditions.condition import finding
from remanence.analytics.drift.judge import LockDrift, across_clocks, drifts
from remanence.analytics.drift.panel import LEAST_SIBLINGS
from remanence.analytics.history import History, family, first_day, rated_alike
from remanence.analytics.statistics.beside import chance_above
from remanence.shared.findings import Amount, Evidence, Finding, say
from remanence.shared.limits import Limits

NEW_LOCK_RELEASES = 8
"""Fewer releases give no median to compare (common practice, no source)."""

BETWEEN_LOCKS, BETWEEN_MAGNETS = 0.2, 0.25
"""Sound locks of one family differ by about this much (standard deviation of log latency;
common practice: 0.2 for latches, 0.25 to 0.3 for magnets)."""
BETWEEN_LATCHES_OF_A_PART = 0.12
"""The same of latches of one part at one voltage: makers keep to some ten per cent, and how each is
fitted adds as much again (assumption). A magnet's gap is its door's, whatever the part."""
PREDECESSOR_DEVIATIONS = 2.0
"""A lock less than this many such deviations above its predecessor is like it (two standard
deviations: common practice)."""

NEW_LOCK_PRIOR, FIRST_SIGHT_PRIOR = 1 / 60, 1 / 30
"""Chance that a lock just fitted or just worked on is not right, and that one is not of which no
fitting is known since the log began: nobody has looked at it yet. Assumptions."""
SIBLINGS_PERCENTILES = (2.5, 97.5)
"""The range shown of the siblings holds 95 % of them (common practice)."""


def slow_beside_siblings(history: History) -> list[Finding]:
    """Locks that have always released much later than their siblings.

    Parameters
    ----------
    history : History
        The venue's tables up to the end of the week.

    Returns
    -------
    list of Finding
        ``sticking-catch`` of latches and ``slow-drop`` of magnets, each week anew, for as long as
        it lasts: however long the log is, a lock's own past does not show what it never was.
        A lock that became slow later is its own past's to judge.

    Notes
    -----
    Siblings are of one family, part and rated voltage: who states another part says that the lock
    is of another make. A magnet's time grows with its size, so its siblings are rated alike too;
    a latch's follows its catch and its spring more than its coil, so that latches with other coils
    are siblings, only not as alike as those of one model. Locks across two clocks are left out, as
    how far these are apart is part of their times.
    """
    two_clocks, predecessors = across_clocks(history), drifts(history).earlier
    judged = {name: drift for name, drift in drifts(history).current.items()
              if drift.days.lock.latency_kind != "door" and name not in two_clocks}
    began = first_day(history)
    found = []
    for name, drift in judged.items():
        lock = drift.days.lock
        if drift.releases_now < NEW_LOCK_RELEASES or _as_its_predecessor(
                drift, predecessors.get(name)):
            continue
        beside = [
            other for other in judged.values()
            if other.lock != name and family(other.days.lock) == family(lock)
            and (other.days.lock.rated_volts, other.days.lock.part) == (
                lock.rated_volts, lock.part)
            and np.isfinite(other.before_ms)
            and (not lock.is_magnet or rated_alike(lock, other.days.lock))
        ]
        if len(beside) < LEAST_SIBLINGS:
            continue
        others = np.log([other.now_ms if np.isfinite(other.now_ms) else other.before_ms
                         for other in beside])
        between = BETWEEN_LOCKS
        if lock.is_magnet:
            between = BETWEEN_MAGNETS
        elif lock.part and all(rated_alike(lock, other.days.lock) for other in beside):
            between = BETWEEN_LATCHES_OF_A_PART
        fitted = drift.segment_start
        unknown = fitted is None or (began is not None and fitted <= began)
        score = slow_beside(
            np.fmin(drift.now_ms, drift.before_ms), others, between=between,
            prior=FIRST_SIGHT_PRIOR if unknown else NEW_LOCK_PRIOR)
        if score is not None:
            found.append(_said(drift, others, score, history.venue.limits))
    return found


def _as_its_predecessor(drift: LockDrift, earlier: LockDrift | None) -> bool:
    """Whether the lock in this place before, or this lock before the work, took as long when sound.

    Then the lock has another size or wiring than the locks described in the same words.
    """
    if earlier is None or not np.isfinite(earlier.before_ms):
        return False
    return bool(drift.now_ms < earlier.before_ms * np.exp(PREDECESSOR_DEVIATIONS * BETWEEN_LOCKS))


def slow_beside(
    now_ms: float, others: np.ndarray, *, between: float = BETWEEN_LOCKS,
    prior: float = NEW_LOCK_PRIOR,
) -> float | None:
    """Probability that a lock without a sound past of its own is faulty, beside its siblings.

    Parameters
    ----------
    now_ms : float
        Its median time to release. [ms]
    others : numpy.ndarray
        Natural logarithms of the others', four or more.
    between : float
        By how much sound ones are supposed to differ (standard deviation of the logarithm).
    prior : float
        Chance that it is faulty, before they are compared.

    Returns
    -------
    float or None
        None where it is as they are.

    Notes
    -----
    :func:`remanence.analytics.statistics.beside.chance_above`.
    """
    return chance_above(float(np.log(now_ms)), others, between=between, prior=prior)


def _said(drift: LockDrift, others: np.ndarray, score: float, limits: Limits) -> Finding:
    lock = drift.days.lock
    usual = float(np.exp(np.median(others)))
    low, high = np.exp(np.percentile(others, SIBLINGS_PERCENTILES))
    large = 100 * (drift.now_ms / usual - 1) >= limits.drift_week_percent
    return finding(
        lock.id, "slow-drop" if lock.is_magnet else "sticking-catch",
        "week" if large else "plan", score,
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
