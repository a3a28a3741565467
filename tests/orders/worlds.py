"""Venues whose parts end in known ways: by wear that shows, by age at once, or on advice.

Nothing here is the program's own: the latency of a worn latch comes from printed tables and a
solenoid's equations (tests/forecasts/worlds.py), lives are drawn, and a place that loses its unit
gets another one within the week.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import timedelta
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

from remanence.analytics.history import History
from remanence.shared.tables import ACTUATIONS, SERVICE
from remanence.shared.venue_file import parse_venue
from remanence.shared.weeks import Week
from tests.forecasts.worlds import CURVES

WEEK = Week.parse("2026-W40")
STEPS = 4
"""Steps a week of the hidden paths."""
PART = "catch"
AFTER = 5
"""Commands that an ended unit leaves unanswered before it is replaced."""
ADVICE_RISE = 0.2
"""Natural log of the rise at which those who follow advice begin to replace a unit."""


@dataclass(frozen=True)
class OrderWorld:
    """A range of venues.

    ``age`` and ``onset``: Weibull scale (weeks of use, log-uniform between two bounds) and shape
    (uniform) of the life that ends at once and of the time until wear begins; None: never.
    ``early``: share of new units that end within their first weeks. ``advice``: chance a week that
    a unit whose wear shows is replaced before it meets its limit. ``drift``: margin used a week.
    """

    name: str
    age: tuple[tuple[float, float], tuple[float, float]] | None = None
    onset: tuple[tuple[float, float], tuple[float, float]] | None = None
    early: float = 0.0
    early_weeks: float = 4.0
    advice: float = 0.0
    drift: tuple[float, float] = (0.02, 0.12)
    locks: tuple[int, int] = (8, 24)
    weeks: tuple[int, int] = (52, 120)


_AGE = ((60.0, 240.0), (1.0, 3.5))
_ONSET = ((40.0, 160.0), (1.0, 3.0))
ORDER_WORLDS = (
    OrderWorld("wear only", onset=_ONSET),
    OrderWorld("age only", age=_AGE),
    OrderWorld("wear and age", age=((100.0, 400.0), (1.0, 3.5)), onset=((60.0, 240.0), (1.0, 3.0))),
    OrderWorld("infant mortality", age=((150.0, 500.0), (1.0, 3.0)), early=0.25),
    OrderWorld("replaced on advice", onset=_ONSET, advice=0.25),
    OrderWorld("wear, age and advice", age=((100.0, 400.0), (1.0, 3.5)),
               onset=((60.0, 240.0), (1.0, 3.0)), advice=0.1),
)


@dataclass
class Unit:
    """One unit's hidden fate: weeks of use from new."""

    ends_at: float
    onset: float
    drift: float
    walk: float
    curve: str
    healthy: float
    used: list[float] = field(default_factory=list)


@dataclass(frozen=True)
class Played:
    """A venue up to now, and how many units each of its futures wants.

    ``lead`` and ``year``: futures long; ``ends`` counts the ends in the log by their cause.
    """

    history: History
    lead: np.ndarray
    year: np.ndarray
    ends: dict[str, int]
    lead_days: int


class Parts:
    """One venue's kind of part: draws new units, and ends those that run."""

    def __init__(self, world: OrderWorld, rng: np.random.Generator) -> None:
        self.world, self.rng = world, rng

        def law(bounds):
            if bounds is None:
                return None
            scale, shape = bounds
            return float(np.exp(rng.uniform(*np.log(scale)))), float(rng.uniform(*shape))

        self.age, self.begin = law(world.age), law(world.onset)
        self.limit = float(np.log(rng.uniform(1.6, 4.0)))
        self.curve = str(rng.choice(list(CURVES)))
        self.healthy = float(rng.uniform(20, 40))
        self.drift = np.exp(rng.uniform(*np.log(world.drift)))
        grid = np.linspace(0, 1, 2001)
        rise = CURVES[self.curve](grid)
        # A latch that stalls first ends there.
        self.arrives = float(grid[min(np.searchsorted(rise, self.limit), grid.size - 1)])
        self.shows = float(grid[np.searchsorted(rise, ADVICE_RISE)])

    def _drawn(self, law, beyond: float = 0.0) -> float:
        """A life of this law, given that it is longer than ``beyond``."""
        if law is None:
            return np.inf
        scale, shape = law
        return float(scale * ((beyond / scale) ** shape + self.rng.exponential()) ** (1 / shape))

    def new(self) -> Unit:
        rng = self.rng
        ends = self._drawn(self.age)
        if rng.random() < self.world.early:
            ends = min(ends, rng.exponential(self.world.early_weeks))
        return Unit(ends, self._drawn(self.begin), self.drift * np.exp(0.3 * rng.standard_normal()),
                    float(rng.choice([0.0, 0.01, 0.02])), self.curve,
                    self.healthy * np.exp(0.05 * rng.standard_normal()))

    def again(self, unit: Unit) -> Unit:
        """The same unit with what no log shows drawn anew, given how old it is."""
        age = len(unit.used) / STEPS
        other = Unit(unit.ends_at, unit.onset, unit.drift, unit.walk, unit.curve, unit.healthy,
                     list(unit.used))
        early = self.world.early_weeks
        if self.world.early and age < 8 * early:
            # Which of the two kinds it is stays as it was drawn: only the time is drawn anew.
            other.ends_at = unit.ends_at
        else:
            other.ends_at = self._drawn(self.age, age)
        if unit.onset > age:
            other.onset = self._drawn(self.begin, age)
        return other

    def step(self, unit: Unit) -> str:
        """One step of use; the cause where the unit ends with it, else empty."""
        now = (len(unit.used) + 1) / STEPS
        used = unit.used[-1] if unit.used else 0.0
        if now > unit.onset:
            used += unit.drift / STEPS + unit.walk * self.rng.standard_normal() / STEPS**0.5
        unit.used.append(used)
        if now >= unit.ends_at:
            return "age"
        if used >= self.arrives:
            return "wear"
        if used >= self.shows and self.rng.random() < self.world.advice / STEPS:
            return "advice"
        return ""


def play_venue(world: OrderWorld, seed: int, futures: int = 40) -> Played:
    """One venue of a world: its log, and so many of its futures."""
    rng = np.random.default_rng([seed, *world.name.encode()])
    parts = Parts(world, rng)
    locks, weeks = int(rng.integers(*world.locks)), int(rng.integers(*world.weeks))
    before = int(rng.choice([0, rng.integers(4, 60)]))
    lead_days = int(rng.choice([14, 28, 42]))
    rate = rng.uniform(15, 40)
    frames, service, blocks, running = [], [], [], []
    ends: dict[str, int] = {"wear": 0, "age": 0, "advice": 0}
    end = WEEK.bounds(ZoneInfo("UTC"))[1]
    opened = end - timedelta(weeks=weeks + before)
    for i in range(locks):
        unit, name = parts.new(), f"d{i}"
        for step in range((before + weeks) * STEPS):
            cause = parts.step(unit)
            logged = step >= before * STEPS
            count = rng.poisson(rate / STEPS) if logged else 0
            at = np.sort(rng.random(count)) * 0.9 / STEPS + step / STEPS
            level = unit.healthy * np.exp(CURVES[unit.curve](np.full(count, unit.used[-1]))
                                          + 0.07 * rng.standard_normal(count))
            answered = np.ones(count, dtype=bool)
            if cause == "age" or (cause == "wear" and unit.used[-1] >= 1.0):
                answered[-AFTER:] = False
            frames.append((np.full(count, i), at, level, answered))
            if cause:
                day = (opened + timedelta(weeks=(step + 0.95) / STEPS)).date()
                service.append((day, name, "replaced", PART))
                if logged:
                    ends[cause] += 1
                unit = parts.new()
        running.append(unit)
        blocks.append(
            f'[[lock]]\nid = "{name}"\nguards = "container"\nmechanism = "latch"\nsupply = "r"\n'
            f'command = "c/q{i}"\ncontact = "c/i{i}"\ncontact_closed_when = "locked"\n'
            f'contact_senses = "catch"\npart = "{PART}"\ninstalled = {opened.date()}\n'
            f"release_within_ms = {parts.healthy * np.exp(parts.limit):.2f}\n")
    venue = parse_venue(
        '[venue]\nid = "v"\ntime_zone = "UTC"\n[[supply]]\nid = "r"\nrated_volts = 12\n'
        f'[[part]]\nid = "{PART}"\nlead_time_days = {lead_days}\n' + "".join(blocks))
    lock, at, level, answered = (np.concatenate(column) for column in zip(*frames, strict=True))
    rows = pl.DataFrame({"lock": lock, "at": at, "latency_ms": level, "answered": answered}).select(
        lock=pl.format("d{}", "lock"),
        command_time=pl.lit(opened) + pl.duration(microseconds=pl.col("at") * 7 * 86400e6),
        outcome=pl.when("answered").then(pl.lit("released")).otherwise(pl.lit("no-release")),
        pulse_ms=pl.lit(60000.0), latency_ms=pl.when("answered").then("latency_ms"),
        waited_ms=pl.when("answered").then("latency_ms").otherwise(60000.0),
        latency_from=pl.lit("catch"), resolution_ms=pl.lit(0.0), attempt=pl.lit(1))
    log = SERVICE.conform(pl.DataFrame(
        service, schema={"date": pl.Date, "lock": pl.String, "action": pl.String,
                         "part": pl.String}, orient="row"))
    history = History.of(venue, WEEK, actuations=ACTUATIONS.conform(rows), service=log)
    cover = round((lead_days + 7) / 7 * STEPS)
    lead, year = np.zeros(futures, dtype=int), np.zeros(futures, dtype=int)
    for future in range(futures):
        for unit in running:
            now = parts.again(unit)
            for step in range(52 * STEPS):
                if parts.step(now):
                    lead[future] += step < cover
                    year[future] += 1
                    now = parts.new()
    return Played(history, lead, year, ends, lead_days)
