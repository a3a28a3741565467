"""Draw a venue at random: its locks, rails and controllers, its people, and its faults.

Every venue, healthy or not, has all confounders: wander of days with memory, a
season of 8 K either way, players who load the catch, scatter of 3 to 12 %, scan
periods of 1 to 20 ms, busy and closed days, staff who forget to close, openings
by hand, retries by the program, a pulse that the program changed, and a spell in
which one rail is low and makes all its locks slow.
"""

from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np

from remanence.shared.venue import Lock, Part, Supply, Venue

ZONES = ("Europe/Lisbon", "Europe/Helsinki", "America/Denver", "Asia/Tokyo", "Australia/Perth")

FIRST_SCORED_WEEK = 8
"""Weeks before this (counted from 0) only give the locks a past."""


@dataclass
class Fault:
    """One fault that was put in. Days count from the log's first."""

    subject: str
    subject_kind: str
    condition: str
    since_day: int
    shape: str
    size: float
    mended_day: int | None = None
    useless_repair_day: int | None = None
    partner: str | None = None
    reached_day: int | None = None
    """First day on which the change is as large as the goals ask to be seen (12 % for
    latencies; the first day itself for steps)."""
    visible: bool = True
    """False where the controller polls too coarsely for a change of that size to show."""

    @property
    def slow(self):
        """Whether it grows rather than happens."""
        return self.shape in ("ramp", "hockey")

    def there(self, day):
        """Whether it is there on that day."""
        return day >= self.since_day and (self.mended_day is None or day < self.mended_day)

    def growth(self, days, full_days=None):
        """Share of its size reached on each of ``days``, 0 while it is not there."""
        days = np.asarray(days, float)
        there = (days >= self.since_day) & (
            days < (np.inf if self.mended_day is None else self.mended_day)
        )
        if not self.slow:
            return there.astype(float)
        return np.where(there, np.clip((days - self.since_day) / self.grows_days, 0, 1), 0.0)

    grows_days: int = 42


@dataclass
class LockLife:
    """What a lock is like and how it is used, apart from its faults."""

    lock: Lock
    base_ms: float
    scatter: float
    wander: np.ndarray
    per_game: float
    leans: float
    pulse_ms: float
    new_pulse_ms: float
    new_pulse_day: int
    scan_ms: float
    tied: bool
    bounce: float
    forgets: float
    by_hand: float
    no_release: float
    program_retries: bool
    replay: bool
    refit_day: int | None = None
    refit_shift: float = 0.0


@dataclass
class RailLife:
    """What a rail is like."""

    supply: Supply
    idle_volts: float
    source_ohms: float
    noise_volts: float
    sample_ms: float
    wander: np.ndarray
    low_from: int
    low_until: int
    low_volts: float


@dataclass
class Scenario:
    """A venue with everything that is true of it."""

    seed: int
    healthy: bool
    replay: bool
    venue: Venue
    start: date
    weeks: int
    rng: np.random.Generator
    locks: list[LockLife]
    rails: dict[str, RailLife]
    scans: dict[str, float]
    celsius: np.ndarray
    common: np.ndarray
    games: np.ndarray
    faults: list[Fault] = field(default_factory=list)
    confounder_faults: list[Fault] = field(default_factory=list)

    @property
    def days(self):
        """How many days the log covers."""
        return 7 * self.weeks

    def faults_of(self, subject, *conditions):
        """Its faults, of those conditions if any are named."""
        return [
            f for f in self.faults
            if f.subject == subject and (not conditions or f.condition in conditions)
        ]


def draw(seed, *, weeks=26, healthy=None, replay=None, locks=None):
    """A scenario from its seed: odd seeds have faults, every third replays real shapes."""
    from tests.campaign import faults
    from tests.campaign import replay as played
    from tests.campaign.mechanics import memory_path

    rng = np.random.default_rng([seed, 0x5EED])
    healthy = seed % 2 == 0 if healthy is None else healthy
    replay = (seed // 2) % 3 == 0 if replay is None else replay
    # Mondays of some 18 months, so that the season's phase differs.
    start = date(2025, 3, 3) + timedelta(weeks=int(rng.integers(0, 76)))
    days = 7 * weeks
    zone = ZONES[rng.integers(len(ZONES))]
    scans = _controllers(rng)
    rails = _rails(rng, days, healthy)
    count = locks or int(rng.integers(24, 41))
    lives = [
        _lock(rng, number, rails, scans, days, start, replay) for number in range(count)
    ]
    used = {life.lock.supply for life in lives}
    rails = {name: rail for name, rail in rails.items() if name in used}
    venue = Venue(
        id=f"campaign-{seed}", name=f"Campaign venue {seed}", time_zone=zone,
        supplies=tuple(rail.supply for rail in rails.values()),
        parts=(Part("latch"), Part("magnet")), locks=tuple(life.lock for life in lives),
    )
    ordinal = np.array([(start + timedelta(days=n)).timetuple().tm_yday for n in range(days)])
    celsius = 20.0 + 8.0 * np.cos((ordinal - rng.integers(190, 220)) / 365.25 * 2 * np.pi)
    common = memory_path(rng, days, 0.7, 0.006)
    if replay:
        common = played.day_wander(rng, days, 0.006)
    scenario = Scenario(
        seed, healthy, replay, venue, start, weeks, rng, lives, rails, scans,
        celsius + memory_path(rng, days, 0.7, 1.2), common, _games(rng, days),
    )
    faults.put_in(scenario)
    return scenario


def _controllers(rng):
    scans = rng.choice([1.0, 2.0, 5.0, 10.0, 20.0], size=int(rng.integers(2, 4)),
                       p=[0.3, 0.2, 0.2, 0.2, 0.1])
    return {f"plc{n}": float(scan) for n, scan in enumerate(scans)}


def _rails(rng, days, healthy):
    from tests.campaign.mechanics import memory_path

    rails = {}
    for number in range(int(rng.integers(2, 4))):
        volts = float(rng.choice([12.0, 24.0], p=[0.65, 0.35]))
        battery = number >= 1 and volts == 12.0 and rng.random() < 0.35
        name = f"rail-{number}"
        low_from = int(rng.integers(20, days - 25))
        rails[name] = RailLife(
            Supply(name, volts, channel=f"plc{min(number, 1)}/v{number}", rated_amps=20.0,
                   source="battery" if battery else "mains", measured_at="supply"),
            idle_volts=volts * float(rng.uniform(0.995, 1.03)),
            source_ohms=float(rng.uniform(0.06, 0.22)) * (volts / 12.0),
            noise_volts=float(rng.uniform(0.006, 0.02)),
            sample_ms=float(rng.choice([1.0, 2.0, 5.0, 10.0], p=[0.2, 0.2, 0.4, 0.2])),
            wander=memory_path(rng, days, 0.7, 0.0025 * volts),
            low_from=low_from, low_until=low_from + int(rng.integers(10, 30)), low_volts=0.0,
        )
    # One rail has a low spell: its locks are slow, and none of them is at fault.
    chosen = rails[str(rng.choice(sorted(rails)))]
    chosen.low_volts = chosen.supply.rated_volts * float(rng.uniform(0.04, 0.09))
    return rails


def _lock(rng, number, rails, scans, days, start, replay):
    from tests.campaign import replay as played
    from tests.campaign.mechanics import memory_path

    kind = str(rng.choice(
        ["latch", "self-cut", "bare", "unknown", "bolt", "strike", "large", "small", "door"],
        p=[0.42, 0.13, 0.05, 0.05, 0.05, 0.04, 0.14, 0.07, 0.05],
    ))
    rail = rails[str(rng.choice(sorted(rails)))].supply
    controller = str(rng.choice(sorted(scans)))
    volts, magnet = rail.rated_volts, kind in ("large", "small", "door")
    contact = kind != "bare" and not (kind == "small" and rng.random() < 0.4)
    contact = contact and not (kind == "self-cut" and rng.random() < 0.35)
    amps = {"large": 0.5, "door": 0.5, "small": 0.25}.get(kind, float(rng.uniform(0.8, 1.8)))
    amps *= 12.0 / volts
    way_out = kind in ("large", "door") and rng.random() < 0.8
    max_on = float(rng.choice([1000.0, 2000.0, 5000.0]))
    lock = Lock(
        id=f"lock-{number:02d}", guards="doorway" if way_out else "container",
        mechanism="magnet" if magnet else kind if kind in ("bolt", "strike") else "latch",
        released_by="power-off" if magnet else "power-on", supply=rail.id,
        command=f"{controller}/q{number}", room=f"Room {number // 8 + 1}",
        contact=f"{controller}/i{number}" if contact else None,
        contact_closed_when="unknown" if kind == "unknown" else str(
            rng.choice(["locked", "open"], p=[0.85, 0.15])),
        contact_senses="door" if kind == "door" else "armature" if magnet else "catch",
        self_cut=kind == "self-cut",
        suppression=str(rng.choice(["diode", "tvs"], p=[0.85, 0.15])), rated_volts=volts,
        coil_ohms=round(volts / amps, 1), max_on_ms=None if magnet else max_on,
        duty_percent=None if magnet else 10.0,
        holding_newtons=2700.0 if kind in ("large", "door") else 600.0 if magnet else None,
        cable_metres=_cable_metres(rng, volts, amps), cable_mm2=0.75,
        part="magnet" if magnet else "latch",
        installed=start - timedelta(days=int(rng.integers(40, 500))),
    )
    deviation = float(rng.uniform(0.005, 0.022))
    wander = memory_path(rng, days, float(rng.uniform(0.3, 0.85)), deviation)
    if replay:
        wander = played.day_wander(rng, days, deviation)
    usual = {"large": 400.0, "door": 380.0, "small": 40.0, "bolt": 50.0}.get(kind, 26.0)
    if kind == "large" and lock.suppression == "tvs":
        usual = 60.0
    spread = {"large": 0.22, "door": 0.22, "small": 0.28}.get(kind, 0.18)
    pulse = float(rng.choice([200.0, 250.0, 300.0, 400.0]))
    refit = rng.random() < 0.08
    return LockLife(
        lock, base_ms=usual * float(np.exp(rng.normal(0, spread))),
        scatter=float(rng.uniform(0.03, 0.12)), wander=wander,
        per_game=float(rng.choice([0.35, 0.7, 1.0, 1.3], p=[0.1, 0.2, 0.45, 0.25])),
        leans=float(rng.uniform(0.02, 0.2)), pulse_ms=pulse,
        new_pulse_ms=pulse * float(rng.choice([1.0, 0.8, 1.5], p=[0.6, 0.2, 0.2])),
        new_pulse_day=int(rng.integers(30, days - 10)), scan_ms=scans[controller],
        tied=int(controller[-1]) % 3 == 2, bounce=float(rng.uniform(0.1, 1.5)),
        forgets=float(rng.uniform(0.001, 0.010)), by_hand=float(rng.uniform(0.01, 0.05)),
        no_release=float(rng.uniform(0.0002, 0.0015)), program_retries=rng.random() < 0.7,
        replay=replay, refit_day=int(rng.integers(30, days - 20)) if refit else None,
        refit_shift=float(rng.normal(0, 0.12)),
    )


def _cable_metres(rng, volts, amps):
    """A run that its fitter thought of: at most 5 % of the volts are lost in it."""
    longest = 0.05 * volts / amps / (2 * 0.0175 / 0.75)
    return float(np.round(min(rng.uniform(4, 30), longest), 1))


def _games(rng, days):
    """Games on each day from a Monday: quiet, busy, closed."""
    closed_weekday = int(rng.integers(0, 4))
    usual = np.array([5, 5, 5, 5, 7, 9, 8])[np.arange(days) % 7]
    games = np.maximum(rng.poisson(usual * float(rng.uniform(0.8, 1.15))), 1)
    games[np.arange(days) % 7 == closed_weekday] = 0
    games[rng.random(days) < 0.03] = 0
    if rng.random() < 0.4:  # a holiday of a week
        first = int(rng.integers(0, days - 7))
        games[first:first + 7] = 0
    busy = int(rng.integers(0, days - 10))
    games[busy:busy + 10] = (games[busy:busy + 10] * 1.5).astype(int)
    return np.minimum(games, 13)
