"""What the models of rail and coil say of the week, in the shape that the pages show."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta

import polars as pl

from analytics.coil import coil_heat, heat_curve
from analytics.coil_lasting import lasting_until
from analytics.evidence import median_interval, with_weeks
from analytics.health_model import Estimate, Heat, SagPoint
from analytics.history import History
from analytics.supply import source_resistance, with_load

BASELINE_WEEKS = 8
WARM_KELVIN = 15.0
"""A coil that never got this much above the room has no course worth drawing."""

_FEW = 3
_BEFORE = timedelta(minutes=10)
_AFTER = timedelta(minutes=30)
_POINTS = 160


def resistances(history: History) -> tuple[dict[str, Estimate], dict[str, Estimate]]:
    """Source resistance in ohms by supply, of the week and of the first eight weeks of log."""
    rows = with_weeks(history.actuations, "command_time", history)
    oldest = rows["weeks_ago"].max()
    first = oldest if isinstance(oldest, int) else 0
    base = (pl.col("weeks_ago") >= 1) & (pl.col("weeks_ago") > first - BASELINE_WEEKS)
    return (_resistance(rows.filter(pl.col("weeks_ago") == 0), history),
            _resistance(rows.filter(base), history))


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
