"""Quick in-memory venues for the tests of what rests on latency: actuations only, no logs."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl

from remanence.analytics.history import History
from remanence.shared.tables import ACTUATIONS, CONTACT_CHANGES
from remanence.shared.venue import Lock, Supply, Venue
from remanence.shared.weeks import Week

FIRST_MONDAY = date(2026, 3, 30)


def lock(name: str, *, kind: str = "latch", volts: float = 12.0, **more: object) -> Lock:
    settings: dict[str, object] = {
        "id": name, "guards": "container", "mechanism": kind,
        "released_by": "power-off" if kind == "magnet" else "power-on",
        "supply": "rail", "command": f"north/{name}", "contact": f"north/{name}-in",
        "contact_closed_when": "locked", "rated_volts": volts, "rated_amps": 1.0,
        "contact_senses": "armature" if kind == "magnet" else "catch",
        "suppression": "diode",
    }
    settings.update(more)
    return Lock(**settings)  # type: ignore[arg-type]


def venue(locks: list[Lock]) -> Venue:
    return Venue(
        id="test", name="Test", time_zone="Europe/Lisbon",
        supplies=tuple(
            Supply(name, 12.0, channel=name, rated_amps=20.0)
            for name in dict.fromkeys(item.supply for item in locks)
        ),
        locks=tuple(locks),
    )


def wander(rng: np.random.Generator, days: int, deviation: float, memory: float) -> np.ndarray:
    out = np.zeros(days)
    keep = np.exp(-1 / memory)
    value = rng.normal(0, deviation)
    for day in range(days):
        value = keep * value + rng.normal(0, deviation * np.sqrt(1 - keep**2))
        out[day] = value
    return out


def actuations(
    locks: list[Lock], *, weeks: int = 20, per_week: float = 40, seed: int = 0,
    noise: float = 0.08, day_wander: float = 0.015, memory: float = 3.0,
    season_kelvin: float = 8.0, volts_wander: float = 0.005, resolution_ms: float = 1.0,
    no_release: float = 0.001, lean: float = 0.03, pulse_ms: float | None = None,
    log_volts: bool = True,
    faults: Mapping[str, Callable[[np.ndarray], np.ndarray]] | None = None,
    volts: Callable[[np.ndarray], np.ndarray] | None = None,
) -> pl.DataFrame:
    """Healthy releases with the usual confounders; ``faults`` add to ln latency by day."""
    rng = np.random.default_rng(seed)
    days = weeks * 7
    kelvin = season_kelvin * np.sin(2 * np.pi * (np.arange(days) / 365 + rng.random()))
    kelvin = kelvin + wander(rng, days, 1.5, 5.0)
    rail = wander(rng, days, volts_wander, 4.0)
    if volts is not None:
        rail = rail + volts(np.arange(days))
    frames = []
    for item in locks:
        base = np.log(400.0 if item.is_magnet else 25.0) + rng.normal(0, 0.2)
        own = wander(rng, days, day_wander, memory)
        if faults and item.id in faults:
            own = own + faults[item.id](np.arange(days))
        count = rng.poisson(per_week / 7, days)
        count[0::7] = 0  # closed on Mondays
        day = np.repeat(np.arange(days), count)
        hour = np.sort(rng.uniform(10, 21, day.size))
        order = np.lexsort((hour, day))
        day, hour = day[order], hour[order]
        slope = -0.0025 if item.is_magnet else 0.007
        exponent = 0.0 if item.is_magnet else -2.0
        value = (
            base + own[day] + slope * kelvin[day] + exponent * rail[day]
            + rng.normal(0, noise, day.size)
        )
        leaning = rng.random(day.size) < lean
        value = value + np.where(leaning, rng.uniform(0.3, 1.0, day.size), 0)
        latency = np.exp(value)
        phase = rng.uniform(0, resolution_ms, day.size)
        latency = np.ceil((latency - phase) / resolution_ms) * resolution_ms + phase
        latency = np.where(latency <= 0, latency + resolution_ms, latency)
        missed = rng.random(day.size) < no_release
        pulse = pulse_ms or (8000.0 if item.is_magnet else 500.0)
        time = [
            datetime.combine(FIRST_MONDAY, datetime.min.time(), UTC)
            + timedelta(days=int(d), hours=float(h))
            for d, h in zip(day, hour, strict=True)
        ]
        frames.append(pl.DataFrame({
            "lock": [item.id] * day.size, "command_time": time,
            "pulse_ms": np.full(day.size, pulse),
            "outcome": np.where(missed, "no-release", "released"),
            "latency_ms": np.where(missed, np.nan, latency),
            "waited_ms": np.where(missed, pulse + 1000.0, latency),
            "latency_from": [item.latency_kind] * day.size,
            "resolution_ms": np.full(day.size, resolution_ms),
            "bounces": rng.integers(0, 4, day.size),
            "volts_before": item.rated_volts * np.exp(rail[day]) + rng.normal(0, 0.03, day.size)
            if log_volts else np.full(day.size, np.nan),
            "others_on": np.zeros(day.size, dtype=int), "attempt": np.ones(day.size, dtype=int),
            "contact_edges": np.where(missed, 0, 2),
        }).with_columns(
            pl.col("latency_ms", "volts_before").fill_nan(None),
            pl.col("command_time").cast(pl.Datetime("us", "UTC")),
        ))
    return ACTUATIONS.conform(pl.concat(frames))


def contact_changes(rows: pl.DataFrame) -> pl.DataFrame:
    """The feedback's moves that go with the releases: open then, locked again five minutes on."""
    released = rows.filter(pl.col("outcome") == "released")
    moment = pl.col("command_time") + pl.duration(microseconds=pl.col("latency_ms") * 1000)
    common = {"bounces": pl.lit(0), "settle_ms": pl.lit(0.0)}
    opens = released.select(
        "lock", time=moment, open=pl.lit(True), commanded=pl.lit(True), **common
    )
    shuts = released.select(
        "lock", time=moment + pl.duration(minutes=5), open=pl.lit(False), commanded=pl.lit(False),
        **common,
    )
    return CONTACT_CHANGES.conform(pl.concat([opens, shuts]))


def history_at(
    locks: list[Lock], rows: pl.DataFrame, week: int, **frames: pl.DataFrame
) -> History:
    """The history at the end of the given week, counted from 0 at the first day of the rows."""
    frames.setdefault("contact_changes", contact_changes(rows))
    return History.of(
        venue(locks), Week.of(FIRST_MONDAY + timedelta(weeks=week)), actuations=rows, **frames
    )
