"""Magnets that were bad when their log began: told by what is stated of them, and by others."""

from __future__ import annotations

import numpy as np

from remanence.analytics.conditions.condition import finding
from remanence.analytics.conditions.new_locks import NEW_LOCK_PRIOR, NEW_LOCK_RELEASES
from remanence.analytics.drift.judge import drifts
from remanence.analytics.history import History, last_service
from remanence.analytics.statistics.intervals import probability
from remanence.shared.findings import Amount, Evidence, Finding, say

WITH_DIODE_MS = {"large": 400.0, "small": 110.0}
"""Usual time to release of a magnet whose diode is there: a full-size one 400 to 510 ms, a compact
one 80 to 174 ms. Calculated from a generic model, good to a factor of two or three."""
WITHOUT_MS = {"large": 30.0, "small": 12.0}
"""The same without it: 16 to 36 ms, and 1 to 42 ms. Calculated likewise."""
MODEL_DEVIATION = 0.5
"""Standard deviation of a magnet's log time about these. Assumption: a factor of three is two of
them."""
LARGE_WATTS = 4.0
"""A holding magnet that takes more is a full-size one: 0.4 to 0.6 A at 12 V (common practice)."""
LEAST_SCORE = 0.5
"""Said where it is more likely than not."""


def quick_from_the_start(history: History) -> list[Finding]:
    """Magnets with a stated diode that have always let go as if they had none.

    Parameters
    ----------
    history : History
        The venue's tables up to the end of the week.

    Returns
    -------
    list of Finding
        ``missing-suppression``, each week anew for as long as it lasts: however long the log is, a
        magnet's own past does not show what it never was. One that became quick later is its own
        past's to judge, and one that was worked on what the work left.

    Notes
    -----
    Odds of the two usual times, both log-normal; textbook.
    """
    found = []
    for drift in drifts(history).current.values():
        lock = drift.days.lock
        if (not lock.is_magnet or lock.suppression != "diode" or lock.latency_kind != "armature"
                or last_service(history, lock.id) is not None
                or drift.releases_now < NEW_LOCK_RELEASES or not lock.ohms):
            continue
        size = "large" if lock.rated_volts**2 / lock.ohms >= LARGE_WATTS else "small"
        now = np.log(np.fmax(drift.now_ms, drift.before_ms))
        with_it, without = (
            -float((now - np.log(usual[size])) / MODEL_DEVIATION) ** 2 / 2.0
            for usual in (WITH_DIODE_MS, WITHOUT_MS))
        score = probability(
            without - with_it + float(np.log(NEW_LOCK_PRIOR / (1 - NEW_LOCK_PRIOR))))
        if score < LEAST_SCORE:
            continue
        found.append(finding(
            lock.id, "missing-suppression", "plan", score,
            says=[say("quick-for-its-diode", now=Amount(drift.now_ms, "ms"),
                      usual=Amount(WITH_DIODE_MS[size], "ms"))],
            evidence=[Evidence("median-latency", drift.now_ms, "ms", n=drift.releases_now,
                               now_low=drift.now_low_ms, now_high=drift.now_high_ms)],
            not_excluded=("another-make-or-size-of-lock",), extra={"course": "from the start"},
        ))
    return found
