"""The condition over-long-energising: a coil was on beyond what it is rated for."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from remanence.analytics.conditions.coarse_clock import coarse_locks
from remanence.analytics.conditions.condition import Condition, failed_repair, finding
from remanence.analytics.conditions.evidence import share_evidence
from remanence.analytics.conditions.fault_course import Course, course
from remanence.analytics.history import Flags, History, Reals, Rows, rows_by_lock
from remanence.analytics.physics.on_times import times_of
from remanence.shared.findings import Amount, Evidence, Finding, Sentence, say

_RATING_ALLOWANCE = 1.10
"""An on-time up to this factor over the rating counts as within it: pulses are not exact."""
_RATING_ALLOWANCE_MS = 25.0
"""And so many milliseconds more, for the resolution of the log."""
_FAR_OVER_RATING = 2.0
"""From so many times the rating on, a single time is for the week. Assumption."""
_REPEATED_OVER_RATING = 3
"""And so are so many times in one week. Assumption."""
_END_LOST = 1 / 25
"""Chance that the line which ended a time over the rating was lost, and the coil was off long
before; each time by itself. Assumption."""


@dataclass(frozen=True)
class RatedTimes:
    """On-times of one lock whose coil has a rating, oldest first, columns of ON_TIMES."""

    rows: Rows
    on_ms: Reals
    lasting: Flags
    duty: Reals
    step_ms: float
    """Step of a clock too coarse for a pulse, else 0: so much longer a time may be stamped."""

    @property
    def beyond(self) -> Flags:
        """Which of them went beyond the coil's rating."""
        lock = self.rows.lock
        out = np.zeros(self.on_ms.size, dtype=bool)
        if lock.max_on_ms is not None:
            allowed = lock.max_on_ms * _RATING_ALLOWANCE + _RATING_ALLOWANCE_MS
            out |= self.on_ms > allowed + self.step_ms
        if lock.duty_percent is not None and lock.duty_percent < 100:
            out |= self.duty > lock.duty_percent / 100 * _RATING_ALLOWANCE
        return out


def rated_times(history: History) -> dict[str, RatedTimes]:
    """On-times of every pulsed lock that has a rating, by lock.

    Locks made for continuous current are left out, and so are those held by current at rest:
    the condition ``unsafe-fitting`` judges whether these have the right coil.
    """
    rated = [lock.id for lock in history.venue.locks if lock.pulsed and not lock.continuous]
    coarse = coarse_locks(history)
    frame = times_of(history).filter(pl.col("lock").is_in(rated))
    return {
        name: RatedTimes(rows, rows.real("on_ms"), rows.flag("lasting"), rows.real("duty"),
                         coarse.get(name, 0.0))
        for name, rows in rows_by_lock(frame, "start", history).items()
    }


def over_long_energising(history: History) -> list[Finding]:
    """Coils that were on for longer, or more often, than they are rated for this week."""
    held_ms = history.venue.limits.held_long_s * 1000.0
    found = []
    for name, times in rated_times(history).items():
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
            often = count >= _REPEATED_OVER_RATING
            urgency = "week" if ratio >= _FAR_OVER_RATING or often else "plan"
        found.append(finding(
            name, "over-long-energising", urgency, 1.0 - _END_LOST**count,
            since=stretch.since, since_low=stretch.low, since_high=stretch.high,
            says=_over_long_says(times, worst, count, total),
            evidence=_over_long_evidence(times, worst, stretch),
            not_excluded=("contact-stuck",) if lock.self_cut else (),
            extra=failed_repair(stretch.unhelped),
        ))
    return found


def _over_long_says(times: RatedTimes, worst: int, count: int, total: int) -> list[Sentence]:
    lock = times.rows.lock
    longest = Amount(float(times.on_ms[worst]) / 1000.0, "s")
    said = [say("on-too-long", found=count, total=total, longest=longest,
                day=date.fromordinal(int(times.rows.day[worst])))]
    if lock.max_on_ms is not None:
        said.append(say("rated-for", longest=Amount(lock.max_on_ms / 1000.0, "s")))
    if lock.duty_percent is not None and lock.duty_percent < 100:
        said.append(say("rated-duty", duty=Amount(lock.duty_percent, "%")))
    if times.lasting[worst]:
        said.append(say("still-on"))
    return said


def _over_long_evidence(times: RatedTimes, worst: int, stretch: Course) -> list[Evidence]:
    lock, now = times.rows.lock, stretch.live
    out = [
        Evidence("longest-time-on-this-week", float(times.on_ms[worst]), "ms",
                 n=int(now.sum()), before=lock.max_on_ms),
        share_evidence("energisings-beyond-the-rating", stretch.now, stretch.before),
    ]
    if lock.duty_percent is not None and lock.duty_percent < 100:
        highest = 100 * float(np.nanmax(times.duty[now]))
        out.append(Evidence("largest-share-of-time-on", highest, "%", n=int(now.sum()),
                            before=lock.duty_percent))
    return out


OVER_LONG_ENERGISING = Condition(
    "over-long-energising", (over_long_energising,),
    ("longest-time-on-this-week", "energisings-beyond-the-rating", "largest-share-of-time-on"),
    takes_urgency_of=("hot-coil",),
)
