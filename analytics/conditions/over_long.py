"""The condition over-long-energising: a coil was on beyond what it is rated for."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

import numpy as np
import polars as pl

from remanence.analytics.conditions.condition import Condition, failed_repair, finding
from remanence.analytics.conditions.evidence import share_evidence
from remanence.analytics.conditions.fault_course import Course, course
from remanence.analytics.history import Flags, History, Reals, Rows, rows_by_lock
from remanence.shared.findings import Amount, Evidence, Finding, Sentence, say
from remanence.shared.tables import TIMESTAMP

_ALLOWANCE = 1.10
"""A stated longest on-time is kept within this: the controller's own pulse is not exact."""
_ALLOWANCE_MS = 25.0
"""And within this much, for the resolution of the log."""


@dataclass(frozen=True)
class OnTimes:
    """How long one lock's coil was on at each energising, in order of time.

    ``on_ms`` is NaN where it cannot be told: the log broke off, or a self-cutting coil's
    own switch was not seen. ``lasting`` marks one that had not ended at the end of the log.
    ``duty`` is the share of the time before its end, over one duty window, that it was on.
    """

    rows: Rows
    on_ms: Reals
    lasting: Flags
    duty: Reals

    @property
    def beyond(self) -> Flags:
        """Which of them went beyond the coil's rating."""
        lock = self.rows.lock
        out = np.zeros(self.on_ms.size, dtype=bool)
        if lock.max_on_ms is not None:
            out |= self.on_ms > lock.max_on_ms * _ALLOWANCE + _ALLOWANCE_MS
        if lock.duty_percent is not None and lock.duty_percent < 100:
            out |= self.duty > lock.duty_percent / 100 * _ALLOWANCE
        return out


def on_times(history: History) -> dict[str, OnTimes]:
    """On-times of every pulsed lock that has a rating.

    Parameters
    ----------
    history : History
        ``energisings``, ``actuations`` (the release of a self-cutting lock tells when its
        coil was cut), ``activity`` and ``clock_events`` (whether the log went on).

    Returns
    -------
    dict of str to OnTimes
        By lock; locks that are made for continuous current or are held by current at
        rest are left out (the latter is a matter of the fitting).
    """
    rated = [lock.id for lock in history.venue.locks if lock.pulsed and not lock.continuous]
    frame = history.energisings.filter(pl.col("lock").is_in(rated))
    released = history.actuations.select(
        "lock", pl.col("command_time").alias("start"), "outcome", "latency_ms"
    )
    frame = frame.join(released, on=["lock", "start"], how="left")
    window_ms = history.venue.limits.duty_window_s * 1000.0
    return {
        name: _one(rows, history, window_ms)
        for name, rows in rows_by_lock(frame, "start", history).items()
    }


def _one(rows: Rows, history: History, window_ms: float) -> OnTimes:
    commanded = rows.real("on_ms").copy()
    lasting = np.zeros(rows.size, dtype=bool)
    still = _still_on_ms(rows, history)
    if still is not None:
        commanded[-1], lasting[-1] = still, True
    on_ms = commanded
    if rows.lock.self_cut:
        cut, latency = rows.real("cut_ms"), rows.real("latency_ms")
        outcome = rows.text("outcome")
        # A self-cutting coil that was not seen to be cut was on for as long as the command
        # only if the lock is known not to have opened.
        unknown = np.where(outcome == "no-release", commanded, np.nan)
        unknown = np.where(outcome == "already-open", 0.0, unknown)
        unknown = np.where(np.isfinite(latency), latency, unknown)
        on_ms = np.minimum(np.where(np.isfinite(cut), cut, unknown), commanded)
        lasting &= np.isfinite(on_ms) & (on_ms >= commanded)
    return OnTimes(rows, on_ms, lasting, _duty(rows.time_us / 1000.0, on_ms, window_ms))


def _still_on_ms(rows: Rows, history: History) -> float | None:
    """How long the last energising has lasted by the end of the log, if it still lasts."""
    if rows.frame["end"][-1] is not None:
        return None
    controller = rows.lock.command_controller
    seen = history.activity.filter(pl.col("controller") == controller)["last"].max()
    start = rows.frame["start"][-1]
    if not isinstance(seen, datetime) or not isinstance(start, datetime):
        return None
    restarted = history.clock_events.filter(
        (pl.col("controller") == controller) & (pl.col("kind") == "restart")
        & (pl.col("time") > pl.lit(start, dtype=TIMESTAMP))
    )
    restarts = history.activity.filter(
        (pl.col("controller") == controller) & (pl.col("runs") > 1)
        & (pl.col("last") > pl.lit(start, dtype=TIMESTAMP))
    )
    if restarted.height or restarts.height:
        return None
    return max(0.0, (seen - start).total_seconds() * 1000.0)


def _duty(start_ms: Reals, on_ms: Reals, window_ms: float) -> Reals:
    """Share of the window before the end of each on-time that the coil was on."""
    on = np.nan_to_num(on_ms)
    if not on.size:
        return on
    end = np.maximum.accumulate(start_ms + on)
    # Time on up to any instant: climbs during each on-time, flat between.
    knots = np.column_stack([start_ms, end]).ravel()
    total = np.cumsum(on)
    climbed = np.column_stack([total - on, total]).ravel()
    until = np.interp(end, knots, climbed)
    before = np.interp(end - window_ms, knots, climbed, left=0.0)
    return np.clip((until - before) / window_ms, 0.0, 1.0)


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
            says=_over_long_says(times, worst, count, total),
            evidence=_over_long_evidence(times, worst, stretch),
            not_excluded=("contact-stuck",) if lock.self_cut else (),
            extra=failed_repair(stretch.unhelped),
        ))
    return found


def _over_long_says(times: OnTimes, worst: int, count: int, total: int) -> list[Sentence]:
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


def _over_long_evidence(times: OnTimes, worst: int, stretch: Course) -> list[Evidence]:
    lock, now = times.rows.lock, stretch.live
    out = [
        Evidence("longest-time-on-this-week", float(times.on_ms[worst]), "ms",
                 n=int(now.sum()), before=lock.max_on_ms),
        share_evidence("energisings-beyond-the-rating", stretch.now, stretch.before),
    ]
    if lock.duty_percent is not None and lock.duty_percent < 100:
        out.append(Evidence("largest-share-of-time-on", 100 * float(times.duty[now].max()), "%",
                            n=int(now.sum()), before=lock.duty_percent))
    return out


OVER_LONG_ENERGISING = Condition(
    "over-long-energising", (over_long_energising,),
    ("longest-time-on-this-week", "energisings-beyond-the-rating", "largest-share-of-time-on"),
    takes_urgency_of=("hot-coil",),
)
