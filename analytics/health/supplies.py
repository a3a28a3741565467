"""The numbers of every supply's page."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta

import polars as pl

from remanence.analytics.health.lock_state import state_of
from remanence.analytics.health.model import (
    DeepSag,
    Estimate,
    Margin,
    RailWeek,
    SagPoint,
    SupplyHealth,
)
from remanence.analytics.history import History, per_lock
from remanence.analytics.physics.idle_volts import Level, idle_volts
from remanence.analytics.physics.supply import ripple_volts
from remanence.shared.findings import Finding
from remanence.shared.tables import ACTUATIONS
from remanence.shared.venue import Supply

_DEEPEST = 8
_ONE_MOMENT = timedelta(seconds=2)
_MAGNET_MS = 2000.0
"""The rail is read for at most so long after a command (see ``volts_min``)."""



def supply_tables(history: History) -> tuple[pl.DataFrame, dict[str, pl.DataFrame]]:
    """Rail hours, and by lock what actuations show of their supply, both with ``weeks_ago``."""
    return history.dated("rail_hours"), per_lock(history.dated("actuations").select(
        "lock", "command_time", "pulse_ms", "volts_before", "volts_min", "others_on", "weeks_ago"))


def supply_health(
    supply: Supply, history: History, hours: pl.DataFrame, by_lock: Mapping[str, pl.DataFrame],
    findings: tuple[Finding, ...], resistance: Mapping[str, Estimate],
    resistance_before: Mapping[str, Estimate], sags: tuple[SagPoint, ...],
) -> SupplyHealth:
    """Everything one supply's page says.

    Parameters
    ----------
    supply, history
        Which supply.
    hours, by_lock : polars.DataFrame, mapping of str to polars.DataFrame
        From :func:`supply_tables`.
    findings : tuple of Finding
        Of this supply, most urgent first.
    resistance, resistance_before : mapping of str to Estimate
        Source resistance in ohms by supply, this week and in the baseline.
    sags : tuple of SagPoint
        The week's sag of each lock on it.
    """
    venue = history.venue
    hours = hours.filter(pl.col("supply") == supply.id)
    own = sorted(lock.id for lock in history.venue.locks_on(supply.id) if lock.id in by_lock)
    rows = pl.concat(by_lock[name] for name in own) if own else ACTUATIONS.empty().with_columns(
        weeks_ago=pl.lit(None, pl.Int64))
    recent, now = hours.filter(pl.col("weeks_ago") == 0), rows.filter(pl.col("weeks_ago") == 0)
    idle = idle_volts(history)[supply.id]
    silence = "" if recent.height else "no-log" if supply.channel else "no-feedback"
    loaded_limit = supply.rated_volts * venue.limits.supply_loaded_percent / 100
    return SupplyHealth(
        supply=supply, state=state_of(findings, silence), findings=findings, silence=silence,
        idle=_estimate(idle.now),
        idle_before=_estimate(idle.before),
        loaded_low=_lowest(now), ripple_volts=ripple_volts(recent),
        resistance_ohms=resistance.get(supply.id, Estimate()),
        resistance_before_ohms=resistance_before.get(supply.id, Estimate()),
        weeks=_weeks(history, hours, rows), sags=sags, deepest=_deepest(now, history),
        margins=_margins(now, loaded_limit),
        low_limit_volts=supply.rated_volts * venue.limits.supply_low_percent / 100,
        high_limit_volts=supply.rated_volts * venue.limits.supply_high_percent / 100,
        loaded_limit_volts=loaded_limit,
        locks=tuple(lock.id for lock in venue.locks_on(supply.id)),
    )


def _estimate(level: Level | None) -> Estimate:
    if level is None:
        return Estimate()
    return Estimate(level.volts, level.low_volts, level.high_volts, level.days)


def _lowest(rows: pl.DataFrame) -> float | None:
    values = rows["volts_min"].drop_nulls()
    return float(values.min()) if values.len() else None  # type: ignore[arg-type]


def _weeks(history: History, hours: pl.DataFrame, rows: pl.DataFrame) -> tuple[RailWeek, ...]:
    idle = hours.group_by("weeks_ago").agg(
        idle=pl.col("idle_median").median(), low=pl.col("idle_low").quantile(0.05),
        high=pl.col("idle_high").quantile(0.95), ripple=pl.col("idle_deviation").median(),
    )
    loaded = rows.group_by("weeks_ago").agg(loaded=pl.col("volts_min").quantile(0.05))
    both = idle.join(loaded, on="weeks_ago", how="full", coalesce=True).sort(
        "weeks_ago", descending=True
    )
    return tuple(
        RailWeek(history.week.plus(-row["weeks_ago"]), row["idle"], row["low"], row["high"],
                 row["loaded"], row["ripple"])
        for row in both.to_dicts()
    )


def _deepest(rows: pl.DataFrame, history: History) -> tuple[DeepSag, ...]:
    lowest = rows.filter(pl.col("volts_min").is_not_null()).sort(
        "volts_min", "command_time", "lock"
    ).head(8 * _DEEPEST)
    pulsed = {lock.id for lock in history.venue.locks if lock.pulsed}
    on = history.this_week(history.energisings, "start").filter(
        pl.col("lock").is_in(sorted(pulsed & set(rows["lock"].unique())))
    )
    found: list[DeepSag] = []
    for row in lowest.to_dicts():
        at = row["command_time"]
        # Two commands in one sag are one moment.
        if len(found) == _DEEPEST or any(abs(at - sag.at) < _ONE_MOMENT for sag in found):
            continue
        until = at + timedelta(milliseconds=min(row["pulse_ms"] or _MAGNET_MS, _MAGNET_MS))
        beside = on.filter(
            (pl.col("start") <= until) & (pl.col("end").fill_null(until) >= at)
            & (pl.col("lock") != row["lock"])
        )["lock"].unique().sort()
        found.append(DeepSag(
            at.astimezone(history.venue.zone), row["lock"], row["volts_before"],
            row["volts_min"], int(row["others_on"] or 0), tuple(beside),
        ))
    return tuple(found)


def _margins(rows: pl.DataFrame, limit_volts: float) -> tuple[Margin, ...]:
    lowest = rows.filter(pl.col("volts_min").is_not_null()).group_by("lock").agg(
        low=pl.col("volts_min").quantile(0.02), n=pl.len()
    ).sort("low", "lock")
    return tuple(
        Margin(row["lock"], row["low"], limit_volts, row["low"] - limit_volts, row["n"])
        for row in lowest.to_dicts()
    )
