"""Is a lock's release other than it was, once volts, warmth, season and chance are allowed for?

Every lock's daily latency at rated volts and reference temperature is held
against its own past since it was installed or last serviced, with the common
part of its siblings taken out. See :mod:`analytics.drift_model` for the test.
"""

from __future__ import annotations

import weakref
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl

from analytics.drift_common import (
    SEASON_GAIN_DEVIATION,
    SEASON_SHARE,
    VOLTS_EXPONENT_DEVIATION,
    WARMTH_DEVIATION,
    CommonWeeks,
    Wander,
    common_weeks,
    explained,
    group_of,
    share_scatter,
    wander_of,
)
from analytics.drift_model import ChangeFit, daily_covariance, fit_change, level_of
from analytics.drift_series import LockDays, lock_days
from analytics.evidence import Reals, baseline_start, last_service, per_lock, with_weeks
from analytics.history import History
from shared.tables import BASELINE_ACTIONS

HAZARD_PER_DAY = 1e-3
"""Chance that a lock's release begins to change on a given day: one change in three lock-years.
An assumption; it sets how much evidence is asked for."""

EARLY_WEEKS = 8
"""The first weeks of a baseline, which a lasting change must differ from too."""

LEAST_RELEASES = 12
"""Fewer releases than this since the baseline's start say nothing of a change."""

OTHERS_DEVIATION = 0.02
"""How far one more lock on the rail may move a latency, where volts do not show it."""

T_QUANTILE = 2.18
"""Half width of 95 % intervals in standard deviations: Student's t with twelve degrees of freedom,
the weight that a family's scatter and wander are shared with."""

CLOCK_WANDER_MS = 10.0
"""How far two controllers' clocks wander against each other, where a latency is across them."""


@dataclass(frozen=True)
class LockDrift:
    """What is known of the course of one lock's latency; levels at rated volts, in ms.

    ``change`` is the fitted change relative to before (+0.12: 12 % slower).
    ``seen`` is the same from this week's level alone, whatever the course in
    between, with ``low`` and ``high`` to bound 95 %. ``stands`` says that this
    week's releases agree with it, and that it differs from the first weeks too.
    ``detectable`` is the smallest relative change that two weeks of this lock
    would have shown.
    """

    lock: str
    days: LockDays
    fit: ChangeFit | None
    change: float
    seen: float
    seen_low: float
    seen_high: float
    before_ms: float
    before_low_ms: float
    before_high_ms: float
    now_ms: float
    now_low_ms: float
    now_high_ms: float
    since: date | None
    since_low: date | None
    since_high: date | None
    stands: bool
    detectable: float
    releases_now: int
    residual: Reals
    segment_start: date | None


@dataclass(frozen=True)
class Drifts:
    """All locks' drifts of one week; ``earlier`` those of the past up to the last service."""

    current: Mapping[str, LockDrift]
    earlier: Mapping[str, LockDrift]
    wander: Mapping[str, Wander]
    common: Mapping[str, CommonWeeks]


_LAST: list[tuple[weakref.ref[History], Drifts]] = []


def drifts(history: History) -> Drifts:
    """Judge every lock's latency as of the week of ``history``; computed once per history.

    Returns
    -------
    Drifts
        Locks without a release since their baseline's start are missing.
    """
    if _LAST and _LAST[0][0]() is history:
        return _LAST[0][1]
    result = _drifts(history)
    _LAST[:] = [(weakref.ref(history), result)]
    return result


def _with_rail_factor(rows: pl.DataFrame, history: History) -> pl.DataFrame:
    """Add by how much more than at first each rail sags under the same loads, day by day."""
    supply = {lock.id: lock.supply for lock in history.venue.locks}
    rows = rows.with_columns(
        supply=pl.col("lock").replace_strict(supply, default=None, return_dtype=pl.String)
    )
    loaded = rows.filter(pl.col("sag_volts") > 0.02).select("supply", "lock", "day", "sag_volts")
    first = loaded.group_by("lock", maintain_order=True).agg(
        first=pl.col("sag_volts").head(40).median(), n=pl.len()
    ).filter(pl.col("n") >= 20)
    factor = (
        loaded.join(first, on="lock").group_by("supply", "day")
        .agg(
            rail_sag_factor=(pl.col("sag_volts") / pl.col("first")).median(),
            locks=pl.col("lock").n_unique(),
        )
        .filter(pl.col("locks") >= 3)
        .drop("locks")
    )
    return rows.join(factor, on=["supply", "day"], how="left", maintain_order="left")


def _drifts(history: History) -> Drifts:
    dated = with_weeks(history.actuations, "command_time", history)
    rows = per_lock(_with_rail_factor(dated, history))
    epoch = history.week.monday.toordinal()
    current: dict[str, LockDays] = {}
    starts: dict[str, date | None] = {}
    earlier: dict[str, LockDays] = {}
    for lock in history.venue.locks:
        own = rows.get(lock.id)
        if own is None:
            continue
        start = baseline_start(history, lock.id)
        starts[lock.id] = start
        fresh = own if start is None else own.filter(pl.col("day") >= start)
        days = lock_days(lock, fresh, epoch)
        if days is not None:
            current[lock.id] = days
        serviced = last_service(history, lock.id)
        if serviced is not None:
            past = own.filter(pl.col("day") < serviced[0])
            begun = _segment_before(history, lock.id, serviced[0])
            if begun is not None:
                past = past.filter(pl.col("day") >= begun)
            before = lock_days(lock, past, epoch)
            if before is not None:
                earlier[lock.id] = before
    shared = {days.lock.id: days for days in share_scatter(list(current.values()))}
    shared_past = {days.lock.id: days for days in share_scatter(list(earlier.values()))}
    common: dict[str, CommonWeeks] = {}
    wander: dict[str, Wander] = {}
    for group in ("pulsed", "held"):
        members = [
            days for days in shared.values()
            if group_of(days.lock) == group and days.lock.latency_kind != "door"
            and days.time_s.size >= LEAST_RELEASES
        ]
        common[group] = common_weeks(members, 3 * SEASON_SHARE[group])
        wander[group] = wander_of([
            (days, days.level - explained(days) - common[group].over(days.day)[0])
            for days in members
        ])
    across = _across_clocks(history)
    return Drifts(
        {name: _judge(days, history, common, wander, across, starts[name], 6.0)
         for name, days in shared.items()},
        {name: _judge(days, history, common, wander, across, None, float(days.day[-1]))
         for name, days in shared_past.items()},
        wander, common,
    )


def _segment_before(history: History, lock: str, service: date) -> date | None:
    """Start of the baseline that the service on this day ended."""
    rows = history.service.filter(
        (pl.col("lock") == lock) & pl.col("action").is_in(list(BASELINE_ACTIONS))
        & (pl.col("date") < service)
    )
    installed = history.venue.locks_by_id[lock].installed
    days = [d for d in (rows["date"].max(), installed) if isinstance(d, date) and d < service]
    return max(days) + timedelta(days=1) if days else None


def _across_clocks(history: History) -> set[str]:
    frame = history.actuations.filter(pl.col("across_clocks").fill_null(False))
    return set(frame["lock"].unique().to_list())


def _covariance(
    days: LockDays, common: CommonWeeks, wander: Wander, across: bool
) -> tuple[Reals, Reals, Reals]:
    """Level with everything known taken out, its covariance, and what the season leaves open."""
    group = group_of(days.lock)
    effect, variance = common.over(days.day)
    level = days.level - explained(days) - effect
    slow = wander.slow
    # One release more or fewer on a straggling day: half a scatter more than the plain formula.
    noise = days.deviation**2 * 1.1 / days.releases + 0.15 * variance
    extra = CLOCK_WANDER_MS / days.reference_ms if across else 0.0
    covariance = daily_covariance(
        days.day, noise, float(np.hypot(wander.daily, extra)), wander.memory_days, slow
    )
    week = np.floor_divide(days.day, 7)
    same = week[:, None] == week[None, :]
    covariance += same * np.sqrt(np.outer(variance, variance))
    if not common.effect:
        lag = days.day[:, None] - days.day[None, :]
        unknown = SEASON_SHARE[group] ** 2 * np.exp(-((lag / 60.0) ** 2))
    else:
        season = SEASON_GAIN_DEVIATION[group] * (effect - np.median(effect))
        unknown = np.outer(season, season)
    if group == "pulsed":
        volts = days.log_volts - np.median(days.log_volts)
        warmth = days.warmth_kelvin - np.median(days.warmth_kelvin)
        covariance += VOLTS_EXPONENT_DEVIATION**2 * np.outer(volts, volts)
        covariance += WARMTH_DEVIATION**2 * np.outer(warmth, warmth)
    if days.others.any():
        covariance += OTHERS_DEVIATION**2 * np.outer(days.others, days.others)
    return level, covariance, unknown


def _judge(
    days: LockDays, history: History, common: Mapping[str, CommonWeeks],
    wander: Mapping[str, Wander], across: set[str], start: date | None, last_day: float,
) -> LockDrift:
    group = group_of(days.lock)
    level, covariance, season = _covariance(
        days, common[group], wander[group], days.lock.id in across
    )
    fit = None
    if days.time_s.size >= LEAST_RELEASES:
        fit = fit_change(
            days.day, level, covariance + season, hazard_per_day=HAZARD_PER_DAY
        )
    scale = fit.scale if fit else 1.0
    recent = np.flatnonzero(days.day > last_day - 7)
    if recent.size and days.releases[recent].sum() < 5:
        recent = np.flatnonzero(days.day > last_day - 14)
    early_end = days.day[0] + 7 * EARLY_WEEKS
    if fit is not None:
        early_end = min(early_end, max(fit.onset, days.day[0] + 1))
    early = np.flatnonzero(days.day < early_end)
    now, now_deviation = (
        level_of(level, covariance, recent, scale) if recent.size else (np.nan, np.nan)
    )
    first, first_deviation = (
        level_of(level, covariance, early, scale) if early.size else (np.nan, np.nan)
    )
    moment = history.week.monday
    detectable = _detectable(days, wander[group], scale)
    if fit is None:
        return LockDrift(
            days.lock.id, days, None, 0.0, np.nan, np.nan, np.nan,
            *_span(days, first, first_deviation), *_span(days, now, now_deviation),
            None, None, None, False, detectable,
            int(days.releases[recent].sum()), level - first, start,
        )
    shift = fit.shift
    seen = now - fit.before
    deviation = float(np.hypot(now_deviation, fit.before_deviation))
    stands = bool(
        recent.size
        and shift * (now - fit.before) > 0.5 * shift**2
        and shift * (now - first) > 0.6 * shift**2
    )
    half = T_QUANTILE * deviation
    return LockDrift(
        days.lock.id, days, fit, days.as_share(shift, fit.before),
        days.as_share(seen, fit.before), days.as_share(seen - half, fit.before),
        days.as_share(seen + half, fit.before),
        *_span(days, fit.before, fit.before_deviation), *_span(days, now, now_deviation),
        moment + timedelta(days=int(fit.onset)),
        moment + timedelta(days=int(np.floor(fit.onset_low))),
        moment + timedelta(days=int(np.ceil(fit.onset_high))),
        stands, detectable, int(days.releases[recent].sum()), level - fit.before, start,
    )


def _span(days: LockDays, level: float, deviation: float) -> tuple[float, float, float]:
    """Level and its 95 % interval in ms, as the log shows it: half a poll later than it was."""
    late = days.resolution_ms / 2
    return (
        days.as_ms(level) + late, days.as_ms(level - T_QUANTILE * deviation) + late,
        days.as_ms(level + T_QUANTILE * deviation) + late,
    )


def _detectable(days: LockDays, wander: Wander, scale: float) -> float:
    """Smallest change that two weeks at this lock's pace would show at five standard deviations."""
    span = max(float(days.day[-1] - days.day[0] + 1), 7.0)
    per_week = days.releases.sum() / span * 7
    noise = days.deviation**2 / max(2 * per_week, 1.0)
    days_apart = 14.0 / (2 * wander.memory_days + 1)
    variance = noise + wander.daily**2 / max(days_apart, 1.0) + wander.slow**2
    found = float(5 * np.sqrt(scale * variance))
    if days.phase_tied and days.deviation * days.reference_ms < days.resolution_ms:
        found = max(found, days.resolution_ms / days.reference_ms)
    return found
