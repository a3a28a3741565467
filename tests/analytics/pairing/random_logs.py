"""Random logs of a random venue: every kind of lock, and everything that can go wrong in a log."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

from remanence.shared.limits import Limits
from remanence.shared.tables import SIGNALS
from remanence.shared.venue import Lock, Supply, Venue

LIMITS = Limits(coast_ms=400.0, door_wait_ms=3000.0, settle_ms=30.0, retry_within_s=20.0)
"""Short, so that short logs run into all of them."""


def random_venue(rng: np.random.Generator, locks: int = 6) -> Venue:
    """A venue with two rails, the second of which is not logged."""
    made = []
    for i in range(locks):
        fail_safe = rng.random() < 0.35
        contact = None if rng.random() < 0.2 else f"c{rng.integers(3)}/i{i}"
        made.append(Lock(
            id=f"lock-{i}", guards="container", mechanism="magnet" if fail_safe else "latch",
            released_by="power-off" if fail_safe else "power-on",
            supply="rail" if rng.random() < 0.8 else "dark", command=f"c{rng.integers(3)}/q{i}",
            command_energised=int(rng.random() < 0.8), contact=contact,
            contact_closed_when=str(rng.choice(["locked", "open", "unknown"])),
            contact_senses=str(rng.choice(["catch", "armature", "door"])),
            self_cut=not fail_safe and (contact is None or rng.random() < 0.2),
        ))
    return Venue(
        id="random", name="Random", time_zone="UTC", limits=LIMITS, locks=tuple(made),
        supplies=(Supply("rail", 12.0, channel="rail"), Supply("dark", 24.0)))


def random_log(
    rng: np.random.Generator, venue: Venue, minutes: float = 6.0, games: int = 12,
    begin: datetime = datetime(2026, 3, 1, 23, 57, tzinfo=UTC), step_ms: int = 10,
    idle_s: float = 1.0,
) -> pl.DataFrame:
    """SIGNALS over ``minutes`` from ``begin`` (default: across midnight), shuffled, with repeats.

    Edges lie on a grid of 10 ms, or coarser, so that many have one stamp; bursts of volts
    follow the coils, with noise, at irregular times; else the rail is read every ``idle_s``. Two
    logs of three tell the lines' order within a stamp; in the third only the stamps count.
    """
    span = minutes * 60.0
    records: list[tuple[float, str, str, float]] = []
    loads: list[tuple[float, float]] = []

    def at(seconds: float) -> float:
        return round(min(max(seconds, 0.0), span), 2)

    for lock in venue.locks:
        on, off = float(lock.command_energised), float(1 - lock.command_energised)
        fire, rest = (on, off) if lock.pulsed else (off, on)
        shut = 1.0 if lock.contact_closed_when != "open" else 0.0
        clock = 0.0
        for _ in range(games):
            clock = at(clock + float(rng.choice([0.03, 0.5, 2.0, 15.0, 40.0])) * rng.random() * 2)
            pulse = float(rng.choice([0.05, 0.3, 0.3, 2.0, 30.0]))
            latency = float(rng.choice([0.0, 0.02, 0.05, 0.3, 0.6, 5.0])) + 0.01 * rng.integers(5)
            end = at(clock + pulse)
            if rng.random() < 0.95:
                records.append((clock, lock.command, "command", fire))
            if rng.random() < 0.95:
                records.append((end, lock.command, "command", rest))
            loads.append((clock, min(clock + latency, end) if lock.self_cut else end)
                         if lock.pulsed else (end, clock))
            if lock.contact and rng.random() < 0.85:
                moment = at(clock + latency)
                records.append((moment, lock.contact, "contact", 1 - shut))
                for _ in range(rng.integers(0, 4)):
                    moment = at(moment + 0.01 * rng.integers(1, 5))
                    records.append((moment, lock.contact, "contact", float(rng.integers(2))))
                if rng.random() < 0.8:
                    moment = at(moment + float(rng.choice([0.02, 0.2, 3.0, 20.0])))
                    records.append((moment, lock.contact, "contact", shut))
            if lock.contact and rng.random() < 0.2:
                moment = at(float(rng.random()) * span)
                records.append((moment, lock.contact, "contact", float(rng.integers(2))))
            if lock.pulsed and rng.random() < 0.3:
                records.append((at(clock + pulse / 2), lock.command, "amps", 0.8 + rng.random()))
            clock = end

    records += _volts(rng, span, loads, idle_s)
    restarts = {name: sorted(rng.random(rng.integers(0, 3)) * span) for name in venue.controllers}
    rows = []
    told = rng.random() < 2 / 3
    place: Counter[tuple[str, float]] = Counter()
    for seconds, channel, quantity, value in sorted(records, key=lambda record: record[0]):
        run = int(np.searchsorted(restarts[channel.split("/")[0]], seconds))
        if quantity in ("command", "contact"):
            seconds = seconds // (step_ms / 1000) * (step_ms / 1000) if step_ms > 10 else seconds
        tick = channel.split("/")[0], seconds
        rows.append((begin + timedelta(seconds=seconds), channel, quantity, float(value), run,
                     "a.csv", len(rows) + 2, place[tick] if told else 0, 0))
        place[tick] += 1
    # Twice, in another file, out of order.
    rows += [(*row[:5], "b.csv", *row[6:]) for row in rows if rng.random() < 0.1]
    frame = pl.DataFrame(rows, schema=SIGNALS.schema, orient="row")
    return frame.sample(fraction=1.0, shuffle=True, seed=int(rng.integers(2**31)))


def _volts(
    rng: np.random.Generator, span: float, loads: list[tuple[float, float]], idle_s: float,
) -> list[tuple[float, str, str, float]]:
    edges = sorted(t for load in loads for t in load if 0 <= t <= span)
    # (Some loggers read a rail around commands only, and some from the command on.)
    lone = rng.random() < 0.3
    times = [] if lone else list(np.arange(0.0, span, idle_s) + 0.003)
    for edge in edges:
        if rng.random() < 0.6:
            step = float(rng.choice([0.001, 0.005, 0.005, 0.02, 0.1]))
            burst = np.arange(edge if lone else edge - 0.1, min(edge + 0.7, span), step)
            times += list(burst[rng.random(burst.size) < 0.9] + 0.0003 * rng.random())
    stamps = sorted({round(t * 1e6) for t in times if 0 < t < span})
    noise = rng.normal(0, 0.01, len(stamps))
    return [
        (stamp / 1e6, "rail", "volts", round(
            12.2 - 0.4 * sum(a < stamp / 1e6 < b for a, b in loads) + extra, 3))
        for stamp, extra in zip(stamps, noise, strict=True)
    ]
