"""The condition over-long-energising: a coil was on beyond what it is rated for."""

from __future__ import annotations

from datetime import date

import numpy as np

from analytics.evidence import finding, share_evidence
from analytics.history import History
from analytics.over_long import OnTimes, on_times
from analytics.standing import Course, course
from shared.findings import Evidence, Finding


def over_long_energising(history: History) -> list[Finding]:
    """Coils that were on for longer, or more often, than they are rated for this week."""
    held_ms = history.venue.limits.held_long_s * 1000.0
    found = []
    for name, times in on_times(history).items():
        beyond = times.beyond
        stretch = course(times.rows, beyond, history, event=True)
        if stretch is None:
            continue
        now = stretch.live
        hits = beyond & now
        worst = int(np.argmax(np.where(hits, times.on_ms, -1.0)))
        worst_ms = float(times.on_ms[worst])
        count, total = int(hits.sum()), int(now.sum())
        lock = times.rows.lock
        ratio = worst_ms / lock.max_on_ms if lock.max_on_ms else np.inf
        if worst_ms >= held_ms or bool((times.lasting & hits).any()):
            urgency = "now"
        else:
            urgency = "week" if ratio >= 2 or count >= 3 else "plan"
        found.append(finding(
            name, "over-long-energising", urgency, 0.99 if ratio >= 1.5 or count > 1 else 0.96,
            since=stretch.since, since_low=stretch.low, since_high=stretch.high,
            says=_over_long_words(times, worst, count, total) + stretch.repair_words,
            evidence=_over_long_evidence(times, worst, stretch),
            not_excluded=("contact-stuck",) if lock.self_cut else (),
        ))
    return found


def _over_long_words(times: OnTimes, worst: int, count: int, total: int) -> str:
    lock = times.rows.lock
    on_s, when = times.on_ms[worst] / 1000.0, date.fromordinal(int(times.rows.day[worst]))
    rated = []
    if lock.max_on_ms is not None:
        rated.append(f"{lock.max_on_ms / 1000:g} s")
    if lock.duty_percent is not None and lock.duty_percent < 100:
        rated.append(f"{lock.duty_percent:g} % of the time")
    last = " and still is" if times.lasting[worst] else ""
    share = ("every time" if count == total else f"{count} of {total} times") + " this week"
    return (f"The coil of {lock.id} was on beyond its rating ({', '.join(rated)}) {share}; the "
            f"longest {on_s:.3g} s, on {when:%A} {when.day} {when:%B}{last}.")


def _over_long_evidence(times: OnTimes, worst: int, stretch: Course) -> list[Evidence]:
    lock, now = times.rows.lock, stretch.live
    out = [
        Evidence("longest time on this week", float(times.on_ms[worst]), "ms",
                 n=int(now.sum()), before=lock.max_on_ms),
        share_evidence("energisings beyond the rating", stretch.now, stretch.before),
    ]
    if lock.duty_percent is not None and lock.duty_percent < 100:
        out.append(Evidence("largest share of time on", 100 * float(times.duty[now].max()), "%",
                            n=int(now.sum()), before=lock.duty_percent))
    return out
