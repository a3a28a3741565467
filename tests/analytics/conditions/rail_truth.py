"""``python -m tests.analytics.conditions.rail_truth``: rail figures against drawn rails.

A rail is an open voltage behind a resistance; coils are copper at the temperature of their room,
which has a season and a memory of days. At some day the source resistance rises, or one coil draws
more; the week's figure is held against what was drawn.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from datetime import timedelta
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

from remanence.analytics.conditions.coil_circuit import coil_current_high
from remanence.analytics.conditions.supply import supply_sag
from remanence.analytics.history import History
from remanence.analytics.statistics.arrays import Reals
from remanence.shared.tables import ACTUATIONS
from remanence.shared.venue import Lock, Supply, Venue
from remanence.shared.weeks import Week
from tests.campaign.mechanics import memory_path

WEEK = Week.parse("2026-W40")
COPPER = 0.00393
SAG = "sag-per-ampere-against-before"
CURRENT = "current-against-its-own-past-rail-s-change-taken-out"


@dataclass(frozen=True)
class RailWorld:
    """A range of rails. ``season``: kelvin either way over a year; ``weather``: kelvin by days.

    ``beside``: by so many kelvin, either way over a year, the room of a sound second rail differs.
    """

    name: str
    season: tuple[float, float]
    weather: tuple[float, float] = (0.5, 2.0)
    weeks: tuple[int, int] = (10, 52)
    creeps: bool = False
    beside: tuple[float, float] | None = None


RAIL_WORLDS = (
    RailWorld("heated rooms", (0.0, 3.0)),
    RailWorld("a season of 3 to 8 K", (3.0, 8.0)),
    RailWorld("a season of 8 to 12 K", (8.0, 12.0)),
    RailWorld("rises over weeks", (0.0, 8.0), creeps=True),
    RailWorld("a season of 8 to 12 K, a second rail", (8.0, 12.0), beside=(0.0, 3.0)),
)


@dataclass(frozen=True)
class Told:
    """One figure: its interval and the truth, in per cent of before."""

    what: str
    low: float
    now: float
    high: float
    truth: float

    @property
    def held(self) -> bool:
        return self.low <= self.truth <= self.high


def drawn_rail(world: RailWorld, seed: int, fault: str) -> tuple[History, float]:
    """The log of one rail, and what its figure of the week would be without chance."""
    rng = np.random.default_rng([seed, *world.name.encode(), *fault.encode()])
    weeks, coils = int(rng.integers(*world.weeks)), int(rng.integers(3, 9))
    days = 7 * weeks
    began = days - 7 * min(int(rng.integers(1, 16)), weeks - 6) + int(rng.integers(0, 4))
    at = np.arange(days)
    size = float(np.exp(rng.uniform(np.log(0.2), np.log(1.0))))
    grown = np.where(at >= began, 1.0, 0.0)
    if world.creeps:
        grown = np.clip((at - began + 1) / rng.uniform(7, 42), 0.0, 1.0)
    course = 1.0 + size * grown
    season = rng.uniform(*world.season) * np.cos(
        2 * np.pi * (at / 365.25 + rng.random()))
    warm = 1.0 + COPPER * (season + memory_path(rng, days, 0.7, rng.uniform(*world.weather)))
    source = rng.uniform(0.06, 0.22) * np.ones(days)
    if fault == "rail":
        source = source * course
    noise, volts = rng.uniform(0.006, 0.02), memory_path(rng, days, 0.7, 0.03) + 12.2
    open_days = rng.random(days) < rng.uniform(0.6, 1.0)
    open_days[-7:] = True
    end = WEEK.bounds(ZoneInfo("UTC"))[1]
    start = end - timedelta(days=days)
    mood, memory = np.exp(rng.uniform(*np.log((0.002, 0.015)))), rng.uniform(0.3, 0.8)
    locks, frames = [], []

    def add(name: str, rail: str, source: Reals, warm: Reals, course: Reals | float) -> None:
        ohms = float(rng.choice([6.0, 8.0, 10.0, 12.0, 16.0]))
        locks.append(Lock(
            id=name, guards="container", mechanism="latch", released_by="power-on",
            supply=rail, command=f"c/q-{name}", contact=f"c/i-{name}",
            contact_closed_when="locked", contact_senses="catch", coil_ohms=ohms))
        own = ohms * rng.uniform(0.95, 1.05) * warm * np.exp(memory_path(rng, days, memory, mood))
        own = own / course
        count = rng.poisson(rng.uniform(3, 10), days) * open_days
        day = np.repeat(at, count)
        ideal = volts[day] * source[day] / (source[day] + own[day])
        sag = ideal + noise / 3 * rng.standard_normal(day.size)
        before = volts[day] + noise / 3 * rng.standard_normal(day.size)
        frames.append(pl.DataFrame({
            "lock": [name] * day.size, "day": day,
            "minute": 600 + np.sort(rng.integers(0, 600, day.size)) + len(frames) / 60,
            "volts_before": before, "sag_volts": sag, "volts_min": before - sag,
        }))

    for i in range(coils):
        add(f"d{i}", "rail", source, warm, course if fault == "coil" and i == 0 else 1.0)
    if world.beside is not None:
        apart = rng.uniform(*world.beside) * np.cos(2 * np.pi * (at / 365.25 + rng.random()))
        for i in range(int(rng.integers(3, 6))):
            add(f"e{i}", "second", np.full(days, 0.15), warm + COPPER * apart, 1.0)
    venue = Venue(
        id="v", name="V", time_zone="UTC", locks=tuple(locks),
        supplies=tuple(Supply(id=name, rated_volts=12.0, channel=name, rated_amps=15.0)
                       for name in ("rail", "second")))
    rows = pl.concat(frames).with_columns(
        command_time=pl.lit(start) + pl.duration(
            days=pl.col("day"), microseconds=(pl.col("minute") * 60e6).cast(pl.Int64)),
        outcome=pl.lit("released"), pulse_ms=pl.lit(200.0), latency_ms=pl.lit(30.0),
        waited_ms=pl.lit(30.0), attempt=pl.lit(1), others_on=pl.lit(0),
        volts_noise=pl.lit(noise), sample_ms=pl.lit(5.0)).drop("day", "minute")
    # What the week shows of the fault: its days since then.
    truth = course[at >= max(days - 7, began)].mean()
    return History.of(venue, WEEK, actuations=ACTUATIONS.conform(rows)), 100.0 * float(truth)


def told(world: RailWorld, seed: int, fault: str) -> Told | None:
    """The figure of one drawn rail; None where nothing is told of it."""
    history, truth = drawn_rail(world, seed, fault)
    found = supply_sag(history) if fault == "rail" else coil_current_high(history)
    for item in found:
        for e in item.evidence:
            if e.id in (SAG, CURRENT) and (fault == "rail" or item.subject == "d0"):
                return Told(e.id, e.now_low, e.now, e.now_high, truth)
    return None


def line(name: str, found: list[Told]) -> str:
    held = [item.held for item in found]
    count = len(found)
    return (f"| {name} | {count} | {100 * np.mean(held):.1f} ± "
            f"{100 * np.sqrt(0.95 * 0.05 / count):.1f} % "
            f"| {100 * np.mean([t.truth < t.low for t in found]):.1f} % "
            f"| {100 * np.mean([t.truth > t.high for t in found]):.1f} % "
            f"| {np.median([t.high - t.low for t in found]):.1f} "
            f"| {np.mean([t.now - t.truth for t in found]):+.1f} |")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rails", type=int, default=70, help="rails a world (default 70)")
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--only", nargs="*", help="names of the worlds (default all)")
    given = parser.parse_args()
    for fault, title in (("rail", "Sag per ampere, against before"),
                         ("coil", "Current against its own past")):
        print(f"\n| {title} | told | 95 % held | truth below | truth above | width, points "
              "| mean error, points |\n" + "| --- " * 7 + "|")
        every: list[Told] = []
        for world in RAIL_WORLDS:
            if given.only is not None and world.name not in given.only:
                continue
            found = [item for seed in range(given.seed, given.seed + given.rails)
                     if (item := told(world, seed, fault)) is not None]
            every += found
            print(line(world.name, found), flush=True)
        print(line("all together", every), flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
