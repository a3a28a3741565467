"""A simulated venue whose pulses, waits and rates are known: for the tests of the timing.

Shares nothing with the analysis but the tables: latencies are drawn, not computed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

from remanence.analytics.history import History
from remanence.shared.tables import ACTUATIONS
from remanence.shared.venue import Lock, Part, Supply, Venue
from remanence.shared.weeks import Week

START = datetime(2026, 3, 2, 10, tzinfo=UTC)


@dataclass
class Truth:
    """How a simulated lock behaves: the pulse it needs at given volts, how often it is silent."""

    median_ms: float = 30.0
    scatter: float = 0.09
    exponent: float = -2.0
    silent: float = 0.0002
    silent_again: float = 0.02
    wander: float = 0.03
    slow_share: float = 0.0
    slow_factor: float = 2.0
    shape: str = "log-normal"

    def draw(self, rng: np.random.Generator, volts: np.ndarray, day: np.ndarray) -> np.ndarray:
        """Needed pulse at each of ``volts`` (rated 12), with a wander common to each day."""
        size = volts.size
        noise = {
            "log-normal": lambda: self.scatter * rng.standard_normal(size),
            "gamma": lambda: np.log(rng.gamma(1 / self.scatter**2, self.scatter**2, size)),
            "weibull": lambda: np.log(rng.weibull(1.28 / self.scatter, size)),
        }[self.shape]()
        days = self.wander * rng.standard_normal(int(day.max()) + 1)
        for i in range(1, days.size):  # AR(1) with coefficient 0.6
            days[i] = 0.6 * days[i - 1] + 0.8 * days[i]
        slow = np.where(rng.random(size) < self.slow_share, self.slow_factor, 1.0)
        return self.median_ms * np.exp(noise + days[day]) * slow * (volts / 12) ** self.exponent


def latch(name: str, number: int, **changes: object) -> Lock:
    """A cabinet latch with its own switch."""
    values: dict[str, object] = {
        "guards": "container", "mechanism": "latch", "released_by": "power-on",
        "supply": "rail-a", "command": f"north/q{number}", "contact": f"north/i{number}",
        "contact_closed_when": "locked", "contact_senses": "catch", "coil_ohms": 10.0,
        "max_on_ms": 500.0, "duty_percent": 10.0, "part": "latch-s", "room": "Chart room",
        "suppression": "diode",
    }
    return Lock(id=name, **{**values, **changes})  # type: ignore[arg-type]


def venue_of(*locks: Lock) -> Venue:
    """A venue of these locks on one rail."""
    return Venue(
        id="harbour", name="Harbour Lights", time_zone="Europe/Lisbon",
        supplies=(Supply("rail-a", 12.0, channel="rail-a", rated_amps=15.0),),
        parts=(Part("latch-s"),), locks=locks,
    )


def commands(
    lock: str, truth: Truth, rng: np.random.Generator, *, days: int = 60, a_day: int = 6,
    pulse_ms: float | Sequence[float] = 250.0, volts: tuple[float, float] = (11.6, 12.4),
    step_ms: float = 1.0, sag: float = 0.3, kind: str = "catch", retries: bool = True,
    at: datetime = START, minute: int = 0,
) -> pl.DataFrame:
    """Actuations of one lock: every silent command is tried again, up to three times."""
    count = days * a_day
    day = np.repeat(np.arange(days), a_day)
    level = rng.uniform(*volts, size=count)
    pulses = rng.choice(np.atleast_1d(np.asarray(pulse_ms, dtype=float)), size=count)
    rows = []
    need = truth.draw(rng, level, day)
    for i in range(count):
        time = at + timedelta(days=int(day[i]), minutes=60 * (i % a_day) + minute,
                              seconds=float(rng.uniform(0, 0.2)))
        attempt, wanted = 1, float(need[i])
        while True:
            silent = rng.random() < (truth.silent if attempt == 1 else truth.silent_again)
            opened = not silent and wanted <= pulses[i]
            seen = np.ceil(wanted / step_ms) * step_ms
            rows.append({
                "lock": lock, "command_time": time, "pulse_ms": float(pulses[i]),
                "outcome": "released" if opened else "no-release",
                "latency_ms": float(seen) if opened else None,
                "waited_ms": float(seen) if opened else float(pulses[i]) + 1000.0,
                "latency_from": kind, "resolution_ms": step_ms, "bounces": 1,
                "volts_before": float(level[i]), "sag_volts": sag + 0.01 * rng.standard_normal(),
                "others_on": 0, "attempt": attempt, "across_clocks": False,
            })
            if opened or not retries or attempt == 4:
                break
            attempt += 1
            time += timedelta(seconds=2)
            wanted = float(truth.draw(rng, level[i : i + 1], np.zeros(1, dtype=int))[0])
    return ACTUATIONS.conform(pl.DataFrame(rows, infer_schema_length=None))


def history_of(venue: Venue, *frames: pl.DataFrame, week: Week | None = None,
               **tables: pl.DataFrame) -> History:
    """A history of these actuations, up to the week of the last."""
    rows = pl.concat(frames) if frames else ACTUATIONS.empty()
    if week is None:
        last = rows["command_time"].max()
        assert isinstance(last, datetime)
        week = Week.at(last, venue.zone)
    return History.of(venue, week, actuations=rows, **tables)
