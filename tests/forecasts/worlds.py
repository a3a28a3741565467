"""Locks whose future is known: what each will do, and the weeks that it really has left.

The forecasts are judged on these, so nothing here may be the program's own physics: latencies come
from printed tables (tests/campaign/mechanics.py) or from a solenoid's equations
(sample_data/physics.py), never from the program's power law of the margin.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.interpolate import PchipInterpolator

from remanence.analytics.history import History
from remanence.sample_data import physics
from remanence.shared.venue_file import parse_venue
from remanence.shared.weeks import Week
from tests.campaign import mechanics

WEEK = Week.parse("2026-W40")
STEPS = 10
"""Steps a week of the hidden path."""
LONGEST = 400
"""Weeks of future that are played."""

FRICTION = PchipInterpolator(
    np.arange(8) / 7, np.log(np.array([23, 25, 28, 31, 36, 44, 82, 420.0]) / 23))
"""Logarithm of a latch's latency by the share of its margin used: friction in equal steps gives
23, 25, 28, 31, 36, 44, 82 ms, then it stalls (calculated table, dependable in shape)."""


def by_friction(used):
    return FRICTION(np.clip(used, 0.0, 1.0)) + np.minimum(used, 0.0) * 0.5


def by_side_load(used):
    return mechanics.by_side_load(8.0 * used)


def by_volts(used):
    """The solenoid's equations: stall volts rise from 70 % of the rail's to all of them."""
    share = np.clip(0.7 + 0.3 * used, 0.3, 0.9989)
    time = physics.pull_in_ms(np.ones_like(share), share, 10.0, 5.0)
    return np.log(time / physics.pull_in_ms(np.ones(1), np.full(1, 0.7), 10.0, 5.0))


def by_log(used):
    """A magnet: straight in the logarithm of its latency."""
    return np.asarray(used, dtype=float)


CURVES = {"friction": by_friction, "side load": by_side_load, "volts": by_volts}


@dataclass(frozen=True)
class World:
    """A range of locks. ``drift`` is the margin used per week, log-uniform between two bounds.

    Wear goes with the power ``time_exponent`` of the time since its onset, and its pace is
    ``drift`` on the whole of its way. ``doubles``: at a time drawn evenly, the ``"games"`` a week
    double (while it is looked on) or the ``"wear"`` of each game does (at any time of its life).
    ``gamma_weeks``: wear is a gamma process whose weekly deviation is the root of so many weeks'
    wear. ``blows_a_week``: half of the wear comes in blows of exponential size, so many a week.
    ``manners``: each lock is drawn from one of these worlds, all alike in chance.
    """

    name: str
    curves: tuple[str, ...] = ("friction", "side load", "volts")
    drift: tuple[float, float] = (0.01, 0.12)
    walk: tuple[float, ...] = (0.0, 0.01, 0.02, 0.04)
    scatter: tuple[float, float] = (0.03, 0.12)
    mood: tuple[float, float] = (0.0, 0.02)
    mood_days: tuple[float, float] = (0.3, 7.0)
    actuations: tuple[float, float] = (10.0, 80.0)
    flat: tuple[int, int] = (6, 40)
    seen: tuple[int, int] = (4, 40)
    limit: tuple[float, float] | None = (1.6, 4.5)
    magnet: bool = False
    season: float | tuple[float, float] = 0.0
    poll_ms: float = 0.0
    time_exponent: tuple[float, float] = (1.0, 1.0)
    doubles: str = ""
    gamma_weeks: tuple[float, float] | None = None
    blows_a_week: tuple[float, float] | None = None
    manners: tuple[World, ...] = ()


WORLDS = (
    World("as they come"),
    World("friction table", curves=("friction",)),
    World("side-load table", curves=("side load",)),
    World("solenoid's equations", curves=("volts",)),
    World("quiet", scatter=(0.02, 0.05), mood=(0.0, 0.003)),
    World("noisy", scatter=(0.10, 0.20)),
    World("moods of a day", mood=(0.02, 0.04), mood_days=(0.2, 1.0)),
    World("moods of weeks", mood=(0.015, 0.03), mood_days=(7.0, 30.0)),
    World("10 a week", actuations=(9.0, 12.0)),
    World("80 a week", actuations=(70.0, 90.0)),
    World("slow wear", drift=(0.006, 0.02), seen=(10, 60)),
    World("fast wear", drift=(0.06, 0.15), seen=(3, 14)),
    World("worn from the start", flat=(0, 3)),
    World("late onset", flat=(30, 70)),
    World("straight, no walk", walk=(0.0,)),
    World("much walk", walk=(0.04,)),
    World("to the stall", limit=None),
    World("to a near limit", limit=(1.3, 1.8)),
    World("magnets", magnet=True, drift=(0.01, 0.06), limit=(1.5, 3.0)),
    World("polled at 10 ms", poll_ms=10.0),
)
"""Worlds of locks that wear, to be judged on."""

BEYOND = (
    World("accelerating", time_exponent=(1.5, 3.0)),
    World("slowing", time_exponent=(0.4, 0.7)),
    World("games double", doubles="games"),
    World("wear doubles", doubles="wear"),
    World("gamma process", walk=(0.0,), gamma_weeks=(0.5, 3.0)),
    World("blows", blows_a_week=(0.05, 0.3)),
    World("wear and a season", season=(0.03, 0.08)),
    World("magnets, accelerating", magnet=True, drift=(0.01, 0.06), limit=(1.5, 3.0),
          time_exponent=(1.5, 3.0)),
    World("magnets, slowing", magnet=True, drift=(0.01, 0.06), limit=(1.5, 3.0),
          time_exponent=(0.4, 0.7)),
)
BEYOND += (World("mixed wear", manners=(WORLDS[0], *BEYOND[:2], *BEYOND[3:6])),)
"""Worlds of locks that wear as the method does not suppose in so many words."""

_STAND = {"drift": (1e-7, 2e-7), "walk": (0.0,), "flat": (10, 60)}
STILL = (
    World("moods of days and weeks", mood=(0.0, 0.03), mood_days=(0.3, 10.0), **_STAND),
    World("a season of 3.5 %", season=0.035, **_STAND),
    World("a season of 3 to 10 %", season=(0.03, 0.10), **_STAND),
    World("noisy and polled", scatter=(0.05, 0.2), poll_ms=10.0, **_STAND),
)
"""Worlds in which nothing wears: no lock is to be given a date."""


def play(world: World, count: int, seed: int) -> tuple[History, list[float], list[float]]:
    """Actuations of so many locks, the weeks that each really has left, and its age in weeks.

    A lock counts as it is found: at any time of its wear, but not yet at its limit. It has
    arrived when its latency, less the scatter of releases and the moods of days, meets the limit.
    """
    rng = np.random.default_rng([seed, *world.name.encode()])
    blocks, frames, left, age = [], [], [], []
    for i in range(count):
        manner = world.manners[rng.integers(len(world.manners))] if world.manners else world
        lock = _lock(manner, rng)
        left.append(lock[2])
        age.append(lock[4])
        kind = ('"magnet"', "armature") if world.magnet else ('"latch"', "catch")
        within = f"release_within_ms = {lock[3]:.3f}\n" if world.limit else ""
        blocks.append(
            f'[[lock]]\nid = "d{i}"\nguards = "container"\nmechanism = {kind[0]}\nsupply = "r"\n'
            f'command = "c/q{i}"\ncontact = "c/i{i}"\ncontact_closed_when = "locked"\n'
            f'contact_senses = "{kind[1]}"\n{within}')
        frames.append(pl.DataFrame({
            "lock": [f"d{i}"] * lock[0].size, "at": lock[0], "latency_ms": lock[1]}))
    venue = parse_venue('[venue]\nid = "v"\ntime_zone = "UTC"\n[[supply]]\nid = "r"\n'
                        f"rated_volts = 12\n{''.join(blocks)}")
    end = WEEK.bounds(venue.zone)[1]
    rows = pl.concat(frames)
    rows = rows.with_columns(
        command_time=pl.lit(end) - pl.duration(microseconds=pl.col("at") * 7 * 86400e6),
        outcome=pl.lit("released"), pulse_ms=pl.lit(60000.0),
        latency_from=pl.lit("armature" if world.magnet else "catch"),
        resolution_ms=pl.lit(world.poll_ms), attempt=pl.lit(1), waited_ms="latency_ms",
    ).drop("at")
    return History.of(venue, WEEK, actuations=rows), left, age


def _lock(world: World, rng: np.random.Generator):
    """Weeks ago of its actuations, their latencies, the weeks left, its limit and its age."""
    curve = by_log if world.magnet else CURVES[str(rng.choice(world.curves))]
    healthy = rng.uniform(150, 500) if world.magnet else rng.uniform(20, 45)
    limit = np.log(rng.uniform(*world.limit) if world.limit else 5.0)
    while True:
        drift = np.exp(rng.uniform(*np.log(world.drift)))
        walk = rng.choice(world.walk) * (0.5 if world.magnet else 1.0)
        flat, seen = rng.integers(*world.flat), rng.integers(*world.seen)
        steps = (seen + LONGEST) * STEPS
        pace, busy = np.full(steps, drift / STEPS), np.ones(seen * STEPS)
        whole = (limit if world.magnet else 1.0) / drift
        if world.time_exponent != (1.0, 1.0):
            time = np.arange(steps + 1) / STEPS / whole
            pace = np.diff(drift * whole * time ** rng.uniform(*world.time_exponent))
        if world.doubles:
            within = seen if world.doubles == "games" else whole
            from_step = int(rng.uniform(0, within) * STEPS)
            pace[from_step:] *= 2
            if world.doubles == "games":
                busy[from_step:] = 2.0
        if world.gamma_weeks:
            memory = rng.uniform(*world.gamma_weeks)
            pace = rng.gamma(1 / STEPS / memory, drift * memory, steps)
        if world.blows_a_week:
            often = rng.uniform(*world.blows_a_week)
            blows = rng.poisson(often / STEPS, steps)
            size = rng.gamma(np.maximum(blows, 1), drift / 2 / often)
            pace = pace / 2 + np.where(blows, size, 0.0)
        used = np.cumsum(pace + walk * rng.standard_normal(steps) / STEPS**0.5)
        path = curve(used)
        arrived = np.flatnonzero(path >= limit)
        if not arrived.size or arrived[0] >= seen * STEPS:
            break
    left = (arrived[0] - seen * STEPS) / STEPS if arrived.size else np.inf
    weeks = flat + seen
    course = np.concatenate([np.full(flat * STEPS, curve(np.zeros(1))[0]), path[: seen * STEPS]])
    rate = rng.uniform(*world.actuations)
    busy = np.concatenate([np.ones(flat * STEPS), busy])
    at = np.repeat(np.arange(busy.size), rng.poisson(rate / STEPS * busy)) / STEPS
    at = np.sort(at + rng.random(at.size) / STEPS)
    days = mechanics.memory_path(
        rng, 7 * weeks + 1, np.exp(-1 / rng.uniform(*world.mood_days)), rng.uniform(*world.mood))
    swing = rng.uniform(*world.season) if isinstance(world.season, tuple) else world.season
    season = swing * np.sin(2 * np.pi * at / 52 + rng.uniform(0, 2 * np.pi))
    log = course[(at * STEPS).astype(int)] + days[(at * 7).astype(int)] + season
    latency = healthy * np.exp(log + rng.uniform(*world.scatter) * rng.standard_normal(at.size))
    if world.poll_ms:
        latency = latency + world.poll_ms * rng.random(at.size)
    return weeks - at, latency, float(left), healthy * np.exp(limit), float(weeks)
