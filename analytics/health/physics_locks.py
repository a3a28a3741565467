"""The physics of each lock's week: heat, release, branch, hold and switch-off, in numbers."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

from remanence.analytics.health.physics_model import (
    CHANGE,
    CoilHeat,
    Curve,
    LockPhysics,
    PhysicsSummary,
    Quantity,
    Remark,
    Value,
)
from remanence.analytics.health.physics_supplies import supply_physics
from remanence.analytics.history import (
    History,
    in_first_weeks,
    in_lots,
    per_lock,
    since_baseline,
)
from remanence.analytics.physics.cable import SIZES_MM2, branch, cable_needed
from remanence.analytics.physics.coil_heat import heat_at_start, heat_of_week, heated, volts_of
from remanence.analytics.physics.magnet import holding_force
from remanence.analytics.physics.measured_heat import measured_heat
from remanence.analytics.physics.off_voltage import SwitchOff, switch_offs
from remanence.analytics.physics.on_times import times_of
from remanence.analytics.physics.release import Solenoid
from remanence.analytics.physics.release_fit import ReleaseFit, explain, fit_release, loaded
from remanence.analytics.physics.sag_release import SagError, SagReadings, sag_error, sag_readings
from remanence.shared.venue import Lock
from remanence.shared.weeks import Week

"""First weeks with commands since the last service: what a change is measured against."""

CABLES_MM2 = SIZES_MM2[1:8]
"""Of the cross-sections that are sold, those that a lock's terminals take: 0.22 to 2.5 mm2."""

RECENT_WEEKS = 8
"""Switch-offs and sags of so many weeks back are judged together; a week holds too few."""

FEWEST_VOLTS = 3
"""Fewer readings of the loaded rail than this in the week give no level."""

FEWEST_OF_WEEK = 5
"""Fewer switch-offs than this in a week are not drawn; nor is a line of fewer points."""

DRAWN_VOLTS, DRAWN_HOLD_VOLTS = (0.8, 1.1, 31), (0.7, 1.1, 21)
"""Range of volts over rated, and number of points, that figures of release and hold show."""

OVER_STALL = 1.01
"""The figure of a release begins so far above the stall voltage, where latency is infinite."""


@dataclass(frozen=True)
class _Tables:
    """The venue's tables, cut once for all locks."""

    history: History
    heat: dict[str, dict[str, object]]
    measured: pl.DataFrame
    off: dict[str, SwitchOff]
    sag: dict[str, SagReadings]
    error: dict[str, SagError]
    off_weeks: dict[str, tuple[tuple[Week, Quantity], ...]]


_LOOKED_AT = ("lock", "day", "weeks_ago", "outcome", "latency_from", "latency_ms", "waited_ms",
              "resolution_ms", "volts", "celsius")
"""Columns that are looked at lock by lock: each small step costs by the columns it carries."""
_LOADED_BY = (*_LOOKED_AT[:-2], "command_time", "volts_before", "volts_min", "sag_volts")
_RECENT = ("lock", "command_time", "outcome", "latency_from", "latency_ms", "resolution_ms",
           "across_clocks", "pulse_ms", "off_spike_volts", "sag_volts", "sag_ms", "sag_pulses",
           "volts_noise", "sample_ms")
"""And those of the latest weeks: hundreds of locks have no memory for a copy of all columns."""


def lock_physics(history: History) -> dict[str, LockPhysics]:
    """Results of the models for every lock of the venue."""
    venue = history.venue
    start, end = history.start, history.end
    actuations = history.dated("actuations")
    heat = heat_of_week(history)
    measured = measured_heat(actuations, venue).filter(
        pl.col("command_time").is_between(start, end, closed="left")
    )
    tables = _Tables(
        history, {str(row["lock"]): row for row in heat.to_dicts()}, measured,
        *_lately(history), _off_weeks(actuations, history),
    )
    found = {name: _lock(venue.locks_by_id[name], rows, tables)
             for lot in _with_warmth(history) for name, rows in lot.items()
             if name in venue.locks_by_id}
    return {lock.id: found.get(lock.id) or _lock(lock, None, tables) for lock in venue.locks}


def _lately(
    history: History
) -> tuple[dict[str, SwitchOff], dict[str, SagReadings], dict[str, SagError]]:
    """What the latest weeks show of each lock's switch-offs and of what is read from the sag."""
    end, venue = history.end, history.venue
    recent = history.dated("actuations").select(_RECENT).filter(
        pl.col("command_time").is_between(end - timedelta(weeks=RECENT_WEEKS), end, closed="left")
    )
    return switch_offs(recent, venue), sag_readings(recent, venue), sag_error(recent, venue)


def _with_warmth(history: History) -> Iterator[dict[str, pl.DataFrame]]:
    """Each lock's commands with the volts under its load and the coil's heat before them.

    Some locks at a time: hundreds have no memory for all of them.
    """
    times, volts, venue = times_of(history), volts_of(history), history.venue
    for part in in_lots(history.dated("actuations").select(_LOADED_BY)):
        own = times.filter(pl.col("lock").is_in(part["lock"].unique().implode()))
        yield per_lock(loaded(
            part, heat_at_start(own, venue, volts=volts), venue.limits.ambient_celsius,
        ).select(_LOOKED_AT))


def _lock(lock: Lock, rows: pl.DataFrame | None, tables: _Tables) -> LockPhysics:
    history = tables.history
    heat = _heat(tables.heat.get(lock.id))
    measured = _measured(tables.measured.filter(pl.col("lock") == lock.id))
    before, now = _stretches(rows, lock, history)
    fit = volts = explained = None
    if rows is not None and now is not None and before is not None:
        fit = fit_release(before, lock)
        seen = now["volts"].drop_nulls()
        volts = _middle(seen) if seen.len() >= FEWEST_VOLTS else None
        explained = explain(fit, before, now) if before is not now else None
    hot = heat.hottest.value if heat is not None else history.venue.limits.ambient_celsius
    found_branch = needed = None
    if volts is not None:
        found_branch = branch(lock, volts, coil_celsius=hot)
        if found_branch is not None and found_branch.percent_of_rated < (
            history.venue.limits.supply_low_percent
        ):
            needed = cable_needed(
                lock, volts, history.venue.limits.supply_low_percent, coil_celsius=hot
            )
    pull = history.venue.limits.player_pull_newtons
    hold = holding_force(lock, volts, pull=pull) if volts is not None else None
    made = LockPhysics(
        lock.id, heat, measured, fit, volts, explained, found_branch, needed, hold,
        tables.off.get(lock.id), tables.sag.get(lock.id), tables.error.get(lock.id),
        _release_curve(fit, lock, before), _hold_curve(lock, volts),
        _branch_curve(lock, volts, hot, history), tables.off_weeks.get(lock.id, ()), (),
    )
    return LockPhysics(**{**made.__dict__, "says": _says(lock, made, history)})


def _heat(row: dict[str, object] | None) -> CoilHeat | None:
    if row is None:
        return None
    values: dict[str, float] = {
        key: float(value) for key, value in row.items() if isinstance(value, int | float)
    }
    moment = row["hottest_time"]
    assert isinstance(moment, datetime)
    return CoilHeat(
        Quantity(values["hottest_celsius"], "°C", values["hottest_low_celsius"],
                 values["hottest_high_celsius"]),
        moment.astimezone(UTC), values["limit_celsius"], values["margin_kelvin"],
        values["duty_percent"], values["longest_on_ms"],
        values.get("held_cold_s"), values.get("held_hot_s"), values["steady_celsius"],
        bool(row["estimated"]),
    )


def _measured(rows: pl.DataFrame) -> Quantity | None:
    if rows.is_empty():
        return None
    top = rows.sort("celsius").row(-1, named=True)
    reach = 1.96 * top["error_kelvin"]
    return Quantity(top["celsius"], "°C", top["celsius"] - reach, top["celsius"] + reach)


def _stretches(
    rows: pl.DataFrame | None, lock: Lock, history: History
) -> tuple[pl.DataFrame | None, pl.DataFrame | None]:
    """The lock's baseline and this week's rows."""
    if rows is None:
        return None, None
    now = rows.filter(pl.col("weeks_ago") == 0)
    before = since_baseline(rows, history, lock.id).filter(in_first_weeks())
    return (before if before.height else now), now


def _release_curve(fit: ReleaseFit | None, lock: Lock, before: pl.DataFrame | None) -> Curve | None:
    """Latency against volts by the fit, from a little over its stall to 10 % over rated."""
    if fit is None or fit.stall_volts is None or before is None or not fit.informed:
        return None
    seen = before.filter((pl.col("outcome") == "released") & (pl.col("volts") > 0))
    median, at = _middle(seen["latency_ms"]), _middle(seen["volts"])
    warm = _middle(seen["celsius"])
    if median is None or at is None or warm is None:
        return None
    stalls = fit.shares * lock.rated_volts
    lowest, highest, points = DRAWN_VOLTS
    volts = np.linspace(max(lowest * lock.rated_volts, OVER_STALL * fit.stall_volts),
                        highest * lock.rated_volts, points)
    with np.errstate(invalid="ignore"):
        lines = np.stack([
            Solenoid(1.0, float(stall)).latency_ms(volts, warm)
            / max(float(Solenoid(1.0, float(stall)).latency_ms(at, warm)), 1e-9)
            for stall in stalls
        ]) * median
    lines = np.where(np.isnan(lines), np.inf, lines)
    order = np.argsort(lines, axis=0)
    spread = np.take_along_axis(lines, order, axis=0)
    weights = np.cumsum(fit.weights[order], axis=0)
    bands = []
    for level in (0.025, 0.5, 0.975):
        index = np.minimum((weights < level).sum(axis=0), stalls.size - 1)
        bands.append(spread[index, np.arange(volts.size)])
    keep = np.isfinite(bands[2])
    if keep.sum() < FEWEST_OF_WEEK:
        return None
    low, middle, high = (tuple(float(v) for v in band[keep]) for band in bands)
    return Curve(tuple(float(v) for v in volts[keep]), middle, low, high, at)


def _hold_curve(lock: Lock, volts: float | None) -> Curve | None:
    if volts is None or not lock.is_magnet:
        return None
    at = (lock.rated_volts * np.linspace(*DRAWN_HOLD_VOLTS)).tolist()
    holds = [hold for item in at if (hold := holding_force(lock, item)) is not None]
    return Curve(
        tuple(at), tuple(hold.percent_of_rated for hold in holds),
        tuple(hold.low_percent for hold in holds), tuple(hold.high_percent for hold in holds),
        volts,
    )


def _branch_curve(
    lock: Lock, volts: float | None, hot: float, history: History
) -> Curve | None:
    """Volts at the lock's terminals with cables of other cross-sections, at its own length."""
    if volts is None or not lock.cable_metres:
        return None
    found = [
        (area, made.terminal_volts) for area in CABLES_MM2
        if (made := branch(
            replace(lock, cable_mm2=area, cable_awg=None), volts, coil_celsius=hot)) is not None
    ]
    if not found:
        return None
    limit = history.venue.limits.supply_low_percent / 100 * lock.rated_volts
    return Curve(tuple(a for a, _ in found), tuple(v for _, v in found), mark=limit)


def _off_weeks(
    rows: pl.DataFrame, history: History
) -> dict[str, tuple[tuple[Week, Quantity], ...]]:
    """How far each rail rose at switch-off, week by week: median, 5 and 95 % of what was read."""
    spike = pl.col("off_spike_volts")
    weekly = pl.concat(
        some.filter(spike.is_not_null() & (pl.col("weeks_ago") >= 0))
        .group_by("lock", "weeks_ago")
        .agg(n=pl.len(), middle=spike.median(), low=spike.quantile(0.05),
             high=spike.quantile(0.95))
        .filter(pl.col("n") >= FEWEST_OF_WEEK)
        for some in in_lots(rows.select("lock", "weeks_ago", "off_spike_volts"))
    ).sort("lock", "weeks_ago", descending=[False, True])
    found: dict[str, list[tuple[Week, Quantity]]] = {}
    for row in weekly.iter_rows(named=True):
        found.setdefault(row["lock"], []).append(
            (history.week.plus(-int(row["weeks_ago"])),
             Quantity(row["middle"], "V", row["low"], row["high"])))
    return {lock: tuple(weeks) for lock, weeks in found.items()}


def _says(lock: Lock, item: LockPhysics, history: History) -> tuple[Remark, ...]:
    said = [*_heat_says(lock, item), *_release_says(lock, item)]
    if item.branch is not None and item.branch.cable_ohms > 0:
        said.append(Remark("branch", "branch.drop", {
            "drop": Quantity(item.branch.drop_volts, "V"),
            "volts": Quantity(item.branch.terminal_volts, "V"),
            "rail": Quantity(item.branch.rail_volts, "V"),
            "percent": Quantity(item.branch.percent_of_rated, "%"),
        }))
    if item.cable is not None:
        wanted = Quantity(history.venue.limits.supply_low_percent, "%")
        if item.cable.mm2 is not None:
            said.append(Remark("branch", "branch.needed", {
                "size": Quantity(item.cable.mm2, "mm²"), "percent": wanted}))
        else:
            said.append(Remark("branch", "branch.rail_low", {"percent": wanted}))
    if item.hold is not None:
        values: dict[str, Value] = {
            "percent": Quantity(item.hold.percent_of_rated, "%", item.hold.low_percent,
                                item.hold.high_percent),
            "volts": Quantity(item.hold.volts, "V"),
        }
        said.append(Remark("hold", "hold.percent", values, estimated=True))
        if item.hold.low_newtons is not None and item.hold.margin_percent is not None:
            times = round(1 + item.hold.margin_percent / 100, 1)
            said.append(Remark("hold", "hold.margin" if times > 1 else "hold.no_margin", {
                "newtons": Quantity(round(item.hold.low_newtons, -1), "N"),
                "times": Quantity(times, "×"),
                "pull": Quantity(history.venue.limits.player_pull_newtons, "N"),
            }, estimated=True))
    return (*said, *_off_says(lock, item))


def _heat_says(lock: Lock, item: LockPhysics) -> list[Remark]:
    heat = item.heat
    said: list[Remark] = []
    if heat is None:
        if heated(lock):
            return [Remark("heat", "heat.not_on", {})]
        if lock.pulsed and lock.ohms is None:
            return [Remark("heat", "heat.no_coil", {})]
        return []
    said.append(Remark("heat", "heat.estimated" if heat.estimated else "heat.stated", {
        "celsius": heat.hottest, "time": heat.hottest_time}, heat.estimated))
    said.append(Remark("heat", "heat.margin" if heat.margin_kelvin >= 0 else "heat.over", {
        "kelvin": Quantity(abs(heat.margin_kelvin), "°C"),
        "limit": Quantity(heat.limit_celsius, "°C")}, heat.estimated))
    if heat.held_cold_s is None:
        said.append(Remark("heat", "heat.never", {
            "celsius": Quantity(heat.steady_celsius, "°C")}, heat.estimated))
    elif heat.held_hot_s is not None:
        said.append(Remark("heat", "heat.held", {
            "cold": Quantity(heat.held_cold_s / 60, "min"),
            "hot": Quantity(heat.held_hot_s / 60, "min")}, heat.estimated))
    if item.measured_celsius is not None:
        said.append(Remark("heat", "heat.measured", {"celsius": item.measured_celsius}))
    return said


def _release_says(lock: Lock, item: LockPhysics) -> list[Remark]:
    said: list[Remark] = []
    split = item.explained
    if split is not None and np.isfinite([*split.both_percent, *split.rest_percent]).all():
        key = "release.magnet" if lock.is_magnet else "release.split"
        if split.measured_percent[1] <= 0 <= split.measured_percent[2]:
            key = "release.unchanged"
        said.append(Remark("release", key, {
            name: Quantity(percent[0], f"%{CHANGE}", percent[1], percent[2])
            for name, percent in (
                ("measured", split.measured_percent), ("volts", split.volts_percent),
                ("heat", split.heat_percent), ("both", split.both_percent),
                ("rest", split.rest_percent),
            )
        }, split.estimated))
    fit = item.fit
    if fit is not None and fit.stall_volts is not None and item.loaded_volts is not None:
        if fit.informed:
            said.append(Remark("release", "release.stall", {
                "stall": Quantity(fit.stall_volts, "V", fit.stall_low_volts,
                                  fit.stall_high_volts),
                "volts": Quantity(item.loaded_volts, "V"),
                "margin": Quantity(100 * (item.loaded_volts / fit.stall_volts - 1), "%"),
            }))
        elif fit.releases:
            said.append(Remark("release", "release.no_stall", {}))
    return said


def _off_says(lock: Lock, item: LockPhysics) -> list[Remark]:
    said: list[Remark] = []
    off = item.switch_off
    if off is not None and off.spikes and off.highest_volts is not None:
        said.append(Remark("off", "off.seen", {
            "spikes": off.spikes, "looked": off.looked,
            "volts": Quantity(off.highest_volts, "V")}))
    elif off is not None and off.looked and off.quiet_means_something:
        said.append(Remark("off", "off.quiet", {"looked": off.looked}))
    elif off is not None and off.looked and off.needed is not None and off.sample_ms is not None:
        said.append(Remark("off", "off.few", {
            "looked": off.looked, "needed": off.needed,
            "sample": Quantity(off.sample_ms, "ms")}))
    elif off is not None and off.switch_offs:
        said.append(Remark("off", "off.blind", {}))
    if item.sag is not None and item.sag.resolution_ms is not None:
        said.append(Remark("sag", "sag.read", {
            "resolution": Quantity(item.sag.resolution_ms, "ms"),
            "refused": item.sag.refused, "commands": item.sag.commands}))
    if item.sag_error is not None:
        said.append(Remark("sag", "sag.error", {
            "bias": Quantity(item.sag_error.bias_ms, "ms", item.sag_error.bias_low_ms,
                             item.sag_error.bias_high_ms),
            "within": Quantity(item.sag_error.within_95_ms, "ms"),
            "pairs": item.sag_error.pairs}))
    return said


def _middle(values: pl.Series) -> float | None:
    kept = values.drop_nulls()
    return float(kept.median()) if kept.len() else None  # type: ignore[arg-type]


def physics_of(history: History) -> PhysicsSummary:
    """What the models of coil, magnet, cable and rail say of this week.

    Parameters
    ----------
    history : History
        Any tables may be empty or thin: what is not known is None, and the page says so where a
        reader would ask.

    Returns
    -------
    PhysicsSummary
        By lock and by supply; each with its sentences (``says``), which carry their numbers,
        and curves for figures.
    """
    return PhysicsSummary(lock_physics(history), supply_physics(history))
