"""Small tools that every condition shares: weeks, baselines, siblings, rates, findings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy import stats

from analytics.bench_checks import BENCH_CHECKS
from analytics.history import History
from analytics.memo import once_per_history
from shared.conditions import CONDITIONS
from shared.findings import Evidence, Finding
from shared.tables import BASELINE_ACTIONS
from shared.venue import Lock, Venue

Reals = npt.NDArray[np.float64]


def with_weeks(frame: pl.DataFrame, time: str, history: History) -> pl.DataFrame:
    """``frame`` with two more columns, by the venue's own calendar.

    Returns
    -------
    polars.DataFrame
        - ``day`` (Date): the calendar day of ``time`` in the venue's zone
        - ``weeks_ago`` (Int64): 0 in the week asked for, 1 in the one before, ...
    """
    zone = history.venue.time_zone
    day = pl.col(time).dt.convert_time_zone(zone).dt.date()
    ago = (pl.lit(history.week.sunday) - day).dt.total_days() // 7
    return frame.with_columns(day=day, weeks_ago=ago)


@once_per_history
def dated_actuations(history: History) -> pl.DataFrame:
    """ACTUATIONS of a history with ``day`` and ``weeks_ago``, see :func:`with_weeks`."""
    return with_weeks(history.actuations, "command_time", history)


def per_lock(frame: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """The rows of each lock, by lock id; a lock without rows is not in it."""
    return {
        str(key[0]): part
        for key, part in frame.partition_by(
            "lock", as_dict=True, maintain_order=True
        ).items()
    }


@once_per_history
def service_of(history: History) -> dict[str, list[tuple[date, str]]]:
    """Day and action of every service entry, by lock, in order of time."""
    found: dict[str, list[tuple[date, str]]] = {}
    for lock, day, action in history.service.select("lock", "date", "action").sort(
            "date", maintain_order=True).iter_rows():
        found.setdefault(lock, []).append((day, action))
    return found


def last_service(
    history: History, lock: str, actions: Sequence[str] = BASELINE_ACTIONS
) -> tuple[date, str] | None:
    """Day and action of the lock's last service entry of these kinds; None where there is none."""
    chosen = [entry for entry in service_of(history).get(lock, ()) if entry[1] in actions]
    return chosen[-1] if chosen else None


def baseline_start(history: History, lock: str) -> date | None:
    """First day that counts as this lock's own past.

    The day after the last entry of the service log that changes the lock, or
    the day after it was installed, whichever is later; None where neither is
    known, so that everything counts. The day of the work itself is left out:
    the log does not say which of its actuations came before the work.
    """
    serviced = last_service(history, lock)
    installed = history.venue.locks_by_id[lock].installed
    if installed is not None and installed > history.week.sunday:
        installed = None
    days = [day for day in (serviced[0] if serviced else None, installed) if day is not None]
    return max(days) + timedelta(days=1) if days else None


def since_baseline(frame: pl.DataFrame, history: History, lock: str) -> pl.DataFrame:
    """The rows (with their ``day``, see :func:`with_weeks`) from the baseline's start on."""
    start = baseline_start(history, lock)
    return frame if start is None else frame.filter(pl.col("day") >= start)


def family(lock: Lock) -> str:
    """Locks of the same word are siblings: built and released alike, measured alike.

    A magnet's release depends on its suppression, so that is part of it; a
    latch's does not to any extent. Different kinds of feedback are never mixed.
    """
    kind = lock.latency_kind or "none"
    if lock.is_magnet:
        return f"magnet/{lock.suppression}/{kind}"
    return f"{lock.mechanism}/{lock.released_by}/{'self-cut' if lock.self_cut else 'plain'}/{kind}"


def siblings(venue: Venue, lock: Lock) -> tuple[Lock, ...]:
    """The other locks of the same :func:`family`, in the venue file's order."""
    own = family(lock)
    return tuple(other for other in venue.locks if other.id != lock.id and family(other) == own)


def wilson(count: int, total: int, confidence: float = 0.95) -> tuple[float, float]:
    """Wilson's score interval of a proportion; (0, 1) where nothing was counted.

    Newcombe, Statist. Med. 17 (1998) 857, method 3.
    """
    if total <= 0:
        return 0.0, 1.0
    interval = stats.binomtest(count, total).proportion_ci(confidence, method="wilson")
    return float(interval.low), float(interval.high)


def poisson_limits(count: int, confidence: float = 0.95) -> tuple[float, float]:
    """Exact limits of a count (Garwood, Biometrika 28 (1936) 437)."""
    tail = (1 - confidence) / 2
    low = stats.chi2.ppf(tail, 2 * count) / 2 if count else 0.0
    return float(low), float(stats.chi2.ppf(1 - tail, 2 * count + 2) / 2)


def share_evidence(
    what: str, now: tuple[int, int], before: tuple[int, int] | None = None
) -> Evidence:
    """A share in percent, now and before, with Wilson's intervals; pairs are (count, total)."""
    low, high = wilson(*now)
    figures: dict[str, float] = {}
    if before is not None and before[1] > 0:
        before_low, before_high = wilson(*before)
        figures = {
            "before": 100.0 * before[0] / before[1],
            "before_low": 100.0 * before_low, "before_high": 100.0 * before_high,
        }
    return Evidence(
        what=what, now=100.0 * now[0] / now[1] if now[1] else None, unit="%", n=now[1],
        now_low=100.0 * low, now_high=100.0 * high, **figures,
    )


def median_interval(values: Reals, confidence: float = 0.95) -> tuple[float, float, float]:
    """Median with its distribution-free interval from the order statistics.

    With fewer than six values the interval is the range, and covers less than
    95 %; NaN where there is none.
    """
    ordered = np.sort(values[np.isfinite(values)])
    count = ordered.size
    if count == 0:
        return np.nan, np.nan, np.nan
    rank = int(stats.binom.ppf((1 - confidence) / 2, count, 0.5))
    rank = min(max(rank - 1, 0), (count - 1) // 2)
    return float(np.median(ordered)), float(ordered[rank]), float(ordered[count - 1 - rank])


def robust_deviation(values: Reals) -> float:
    """1.4826 times the median absolute deviation; NaN without values."""
    finite = values[np.isfinite(values)]
    if finite.size == 0:
        return float("nan")
    return float(1.4826 * np.median(np.abs(finite - np.median(finite))))


def probability(log_odds: float) -> float:
    """From natural log odds, kept off 0 and 1: no log proves anything beyond doubt."""
    return float(np.clip(1.0 / (1.0 + np.exp(-np.clip(log_odds, -30, 30))), 0.001, 0.999))


def raised_on_way_out(urgency: str, lock: Lock) -> str:
    """What may keep people in outranks every other finding: on a way out, at once."""
    return "now" if lock.on_way_out else urgency


def finding(
    subject: str, condition: str, urgency: str, score: float, *,
    says: str, evidence: Sequence[Evidence] = (), since: date | None = None,
    since_low: date | None = None, since_high: date | None = None,
    not_excluded: Sequence[str] = (), subject_kind: str = "lock",
    extra: Mapping[str, Any] | None = None,
) -> Finding:
    """A finding of the catalogue, with its bench check.

    Raises
    ------
    ValueError
        The condition is not in the catalogue, or is not said of such a subject.
    """
    if condition not in CONDITIONS or subject_kind not in CONDITIONS[condition].subject_kinds:
        raise ValueError(f"{condition!r} is not said of a {subject_kind}")
    return Finding(
        subject=subject, subject_kind=subject_kind, condition=condition, urgency=urgency,
        score=float(np.clip(score, 0.0, 0.999)), since=since, since_low=since_low,
        since_high=since_high, evidence=tuple(evidence), not_excluded=tuple(not_excluded),
        says=says, check=BENCH_CHECKS[condition], extra=dict(extra or {}),
    )
