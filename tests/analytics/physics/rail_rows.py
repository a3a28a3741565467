"""In-memory venues with a rail's volts, for the tests of what rests on them."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl

from remanence.analytics.history import History
from remanence.shared.tables import ACTUATIONS, ENERGISINGS, SERVICE
from remanence.shared.venue import Lock, Supply, Venue
from remanence.shared.weeks import Week

MONDAY = date(2026, 3, 30)
RAIL = Supply("rail", 12.0, channel="north/rail", rated_amps=20.0)
LATCH = Lock(
    id="a", guards="container", mechanism="latch", released_by="power-on", supply="rail",
    command="north/a", contact="north/a-in", contact_closed_when="locked", rated_volts=12.0,
    coil_ohms=10.0, max_on_ms=500.0, duty_percent=10.0, suppression="diode",
)
MAGNET = Lock(
    id="m", guards="doorway", mechanism="magnet", released_by="power-off", supply="rail",
    command="north/m", contact="north/m-in", contact_closed_when="locked",
    contact_senses="armature", rated_volts=12.0, rated_amps=0.5, suppression="diode",
)


def latch(name, **more):
    return replace(LATCH, id=name, command=f"north/{name}",
                   **{"contact": f"north/{name}-in", **more})


def magnet(name, **more):
    return replace(MAGNET, id=name, command=f"north/{name}",
                   **{"contact": f"north/{name}-in", **more})


def venue(*locks, supply=RAIL, **more):
    return Venue(id="v", name="v", time_zone="Europe/Lisbon", supplies=(supply,), locks=locks,
                 **more)


def moment(day, hour=12.0):
    return datetime(MONDAY.year, MONDAY.month, MONDAY.day, tzinfo=UTC) + timedelta(
        days=int(day), seconds=round(float(hour) * 3600, 3))


def actuations(lock, weeks, *, per_day=6, seed=1, source_ohms=0.25, noise=0.02, changed=None,
               pulse_ms=300.0, latency_ms=30.0):
    """Rows of a healthy lock; ``changed(row, day)`` alters the dictionary of a row in place."""
    rng = np.random.default_rng([seed, *map(ord, lock.id)])
    rows = []
    for day in range(7 * weeks):
        for hour in np.sort(rng.uniform(10, 21, rng.poisson(per_day))):
            amps = lock.amps * (1 + rng.normal(0, 0.01))
            latency = latency_ms * np.exp(rng.normal(0, 0.08)) * (10 if lock.is_magnet else 1)
            row = {
                "lock": lock.id, "command_time": moment(day, hour), "pulse_ms": pulse_ms,
                "outcome": "released", "latency_ms": latency, "waited_ms": latency,
                "latency_from": lock.latency_kind, "resolution_ms": 1.0, "bounces": 2,
                "volts_before": 12.2 + rng.normal(0, 0.03),
                "sag_volts": source_ohms * amps + rng.normal(0, noise / 4),
                "off_spike_volts": abs(rng.normal(0, noise)) + 0.02,
                "others_on": int(rng.random() < 0.1), "attempt": 1,
                "sag_ms": latency if lock.self_cut else pulse_ms, "sag_pulses": 1,
                "sag_outlasts_ms": 0.0, "volts_noise": noise, "volts_samples": 60,
                "sample_ms": 5.0, "recovery_ms": 5.0, "relock_ms": 60_000.0,
                "contact_edges": 3,
            }
            if lock.is_magnet:
                row["off_spike_volts"] += row["sag_volts"]
            if changed is not None:
                changed(row, day)
            if row["sag_volts"] is not None and row["volts_before"] is not None:
                row["volts_min"] = row["volts_before"] - row["sag_volts"] - 2 * noise
            rows.append(row)
    return ACTUATIONS.conform(pl.DataFrame(rows, infer_schema_length=None))


def energisings(rows):
    """Rows of (lock, start, on_ms); a null on_ms lasts."""
    frame = pl.DataFrame(rows, schema={"lock": pl.String, "start": pl.Datetime("us", "UTC"),
                                       "on_ms": pl.Float64}, orient="row")
    return ENERGISINGS.conform(frame.with_columns(
        end=pl.col("start") + pl.duration(microseconds=pl.col("on_ms") * 1000)))


def service(*rows):
    return SERVICE.conform(pl.DataFrame(
        [(MONDAY + timedelta(days=day), lock, action) for day, lock, action in rows],
        schema={"date": pl.Date, "lock": pl.String, "action": pl.String}, orient="row"))


def at_week(where, week, **frames):
    """The history at the end of week ``week``, counted from 0."""
    return History.of(where, Week.of(MONDAY + timedelta(weeks=week)), **frames)
