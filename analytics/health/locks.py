"""The numbers of every lock's page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl

from remanence.analytics.conditions.coarse_clock import coarse_locks
from remanence.analytics.health.lock_state import ENOUGH, Counts, LockState, counts_by_week
from remanence.analytics.health.model import (
    Alone,
    Episode,
    Estimate,
    FaultMeasure,
    Heat,
    Histogram,
    LockHealth,
    Pulses,
    ServiceMark,
    Trace,
    VoltsBin,
    WeekPoint,
)
from remanence.analytics.history import (
    History,
    actuations_by_lock,
    baseline_start,
    in_first_weeks,
    in_lots,
    per_lock,
)
from remanence.analytics.physics.latency import release_latency
from remanence.analytics.physics.pulse import PresentPulse, present_pulses
from remanence.analytics.statistics.intervals import wilson
from remanence.shared.findings import Finding
from remanence.shared.venue import Lock
from remanence.shared.weeks import Week

ALONE_SHOWN = 12
"""Openings with no command that a page lists; the count beside them is of all."""

_QUANTILES = (0.05, 0.5, 0.95)
_BINS = 24
_RUNG_EVENTS = 40
_VOLTS_BINS = 10


@dataclass(frozen=True)
class LockTables:
    """What all locks' pages are cut from, computed once for the whole venue."""

    rows: pl.DataFrame
    by_lock: Mapping[str, pl.DataFrame]
    weekly: Mapping[str, pl.DataFrame]
    counts: Mapping[str, Mapping[int, Counts]]
    now: Mapping[str, pl.DataFrame]
    before: Mapping[str, pl.DataFrame]
    baseline: Mapping[str, tuple[date, date]]
    service: Mapping[str, tuple[ServiceMark, ...]]
    alone: Mapping[str, tuple[Alone, ...]]
    volts: Mapping[str, tuple[VoltsBin, ...]]


def _latency(rows: pl.DataFrame, by: Sequence[str]) -> pl.DataFrame:
    return pl.concat([release_latency(some, by, _QUANTILES, within_resolution=True)
                      for some in in_lots(rows)])


def lock_tables(history: History, findings: Sequence[Finding]) -> LockTables:
    """Cut the history by lock and week, and find each lock's baseline.

    The baseline is the first eight weeks with commands since the lock was last
    worked on, never the week asked for, and nothing after the first day from
    which a finding holds.
    """
    rows = history.dated("actuations")
    starts = {lock.id: baseline_start(history, lock.id) for lock in history.venue.locks}
    ends: dict[str, date] = {}
    for found in findings:
        day = found.since_low or found.since
        if found.subject_kind == "lock" and day is not None:
            ends[found.subject] = min(day, ends.get(found.subject, day))
    spans = pl.DataFrame(
        [
            (lock, start or date.min, max(ends.get(lock, date.max), start or date.min))
            for lock, start in starts.items()
        ],
        schema={"lock": pl.String, "from_day": pl.Date, "to_day": pl.Date}, orient="row",
    )
    base = pl.concat(part.join(spans, on="lock", how="inner").filter(
        (pl.col("day") >= pl.col("from_day")) & (pl.col("day") < pl.col("to_day"))
        & (pl.col("weeks_ago") >= 1) & pl.col("outcome").is_in(["released", "no-release"])
    ).filter(in_first_weeks("lock")) for part in in_lots(rows.select(
        "lock", "day", "weeks_ago", "outcome", "latency_ms", "waited_ms", "latency_from",
        "resolution_ms", "across_clocks")))
    days = base.group_by("lock").agg(first=pl.col("day").min(), last=pl.col("day").max())
    by_lock = actuations_by_lock(history)
    return LockTables(
        rows=rows,
        by_lock=by_lock,
        weekly=per_lock(_latency(rows, ("lock", "weeks_ago"))),
        counts=counts_by_week(history),
        now=per_lock(_latency(rows.filter(pl.col("weeks_ago") == 0), ("lock",))),
        before=per_lock(_latency(base, ("lock",))),
        baseline={row["lock"]: (row["first"], row["last"]) for row in days.to_dicts()},
        service=_service(history),
        alone=_alone(history),
        volts=_volts(rows, {lock.id: _kind(lock, by_lock.get(lock.id))
                            for lock in history.venue.locks}, days),
    )


def _service(history: History) -> dict[str, tuple[ServiceMark, ...]]:
    marks: dict[str, list[ServiceMark]] = {}
    for row in history.service.sort("date", "lock", "action").to_dicts():
        marks.setdefault(row["lock"], []).append(service_mark(row))
    return {lock: tuple(found) for lock, found in marks.items()}


def _alone(history: History) -> dict[str, tuple[Alone, ...]]:
    """The newest openings with no command of each lock in the week."""
    found: dict[str, list[Alone]] = {}
    rows = history.this_week(history.openings, "time").sort("time", "lock", descending=True)
    for row in rows.to_dicts():
        own = found.setdefault(row["lock"], [])
        if len(own) < ALONE_SHOWN:
            own.append(Alone(
                row["time"].astimezone(history.venue.zone), bool(row["energised"]),
                row["open_ms"], row["since_command_ms"], row["other_lock"],
            ))
    return {lock: tuple(own) for lock, own in found.items()}


def service_mark(row: Mapping[str, object]) -> ServiceMark:
    """One row of the service table."""
    day = row["date"]
    assert isinstance(day, date)
    return ServiceMark(day, str(row["lock"]), str(row["action"]), str(row["part"] or ""),
                       str(row["note"] or ""), str(row.get("result") or ""))


def estimate(row: Mapping[str, float | int | None] | None, quantile: str = "p50") -> Estimate:
    """A quantile with its limits out of a row of :func:`release_latency`."""
    if row is None:
        return Estimate()
    return Estimate(row[f"{quantile}_ms"], row[f"{quantile}_low_ms"], row[f"{quantile}_high_ms"],
                    int(row["commands"] or 0))


def share(count: int, total: int) -> Estimate:
    """A share with its Wilson limits; null where nothing was counted."""
    if not total:
        return Estimate()
    low, high = wilson(count, total)
    return Estimate(count / total, low, high, total)


def change_percent(now: Estimate, before: Estimate, step: float) -> Estimate:
    """Change of a figure in percent, with the widest limits that both intervals leave room for.

    A time that is stamped in steps lies up to one ``step`` before its stamp, so equal
    stamps do not mean equal times.
    """
    if now.value is None or not before.value:
        return Estimate()
    low = high = None
    if now.low is not None and before.high:
        low = 100 * (max(now.low - step, 0.0) / before.high - 1)
    if now.high is not None and before.low is not None and before.low > step:
        high = 100 * (now.high / (before.low - step) - 1)
    return Estimate(100 * (now.value / before.value - 1), low, high, now.n)


def lock_health(
    lock: Lock, history: History, tables: LockTables, known: LockState,
    traces: tuple[Trace, ...], heat: Heat | None, episodes: tuple[Episode, ...],
    fault: FaultMeasure | None = None,
) -> LockHealth:
    """Everything one lock's page says.

    Parameters
    ----------
    lock, history, tables
        Which lock, and what :func:`lock_tables` made of the history.
    known : LockState
        Its state, as every sheet says it.
    traces, heat, episodes
        Raw signals, coil temperature and earlier findings, where there are any.
    fault : FaultMeasure or None
        The quantity that shows its fault.
    """
    counts = tables.counts.get(lock.id, {})
    week = known.week
    rows = tables.by_lock.get(lock.id)
    kind = _kind(lock, rows)
    now = _row(tables.now.get(lock.id), kind)
    before = _row(tables.before.get(lock.id), kind)
    span = tables.baseline.get(lock.id)
    coarse = lock.id in coarse_locks(history)
    if coarse:
        now = before = None
    recent = None if rows is None else rows.filter(pl.col("weeks_ago") == 0)
    base = None if rows is None or span is None else rows.filter(
        pl.col("day").is_between(*span)
    )
    step = step_ms(
        np.concatenate([_latencies(recent, kind), _latencies(base, kind)]),
        (now or before or {}).get("resolution_ms"),
    )
    base_counts = [
        item for ago, item in counts.items()
        if span and ago >= 1 and span[0] <= history.week.plus(-ago).sunday
        and history.week.plus(-ago).monday <= span[1]
    ]
    return LockHealth(
        lock=lock, known=known, now=estimate(now), before=estimate(before),
        p95_now=estimate(now, "p95"), p95_before=estimate(before, "p95"),
        change_percent=change_percent(estimate(now), estimate(before), step or 0.0),
        band_low_ms=before["p05_ms"] if before else None,
        band_high_ms=before["p95_ms"] if before else None,
        baseline_from=span[0] if span else None, baseline_to=span[1] if span else None,
        kind=kind, resolution_ms=step,
        weeks=_weeks(history.week, None if coarse else tables.weekly.get(lock.id), kind, counts),
        histogram=None if coarse else _histogram(recent, base, kind),
        volts=tables.volts.get(lock.id, ()),
        pulses=_pulses(present_pulses(history).get(lock.id), recent), traces=traces, heat=heat,
        service=tables.service.get(lock.id, ()), episodes=episodes,
        unanswered_now=share(week.unanswered, week.judged),
        unanswered_before=share(
            sum(item.unanswered for item in base_counts), sum(item.judged for item in base_counts)
        ),
        alone=tables.alone.get(lock.id, ()), fault=fault,
    )


def _kind(lock: Lock, rows: pl.DataFrame | None) -> str | None:
    """What this lock's latency means: as wired, else what the log mostly has."""
    if rows is not None:
        found = rows["latency_from"].drop_nulls()
        if found.len() and lock.latency_kind not in set(found.unique()):
            return str(found.mode().sort()[0])
    return lock.latency_kind


def _row(frame: pl.DataFrame | None, kind: str | None) -> dict[str, float | int | None] | None:
    if frame is None:
        return None
    found = frame.filter(pl.col("latency_from").eq_missing(pl.lit(kind, pl.String))).to_dicts()
    return found[0] if found else None


def _weeks(
    week: Week, weekly: pl.DataFrame | None, kind: str | None, counts: Mapping[int, Counts],
) -> tuple[WeekPoint, ...]:
    measured = {} if weekly is None else {
        row["weeks_ago"]: row for row in weekly.to_dicts() if row["latency_from"] == kind
    }
    points = []
    for ago in sorted(set(counts) | set(measured), reverse=True):
        row = measured.get(ago)
        points.append(WeekPoint(
            week.plus(-ago), counts.get(ago, Counts()),
            row["p50_ms"] if row else None, row["p50_low_ms"] if row else None,
            row["p50_high_ms"] if row else None, row["p95_ms"] if row else None,
        ))
    return tuple(points)


def _latencies(rows: pl.DataFrame | None, kind: str | None) -> np.ndarray[tuple[int], np.dtype[
        np.float64]]:
    if rows is None or kind is None:
        return np.empty(0)
    return rows.filter(
        (pl.col("outcome") == "released") & (pl.col("latency_from") == kind)
    )["latency_ms"].drop_nulls().to_numpy()


def step_ms(
    latencies: np.ndarray[tuple[int], np.dtype[np.float64]], resolution_ms: float | None
) -> float | None:
    """The step in which the latencies come: the controller's, or a coarser one they show.

    Many values on few rungs betray a slower input scan behind a finer clock.
    """
    rungs = np.unique(latencies.round(3))
    if latencies.size >= _RUNG_EVENTS and 2 <= rungs.size <= latencies.size / 8:
        seen = float(np.diff(rungs).min())
        return max(seen, resolution_ms or 0.0)
    return resolution_ms


def _histogram(
    recent: pl.DataFrame | None, base: pl.DataFrame | None, kind: str | None
) -> Histogram | None:
    """Shares of releases over equal steps of the logarithm, wide enough for both."""
    now, before = _latencies(recent, kind), _latencies(base, kind)
    both = np.concatenate([now, before])
    both = both[both > 0]
    if both.size < ENOUGH:
        return None
    low, high = float(np.quantile(both, 0.002)) * 0.97, float(both.max()) * 1.03
    edges = np.geomspace(low, max(high, low * 1.2), _BINS + 1)
    def shares(values: np.ndarray[tuple[int], np.dtype[np.float64]]) -> tuple[float, ...]:
        counted = np.histogram(np.clip(values, edges[0], edges[-1]), edges)[0]
        return tuple(float(item) for item in counted / max(values.size, 1))
    return Histogram(tuple(float(edge) for edge in edges), shares(now), shares(before),
                     int(now.size), int(before.size))


def _volts(
    rows: pl.DataFrame, kinds: Mapping[str, str | None], days: pl.DataFrame
) -> dict[str, tuple[VoltsBin, ...]]:
    """Latency at each level of the rail under each lock's load, baseline and this week apart.

    ``days`` has the ``first`` and ``last`` day of each lock's baseline.
    """
    found: dict[str, list[VoltsBin]] = {}
    for part in in_lots(rows.select(
        "lock", "day", "weeks_ago", "outcome", "latency_from", "latency_ms", "volts_min",
        "volts_before")):
        _add_volts(found, part, kinds, days)
    return {lock: tuple(bins) for lock, bins in found.items()}


def _add_volts(
    found: dict[str, list[VoltsBin]], rows: pl.DataFrame, kinds: Mapping[str, str | None],
    days: pl.DataFrame,
) -> None:
    """The same of some locks, put to what was ``found``."""
    kind = pl.col("lock").replace_strict(kinds, default=None, return_dtype=pl.String)
    known = rows.filter(
        pl.col("lock").is_in(list(kinds)) & (pl.col("outcome") == "released")
        & pl.col("latency_from").eq_missing(kind)
    ).select(
        "lock", "day", "weeks_ago", "latency_ms", volts=pl.coalesce("volts_min", "volts_before"),
    ).drop_nulls(["volts", "latency_ms"])
    base = known.join(days, on="lock", how="inner").filter(
        pl.col("day").is_between("first", "last")).select(known.columns)
    both = pl.concat([base.with_columns(recent=pl.lit(False)),
                      known.filter(pl.col("weeks_ago") == 0).with_columns(recent=pl.lit(True))])
    keys, volts, latency = ["lock", "recent"], pl.col("volts"), pl.col("latency_ms")
    ends = both.group_by(keys).agg(
        low=volts.quantile(0.01), high=volts.quantile(0.99), n=pl.len(),
    ).filter(pl.col("n") >= ENOUGH).drop("n")
    ends = ends.with_columns(per_volt=pl.Series([
        1 / max((high - low) / _VOLTS_BINS, 0.02)
        for low, high in ends.select("low", "high").iter_rows()], dtype=pl.Float64))
    grouped = both.join(ends, on=keys, how="inner").with_columns(
        bin=((volts.clip("low", "high") - pl.col("low")) * pl.col("per_volt")).floor()
    ).group_by(*keys, "bin").agg(
        volts=volts.median(), median=latency.median(), low=latency.quantile(0.1),
        high=latency.quantile(0.9), n=pl.len(),
    ).filter(pl.col("n") >= 2).sort(*keys, "bin")
    for row in grouped.iter_rows(named=True):
        found.setdefault(row["lock"], []).append(VoltsBin(
            row["volts"], row["median"], row["low"], row["high"], row["n"], row["recent"]))


def _pulses(now: PresentPulse | None, recent: pl.DataFrame | None) -> Pulses | None:
    if recent is None or now is None:
        return None
    lengths = recent["pulse_ms"].drop_nulls().to_numpy()
    lengths = lengths[lengths > 0]
    if not lengths.size:
        return None
    low, high = float(lengths.min()), float(lengths.max())
    if high - low < 0.02 * high:
        edges = np.array([low * 0.98, high * 1.02])
    else:
        edges = np.geomspace(low * 0.999, high * 1.001, 21)
    late = recent.filter(
        (pl.col("outcome") == "released") & (pl.col("latency_ms") > pl.col("pulse_ms"))
    ).height
    return Pulses(
        now.median_ms, low, high, int(lengths.size),
        tuple(float(edge) for edge in edges),
        tuple(int(item) for item in np.histogram(lengths, edges)[0]), late,
    )


def history_of(
    subject: str, earlier: Sequence[tuple[Week, Sequence[tuple[str, str]]]]
) -> tuple[Episode, ...]:
    """Runs of consecutive weeks in which earlier reports said the same of a subject.

    Parameters
    ----------
    subject : str
        The lock or supply.
    earlier : sequence of (Week, sequence of (subject, condition))
        What each earlier report found.
    """
    weeks: dict[str, list[Week]] = {}
    for week, said in sorted(earlier):
        for who, condition in said:
            if who == subject:
                weeks.setdefault(condition, []).append(week)
    episodes = []
    for condition, seen in weeks.items():
        first = last = seen[0]
        for week in seen[1:]:
            if week.monday - last.monday > timedelta(days=7):
                episodes.append(Episode(condition, first, last))
                first = week
            last = week
        episodes.append(Episode(condition, first, last))
    return tuple(sorted(episodes, key=lambda item: (item.first, item.condition)))
