"""A dozen sound locks on two rails and two controllers, whose log situations then change.

People, rails and locks are those of the campaign's machinery, which is not the program's own
physics. Half the seeds draw single releases from measured series of other fields, with their
heavy and lopsided tails.
"""

from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
import polars as pl

from remanence.analytics.history import History
from remanence.analytics.pairing.rules import pair
from remanence.shared.tables import CLOCK_EVENTS, SERVICE
from remanence.shared.venue import Lock, Part, Supply, Venue
from remanence.shared.weeks import Week
from tests.campaign.as_signals import signals_of
from tests.campaign.mechanics import memory_path
from tests.campaign.play import play
from tests.campaign.scenario import LockLife, RailLife, Scenario, _games

LATCHES = tuple(f"latch-{number}" for number in range(6))
CUTTERS = ("cutter-0", "cutter-1")
MAGNETS = ("magnet-0", "magnet-1", "small-0")
RAIL_OF = {
    "latch-0": "rail-a", "latch-1": "rail-a", "latch-2": "rail-a", "latch-3": "rail-a",
    "cutter-0": "rail-a", "magnet-0": "rail-a", "small-0": "rail-a",
    "latch-4": "rail-b", "latch-5": "rail-b", "cutter-1": "rail-b", "bolt-0": "rail-b",
    "magnet-1": "rail-b",
}
QUIET_START = date(2025, 3, 3)


@dataclass
class Log:
    """A played venue and its raw records, which a situation may change.

    ``records`` has ``time`` in microseconds, ``channel``, ``quantity`` and ``value``.
    """

    scenario: Scenario
    past: object
    records: pl.DataFrame
    service: list
    rng: np.random.Generator

    @property
    def venue(self):
        """The venue."""
        return self.scenario.venue

    def start_of(self, day):
        """Midnight of a day, microseconds UTC."""
        return int(self.past.day_start[day])

    def lock(self, name):
        """A lock of the venue."""
        return self.venue.locks_by_id[name]

    def change(self, chosen, **columns):
        """Change columns of the records that ``chosen`` selects."""
        self.records = self.records.with_columns(**{
            name: pl.when(chosen).then(value).otherwise(name).cast(self.records.schema[name])
            for name, value in columns.items()
        }).sort("time", maintain_order=True)

    def relock(self, name, **keys):
        """State a lock of the venue file otherwise."""
        locks = tuple(replace(lock, **keys) if lock.id == name else lock
                      for lock in self.venue.locks)
        self.scenario.venue = replace(self.venue, locks=locks)

    def work(self, day, lock, action):
        """Write an entry of the service log."""
        self.service.append((day, lock, action))

    def tables(self):
        """What the program's own pairing makes of it."""
        frame = self.records.with_columns(
            pl.from_epoch("time", "us").dt.replace_time_zone("UTC"),
            run=pl.lit(0), file=pl.lit("played"), line=pl.lit(1))
        paired = pair(frame.cast({"run": pl.Int64, "line": pl.Int64}), self.venue).tables()
        start = self.scenario.start
        service = SERVICE.conform(pl.DataFrame(
            [(start + timedelta(days=day), lock, action,
              "passed" if action == "release-tested" else None)
             for day, lock, action in sorted(self.service)],
            schema={"date": pl.Date, "lock": pl.String, "action": pl.String,
                    "result": pl.String}, orient="row"))
        return {**paired, "service": service, "clock_events": CLOCK_EVENTS.empty()}

    def histories(self, weeks):
        """The history as of each of these weeks, counted from the log's first."""
        frames = self.tables()
        first = Week.of(self.scenario.start)
        for number in weeks:
            yield number, History.of(self.venue, first.plus(number), **frames)


def sound(seed, *, weeks=12, leans=None, shape=None, happen=None):
    """A venue in which nothing is wrong; ``shape(scenario)`` may change it before it is played.

    ``happen(past)`` may change what happened, before it is written down.
    """
    rng = np.random.default_rng([seed, 0x517])
    days = 7 * weeks
    rails = {name: _rail(rng, name, number, days) for number, name in enumerate(
        ("rail-a", "rail-b"))}
    lives = [_life(rng, name, number, rails, days, leans)
             for number, name in enumerate(RAIL_OF)]
    venue = Venue(
        id=f"small-{seed}", name="Small venue", time_zone="Europe/Lisbon",
        supplies=tuple(rail.supply for rail in rails.values()),
        parts=(Part("latch"), Part("magnet")), locks=tuple(life.lock for life in lives))
    ordinal = np.arange(days)
    celsius = 20.0 + 5.0 * np.cos((ordinal + rng.integers(0, 365)) / 365.25 * 2 * np.pi)
    scenario = Scenario(
        seed, True, bool(seed % 2), venue, QUIET_START, weeks, rng, lives, rails,
        {"plc0": 1.0, "plc1": 1.0}, celsius + memory_path(rng, days, 0.7, 1.0),
        memory_path(rng, days, 0.7, 0.004), np.maximum(_games(rng, days), 3))
    if shape is not None:
        shape(scenario)
    past = play(scenario)
    if happen is not None:
        happen(past)
    records = signals_of(past).select(
        pl.col("time").dt.epoch("us"), "channel", "quantity", "value")
    service = [(day, life.lock.id, "release-tested") for life in lives
               if life.lock.on_way_out for day in range(0, days, 28)]
    return Log(scenario, past, records, service, rng)


def life_of(scenario, name):
    """What a lock is like."""
    return next(life for life in scenario.locks if life.lock.id == name)


def _rail(rng, name, number, days):
    return RailLife(
        Supply(name, 12.0, channel=f"plc{number}/v{number}", rated_amps=20.0,
               source="mains", measured_at="supply"),
        idle_volts=12.0 * float(rng.uniform(1.0, 1.02)),
        source_ohms=float(rng.uniform(0.08, 0.2)), noise_volts=float(rng.uniform(0.006, 0.015)),
        sample_ms=float(rng.choice([1.0, 2.0, 5.0])),
        wander=memory_path(rng, days, 0.7, 0.02), low_from=0, low_until=0, low_volts=0.0)


def _life(rng, name, number, rails, days, leans):
    kind = name.split("-")[0]
    magnet = kind in ("magnet", "small")
    amps = {"magnet": 0.5, "small": 0.25}.get(kind) or float(rng.uniform(0.8, 1.6))
    controller = f"plc{number % 2}"
    lock = Lock(
        id=name, guards="doorway" if kind == "magnet" else "container",
        mechanism="magnet" if magnet else "bolt" if kind == "bolt" else "latch",
        released_by="power-off" if magnet else "power-on", supply=RAIL_OF[name],
        command=f"{controller}/q{number}", room=f"Room {number // 4 + 1}",
        contact=None if name == "cutter-1" else f"{controller}/i{number}",
        contact_closed_when="locked", contact_senses="armature" if magnet else "catch",
        self_cut=kind == "cutter", suppression="diode", rated_volts=12.0,
        coil_ohms=round(12.0 / amps, 1), max_on_ms=None if magnet else 2000.0,
        duty_percent=None if magnet else 10.0,
        holding_newtons=600.0 if magnet else None, cable_metres=6.0, cable_mm2=0.75,
        part="magnet" if magnet else "latch", installed=QUIET_START - timedelta(days=200))
    usual = {"magnet": 400.0, "small": 40.0, "bolt": 50.0}.get(kind, 26.0)
    return LockLife(
        lock, base_ms=usual * float(np.exp(rng.normal(0, 0.15))),
        scatter=float(rng.uniform(0.04, 0.1)),
        wander=memory_path(rng, days, float(rng.uniform(0.3, 0.8)), 0.012),
        per_game=float(rng.choice([0.7, 1.0, 1.3])),
        leans=float(rng.uniform(0.01, 0.08)) if leans is None else leans,
        pulse_ms=float(rng.choice([300.0, 400.0])), new_pulse_ms=300.0, new_pulse_day=10**6,
        scan_ms=1.0, tied=False, bounce=float(rng.uniform(0.2, 1.0)),
        forgets=float(rng.uniform(0.001, 0.006)), by_hand=float(rng.uniform(0.01, 0.03)),
        no_release=0.0005, program_retries=bool(rng.random() < 0.7), replay=False)
