"""The physics of each supply's week: stiffness, what may be on together, drift and battery."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from remanence.analytics.health.model import Estimate, Heat, SagPoint
from remanence.analytics.health.physics_model import Curve, Quantity, Said, SupplyPhysics, Value
from remanence.analytics.history import WEEKS_BEFORE, History, in_first_weeks
from remanence.analytics.physics.battery import BatteryOutlook, battery_outlook
from remanence.analytics.physics.coil_heat import coil_heat, heat_curve, lasting_until
from remanence.analytics.physics.rail_model import Company, RailModel, company, rail_model
from remanence.analytics.physics.supply import (
    idle_drift,
    rail_levels,
    recovery,
    source_resistance,
    with_load,
)
from remanence.analytics.statistics.intervals import median_interval
from remanence.shared.venue import Supply
from remanence.shared.weeks import Week

LEAST_DRIFT = 0.01
"""Volts a week below which a drift is not worth a sentence: a twelfth of a per cent of 12 V."""


def supply_physics(history: History) -> dict[str, SupplyPhysics]:
    """Everything the models say of every supply of the venue."""
    venue = history.venue
    since = history.end - timedelta(weeks=WEEKS_BEFORE + 1)
    recent = history.actuations.filter(pl.col("command_time") >= since)
    week_rows = history.this_week(history.actuations, "command_time")
    hours = history.rail_hours.filter(pl.col("hour") >= since)
    now = {row["supply"]: row for row in source_resistance(week_rows, venue).to_dicts()}
    before = {
        row["supply"]: row
        for row in source_resistance(
            recent.filter(pl.col("command_time") < history.start), venue
        ).to_dicts()
    }
    levels = {
        row["supply"]: row
        for row in rail_levels(
            history.this_week(hours, "hour"), week_rows, venue
        ).to_dicts()
    }
    drifts = {row["supply"]: row for row in idle_drift(history.rail_hours, venue).to_dicts()}
    recoveries = {row["supply"]: row for row in recovery(week_rows, venue).to_dicts()}
    weeks = week_resistance(history)
    found = {}
    for supply in venue.supplies:
        found[supply.id] = _supply(
            supply, history, weeks.get(supply.id, ()), now.get(supply.id, {}),
            before.get(supply.id, {}),
            levels.get(supply.id, {}), drifts.get(supply.id, {}), recoveries.get(supply.id, {}),
        )
    return found


def week_resistance(
    history: History, *, weeks_back: int = 26
) -> dict[str, tuple[tuple[Week, Quantity], ...]]:
    """Source resistance of each supply week by week, with the interval for comparing weeks."""
    rows = history.actuations.filter(
        pl.col("command_time") >= history.end - timedelta(weeks=weeks_back)
    )
    found: dict[str, list[tuple[Week, Quantity]]] = {}
    for row in source_resistance(rows, history.venue, by=("supply", "week")).to_dicts():
        if row["resistance_ohms"] is not None:
            found.setdefault(row["supply"], []).append((
                Week.parse(row["week"]),
                Quantity(row["resistance_ohms"], "Ω", row["repeat_low_ohms"],
                         row["repeat_high_ohms"]),
            ))
    return {name: tuple(items) for name, items in found.items()}


def _supply(
    supply: Supply, history: History, weeks: tuple[tuple[Week, Quantity], ...],
    now: dict[str, float], before: dict[str, float],
    level: dict[str, float], drift: dict[str, float], recovered: dict[str, float],
) -> SupplyPhysics:
    resistance, resistance_before = _ohms(now), _ohms(before)
    idle = level.get("idle_volts")
    rail = None
    stiff = resistance or resistance_before
    if stiff is not None and idle is not None and stiff.low is not None and stiff.high is not None:
        rail = rail_model(
            history.venue, supply.id, idle, max(stiff.value, 0.0), stiff.low, stiff.high
        )
    battery = None
    if supply.source == "battery" and rail is not None:
        battery = battery_outlook(history.rail_hours, history.actuations, history.venue, rail)
    together = rail.pulsed_together(len(rail.pulsed)) if rail is not None else ()
    seen = None
    if rail is not None:
        seen = company(
            rail, history.this_week(history.energisings, "start"),
            history.this_week(history.actuations, "command_time"),
        )
    drifting = (
        Quantity(drift["volts_per_week"], "V", drift["low_volts_per_week"],
                 drift["high_volts_per_week"]) if drift else None
    )
    back = (
        Quantity(recovered["median_ms"], "ms", None, recovered["p95_ms"]) if recovered else None
    )
    made = SupplyPhysics(
        supply.id, resistance, bool(now.get("estimated", True)), resistance_before, weeks,
        int(now.get("sags") or 0), rail, together, seen,
        rail.safe_together if rail is not None and rail.pulsed else None,
        rail.reset_together if rail is not None and rail.resting else None,
        drifting, back, level.get("ripple_volts"), battery, _together_curve(rail),
        _battery_curve(battery), (),
    )
    return SupplyPhysics(**{**made.__dict__, "says": _says(supply, made, now, recovered)})


def _ohms(row: dict[str, float]) -> Quantity | None:
    if row.get("resistance_ohms") is None:
        return None
    return Quantity(row["resistance_ohms"], "Ω", row["low_ohms"], row["high_ohms"])


def _together_curve(rail: RailModel | None) -> Curve | None:
    """Volts against the number of latches on at once, heaviest first, from none."""
    if rail is None or not rail.pulsed:
        return None
    steps = (rail.with_on(rail.resting), *rail.pulsed_together())
    return Curve(
        tuple(float(count) for count in range(len(steps))), tuple(s.volts for s in steps),
        tuple(s.low_volts for s in steps), tuple(s.high_volts for s in steps), rail.window_volts,
    )


def _battery_curve(battery: BatteryOutlook | None) -> Curve | None:
    """Idle volts against games to come, down to where it has to be changed."""
    if battery is None or battery.games_left is None or battery.volts_per_game is None:
        return None
    assert battery.low_volts_per_game is not None
    assert battery.high_volts_per_game is not None
    games = np.linspace(0, 1.2 * battery.games_left, 13)
    lines = [battery.idle_volts + slope * games for slope in (
        battery.volts_per_game, battery.low_volts_per_game, battery.high_volts_per_game)]
    middle, low, high = (tuple(float(v) for v in line) for line in lines)
    return Curve(tuple(float(v) for v in games), middle, low, high, battery.stop_volts)


def _says(
    supply: Supply, item: SupplyPhysics, now: dict[str, float], recovered: dict[str, float]
) -> tuple[Said, ...]:
    said: list[Said] = []
    if item.resistance is not None:
        said.append(Said(
            "resistance",
            "resistance.estimated" if item.resistance_estimated else "resistance.measured",
            {"ohms": item.resistance, "sags": item.sags, "count": int(now["locks"])},
        ))
    else:
        said.append(Said("resistance", "resistance.none", {"sags": item.sags}))
    said += _together_says(item)
    drift = item.drift_volts_per_week
    if drift is not None and drift.low is not None and drift.high is not None:
        if drift.low > LEAST_DRIFT or drift.high < -LEAST_DRIFT:
            said.append(Said("drift", "drift.some", {"drift": _milli(drift)}))
        else:
            most = max(abs(drift.low), abs(drift.high))
            said.append(Said("drift", "drift.none", {"most": Quantity(1000 * most, "mV")}))
    if item.recovery_ms is not None:
        values: dict[str, Value] = {"median": Quantity(item.recovery_ms.value, "ms")}
        if recovered.get("resolution_ms") is not None:
            values["resolution"] = Quantity(recovered["resolution_ms"], "ms")
            said.append(Said("recovery", "recovery.within", values))
    if item.ripple_volts is not None:
        said.append(Said("ripple", "ripple.most", {
            "ripple": Quantity(1000 * item.ripple_volts, "mV")}))
    return (*said, *_battery_says(item, supply))


def _milli(quantity: Quantity) -> Quantity:
    low, high = quantity.low, quantity.high
    return Quantity(1000 * quantity.value, "mV", None if low is None else 1000 * low,
                    None if high is None else 1000 * high)


def _together_says(item: SupplyPhysics) -> list[Said]:
    said: list[Said] = []
    rail = item.rail
    if rail is None:
        return said
    window = Quantity(rail.window_volts, "V")
    if item.safe_together is not None and item.together:
        if item.safe_together >= len(rail.pulsed):
            last = item.together[-1]
            said.append(Said("together", "together.all", {
                "count": len(last.on) - len(rail.resting), "volts": Quantity(last.volts, "V"),
                "window": window}))
        elif item.safe_together < len(item.together):
            over = item.together[item.safe_together]
            key = "together.over" if over.over_rating else "together.some"
            said.append(Said("together", key if item.safe_together else f"{key}_none", {
                "count": item.safe_together, "next": item.safe_together + 1,
                "volts": Quantity(over.volts, "V", over.low_volts, over.high_volts),
                "amps": Quantity(over.amps, "A"), "window": window}))
    said += _company_says(item.company, window)
    if item.reset_together is not None:
        count = len(rail.resting)
        key = "reset.all" if item.reset_together >= count else "reset.some"
        said.append(Said("reset", key, {"safe": item.reset_together, "count": count}))
    if rail.unknown:
        said.append(Said("together", "together.unknown", {"locks": ", ".join(rail.unknown)}))
    return said


def _company_says(seen: Company | None, window: Quantity) -> list[Said]:
    said: list[Said] = []
    if seen is None:
        return said
    if seen.sequences:
        under = [item for item in seen.sequences if item.under_window]
        worst = seen.sequences[0].prediction
        said.append(Said("together", "together.seen_under" if under else "together.seen", {
            "count": len(seen.sequences), "under": len(under),
            "locks": ", ".join(seen.sequences[0].pulsed), "window": window,
            "volts": Quantity(worst.volts, "V", worst.low_volts, worst.high_volts)}))
    if seen.error_volts is not None:
        said.append(Said("together", "together.checked", {
            "checked": seen.checked,
            "error": Quantity(1000 * seen.error_volts, "mV"),
            "low": Quantity(1000 * (seen.low_volts or 0.0), "mV"),
            "high": Quantity(1000 * (seen.high_volts or 0.0), "mV")}))
    return said


def _battery_says(item: SupplyPhysics, supply: Supply) -> list[Said]:
    battery = item.battery
    if battery is None:
        if supply.source == "battery":
            return [Said("battery", "battery.nothing", {})]
        return []
    stop = Quantity(battery.stop_volts, "V")
    if battery.games_left == 0.0:
        return [Said("battery", "battery.empty", {"stop": stop})]
    if battery.games_left is not None:
        return [Said("battery", "battery.left", {
            "games": Quantity(battery.games_left, "", battery.low_games, battery.high_games),
            "volts": Quantity(battery.idle_volts, "V"), "stop": stop})]
    if battery.volts_per_game is None:
        return [Said("battery", "battery.few", {"days": battery.days})]
    return [Said("battery", "battery.steady", {
        "volts": Quantity(battery.idle_volts, "V"),
        "least": Quantity(battery.low_games, "") if battery.low_games is not None else "–"})]


WARM_KELVIN = 15.0
"""A coil that never got this much above the room has no course worth drawing."""

_FEW = 3
_BEFORE = timedelta(minutes=10)
_AFTER = timedelta(minutes=30)
_POINTS = 160


def resistances(history: History) -> tuple[dict[str, Estimate], dict[str, Estimate]]:
    """Source resistance in ohms by supply, of the week and of the first eight weeks of log."""
    rows = history.dated("actuations")
    return (_resistance(rows.filter(pl.col("weeks_ago") == 0), history),
            _resistance(rows.filter(in_first_weeks()), history))


def _resistance(rows: pl.DataFrame, history: History) -> dict[str, Estimate]:
    found = source_resistance(rows, history.venue)
    return {
        row["supply"]: Estimate(row["resistance_ohms"], row["low_ohms"], row["high_ohms"],
                                row["sags"])
        for row in found.to_dicts() if row["resistance_ohms"] is not None
    }


def sags_by_supply(history: History) -> dict[str, tuple[SagPoint, ...]]:
    """Median sag of each lock this week at the current that it draws, by supply."""
    rows = with_load(history.this_week(history.actuations, "command_time"), history.venue)
    points: dict[str, list[SagPoint]] = {}
    for (supply, lock), part in rows.partition_by(
        "supply", "lock", as_dict=True, maintain_order=True
    ).items():
        if part.height < _FEW:
            continue
        middle, low, high = median_interval(part["sag_volts"].to_numpy())
        load = part["load_amps"].median()
        assert isinstance(load, float)
        points.setdefault(str(supply), []).append(
            SagPoint(str(lock), load, middle, low, high, part.height))
    return {supply: tuple(sorted(own, key=lambda point: (point.amps, point.lock)))
            for supply, own in points.items()}


def heat_by_lock(history: History) -> dict[str, Heat]:
    """The hottest moment of each coil that heat matters to, with its course where it was warm."""
    recent = history.energisings.filter(
        pl.col("start") >= history.start - timedelta(days=2)
    )
    actuations = history.this_week(history.actuations, "command_time")
    rows = coil_heat(recent, history.venue, actuations=actuations, start=history.start,
                     until=lasting_until(history))
    return {row["lock"]: _heat(row, recent, actuations, history) for row in rows.to_dicts()}


def _heat(
    row: Mapping[str, object], recent: pl.DataFrame, actuations: pl.DataFrame, history: History
) -> Heat:
    def number(name: str) -> float | None:
        value = row[name]
        return float(value) if isinstance(value, (int, float)) else None

    at, hottest = row["hottest_time"], number("hottest_celsius")
    curve: tuple[tuple[float, float], ...] = ()
    if isinstance(at, datetime) and hottest is not None and (
        hottest - history.venue.limits.ambient_celsius >= WARM_KELVIN
    ):
        course = heat_curve(recent, history.venue, str(row["lock"]), at - _BEFORE, at + _AFTER,
                            actuations=actuations, step_s=20.0, most=_POINTS,
                            until=lasting_until(history))
        if course is not None:
            curve = _thinned([((time - at).total_seconds() / 60.0, celsius)
                              for time, celsius in zip(course.time, course.celsius, strict=True)])
    return Heat(
        highest_celsius=hottest, low_celsius=number("hottest_low_celsius"),
        high_celsius=number("hottest_high_celsius"), bears_celsius=number("limit_celsius"),
        method="estimated" if row["estimated"] else "stated",
        longest_on_ms=number("longest_on_ms"), busiest_duty_percent=number("duty_percent"),
        at=at.astimezone(history.venue.zone) if isinstance(at, datetime) else None,
        curve_minutes=curve,
    )


def _thinned(points: list[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    """Of each stretch the coolest and the hottest point, so that no peak is lost."""
    if len(points) <= 2 * _POINTS:
        return tuple(points)
    size = -(-len(points) // _POINTS)
    kept: list[tuple[float, float]] = []
    for start in range(0, len(points), size):
        stretch = points[start:start + size]
        kept += sorted({min(stretch, key=lambda p: p[1]), max(stretch, key=lambda p: p[1])})
    return tuple(kept)
