"""Physics of each supply's week: source resistance, locks on together, drift and battery."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from remanence.analytics.health.model import Estimate, Heat, SagPoint
from remanence.analytics.health.physics_model import (
    Curve,
    Quantity,
    Remark,
    SupplyPhysics,
    Value,
)
from remanence.analytics.history import History
from remanence.analytics.physics.battery import BatteryOutlook, battery_outlook
from remanence.analytics.physics.coil_heat import heat_of_week, volts_of
from remanence.analytics.physics.heat_curve import heat_curve
from remanence.analytics.physics.idle_volts import idle_drift, idle_volts
from remanence.analytics.physics.on_times import times_of
from remanence.analytics.physics.rail_model import Company, RailModel, company, rail_model
from remanence.analytics.physics.source_resistance import (
    RailResistance,
    Resistance,
    rail_resistance,
    with_load,
)
from remanence.analytics.physics.supply import recovery, ripple_volts
from remanence.analytics.statistics.intervals import median_interval
from remanence.shared.venue import Supply

DRAWN_BEYOND, DRAWN_POINTS = 1.2, 13
"""A battery's figure runs to so many times the games left, at so many points: past the end, so
that the crossing is seen."""

LEAST_DRIFT = 0.01
"""Volts a week below which a drift is not worth a sentence: a twelfth of a per cent of 12 V."""


def supply_physics(history: History) -> dict[str, SupplyPhysics]:
    """Results of the models for every supply of the venue."""
    venue = history.venue
    week_rows = history.this_week(history.actuations, "command_time")
    recoveries = {row["supply"]: row for row in recovery(week_rows, venue).to_dicts()}
    resistance = rail_resistance(history)
    week_times = history.this_week(times_of(history), "start")
    found = {}
    for supply in venue.supplies:
        found[supply.id] = _supply(
            supply, history, resistance[supply.id], recoveries.get(supply.id, {}),
            week_times, week_rows,
        )
    return found


def _supply(
    supply: Supply, history: History, fits: RailResistance, recovered: dict[str, float],
    week_times: pl.DataFrame, week_rows: pl.DataFrame,
) -> SupplyPhysics:
    idle, fit = idle_volts(history)[supply.id], fits.latest
    level, rail = idle.now, None
    if fit is not None and level is not None:
        rail = rail_model(
            history.venue, supply.id, level.volts, max(fit.ohms, 0.0), fit.low_ohms, fit.high_ohms,
        )
    battery = None
    if supply.source == "battery" and rail is not None:
        battery = battery_outlook(idle, history.actuations, history.venue, rail)
    together = rail.pulsed_together(len(rail.pulsed)) if rail is not None else ()
    seen = None
    if rail is not None:
        seen = company(rail, week_times, week_rows)
    drift = idle_drift(idle)
    drifting = None
    if drift is not None:
        drifting = Quantity(drift[0].slope, "V", drift[0].low, drift[0].high)
    back = (
        Quantity(recovered["median_ms"], "ms", None, recovered["p95_ms"]) if recovered else None
    )
    made = SupplyPhysics(
        supply.id, _ohms(fits.now), fits.now is None or fits.now.estimated,
        tuple((week, Quantity(fit.ohms, "Ω", fit.repeat_low_ohms, fit.repeat_high_ohms))
              for week, fit in fits.weeks),
        fits.sags, rail, together, seen,
        rail.safe_together if rail is not None and rail.pulsed else None,
        rail.reset_together if rail is not None and rail.resting else None,
        drifting, back,
        ripple_volts(history.this_week(history.rail_hours, "hour").filter(
            pl.col("supply") == supply.id)), battery, _together_curve(rail),
        _battery_curve(battery), (),
    )
    return SupplyPhysics(**{**made.__dict__, "says": _says(supply, made, fits, recovered)})


def _ohms(fit: Resistance | None) -> Quantity | None:
    return None if fit is None else Quantity(fit.ohms, "Ω", fit.low_ohms, fit.high_ohms)


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
    games = np.linspace(0, DRAWN_BEYOND * battery.games_left, DRAWN_POINTS)
    lines = [battery.idle_volts + slope * games for slope in (
        battery.volts_per_game, battery.low_volts_per_game, battery.high_volts_per_game)]
    middle, low, high = (tuple(float(v) for v in line) for line in lines)
    return Curve(tuple(float(v) for v in games), middle, low, high, battery.stop_volts)


def _says(
    supply: Supply, item: SupplyPhysics, fits: RailResistance, recovered: dict[str, float]
) -> tuple[Remark, ...]:
    said: list[Remark] = []
    if item.resistance is not None and fits.now is not None:
        said.append(Remark(
            "resistance",
            "resistance.estimated" if item.resistance_estimated else "resistance.measured",
            {"ohms": item.resistance, "sags": item.sags, "count": fits.now.locks},
        ))
    else:
        said.append(Remark("resistance", "resistance.none", {"sags": item.sags}))
    said += _together_says(item)
    drift = item.drift_volts_per_week
    if drift is not None and drift.low is not None and drift.high is not None:
        if drift.low > LEAST_DRIFT or drift.high < -LEAST_DRIFT:
            said.append(Remark("drift", "drift.some", {"drift": _milli(drift)}))
        else:
            most = max(abs(drift.low), abs(drift.high))
            said.append(Remark("drift", "drift.none", {"most": Quantity(1000 * most, "mV")}))
    if item.recovery_ms is not None:
        values: dict[str, Value] = {"median": Quantity(item.recovery_ms.value, "ms")}
        if recovered.get("resolution_ms") is not None:
            values["resolution"] = Quantity(recovered["resolution_ms"], "ms")
            said.append(Remark("recovery", "recovery.within", values))
    if item.ripple_volts is not None:
        said.append(Remark("ripple", "ripple.most", {
            "ripple": Quantity(1000 * item.ripple_volts, "mV")}))
    return (*said, *_battery_says(item, supply))


def _milli(quantity: Quantity) -> Quantity:
    low, high = quantity.low, quantity.high
    return Quantity(1000 * quantity.value, "mV", None if low is None else 1000 * low,
                    None if high is None else 1000 * high)


def _together_says(item: SupplyPhysics) -> list[Remark]:
    said: list[Remark] = []
    rail = item.rail
    if rail is None:
        return said
    window = Quantity(rail.window_volts, "V")
    if item.safe_together is not None and item.together:
        if item.safe_together >= len(rail.pulsed):
            last = item.together[-1]
            said.append(Remark("together", "together.all", {
                "count": len(last.on) - len(rail.resting), "volts": Quantity(last.volts, "V"),
                "window": window}))
        elif item.safe_together < len(item.together):
            over = item.together[item.safe_together]
            key = "together.over" if over.over_rating else "together.some"
            said.append(Remark("together", key if item.safe_together else f"{key}_none", {
                "count": item.safe_together, "next": item.safe_together + 1,
                "volts": Quantity(over.volts, "V", over.low_volts, over.high_volts),
                "amps": Quantity(over.amps, "A"), "window": window}))
    said += _company_says(item.company, window)
    if item.reset_together is not None:
        count = len(rail.resting)
        key = "reset.all" if item.reset_together >= count else "reset.some"
        said.append(Remark("reset", key, {"safe": item.reset_together, "count": count}))
    if rail.unknown:
        said.append(Remark("together", "together.unknown", {"locks": ", ".join(rail.unknown)}))
    return said


def _company_says(seen: Company | None, window: Quantity) -> list[Remark]:
    said: list[Remark] = []
    if seen is None:
        return said
    if seen.sequences:
        under = [item for item in seen.sequences if item.under_window]
        worst = seen.sequences[0].prediction
        said.append(Remark("together", "together.seen_under" if under else "together.seen", {
            "count": len(seen.sequences), "under": len(under),
            "locks": ", ".join(seen.sequences[0].pulsed), "window": window,
            "volts": Quantity(worst.volts, "V", worst.low_volts, worst.high_volts)}))
    if seen.error_volts is not None:
        said.append(Remark("together", "together.checked", {
            "checked": seen.checked,
            "error": Quantity(1000 * seen.error_volts, "mV"),
            "low": Quantity(1000 * (seen.low_volts or 0.0), "mV"),
            "high": Quantity(1000 * (seen.high_volts or 0.0), "mV")}))
    return said


def _battery_says(item: SupplyPhysics, supply: Supply) -> list[Remark]:
    battery = item.battery
    if battery is None:
        if supply.source == "battery":
            return [Remark("battery", "battery.nothing", {})]
        return []
    stop = Quantity(battery.stop_volts, "V")
    if battery.games_left == 0.0:
        return [Remark("battery", "battery.empty", {"stop": stop})]
    if battery.games_left is not None:
        return [Remark("battery", "battery.left", {
            "games": Quantity(battery.games_left, "", battery.low_games, battery.high_games),
            "volts": Quantity(battery.idle_volts, "V"), "stop": stop})]
    if battery.volts_per_game is None:
        return [Remark("battery", "battery.few", {"days": battery.days})]
    return [Remark("battery", "battery.steady", {
        "volts": Quantity(battery.idle_volts, "V"),
        "least": Quantity(battery.low_games, "") if battery.low_games is not None else "–"})]


WARM_KELVIN = 15.0
"""The course of a coil that stayed cooler than this above the room is not drawn. [K]"""

_FEWEST_SAGS = 3
"""A lock with fewer sags in the week than this is no point of the figure."""

_BEFORE, _AFTER = timedelta(minutes=10), timedelta(minutes=30)
"""The course of a coil's temperature is drawn from so long before its hottest moment to so long
after: a latch coil is cool again by then."""

_STEP_S = 20.0
"""Spacing of the points between the corners of that course. [s]"""

_POINTS = 160
"""At most so many of them, and of the stretches that a long course is thinned to: a figure shows
no more."""


def resistances(history: History) -> tuple[dict[str, Estimate], dict[str, Estimate]]:
    """Source resistance in ohms by supply, of the week and before."""
    found = rail_resistance(history)
    return (
        {name: _estimate(item.now) for name, item in found.items() if item.now is not None},
        {name: _estimate(item.before) for name, item in found.items() if item.before is not None},
    )


def _estimate(fit: Resistance) -> Estimate:
    return Estimate(fit.ohms, fit.low_ohms, fit.high_ohms, fit.sags)


def sags_by_supply(history: History) -> dict[str, tuple[SagPoint, ...]]:
    """Median sag of each lock this week at the current that it draws, by supply."""
    rows = with_load(history.this_week(history.actuations, "command_time"), history.venue)
    points: dict[str, list[SagPoint]] = {}
    for (supply, lock), part in rows.partition_by(
        "supply", "lock", as_dict=True, maintain_order=True
    ).items():
        if part.height < _FEWEST_SAGS:
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
    return {row["lock"]: _heat(row, history) for row in heat_of_week(history).to_dicts()}


def _heat(row: Mapping[str, object], history: History) -> Heat:
    def number(name: str) -> float | None:
        value = row[name]
        return float(value) if isinstance(value, (int, float)) else None

    at, hottest = row["hottest_time"], number("hottest_celsius")
    curve: tuple[tuple[float, float], ...] = ()
    if isinstance(at, datetime) and hottest is not None and (
        hottest - history.venue.limits.ambient_celsius >= WARM_KELVIN
    ):
        course = heat_curve(times_of(history), history.venue, str(row["lock"]), at - _BEFORE,
                            at + _AFTER, volts=volts_of(history), step_s=_STEP_S, most=_POINTS)
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
