"""What a health report says, as numbers: gathered first, rendered later.

Every figure that stands on a page is a field here; the pages compute nothing.
Times are in the venue's own zone, since only people read them from here on.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from remanence.analytics.health.lock_state import Counts, LockState
from remanence.analytics.health.physics_model import PhysicsSummary
from remanence.analytics.physics.regimes import Regime
from remanence.shared.absent import Absent
from remanence.shared.findings import Finding
from remanence.shared.venue import Lock, Supply, Venue
from remanence.shared.weeks import Week


@dataclass(frozen=True)
class Estimate:
    """A figure, its 95 % limits and how many events it rests on; null where not known."""

    value: float | None = None
    low: float | None = None
    high: float | None = None
    n: int = 0


@dataclass(frozen=True)
class WeekPoint:
    """One week of one lock. Latencies in ms; null where the week could not tell."""

    week: Week
    counts: Counts
    median_ms: float | None
    low_ms: float | None
    high_ms: float | None
    p95_ms: float | None


@dataclass(frozen=True)
class Histogram:
    """Shares of releases between neighbouring edges, this week and in the baseline."""

    edges_ms: tuple[float, ...]
    now: tuple[float, ...]
    before: tuple[float, ...]
    now_n: int
    before_n: int


@dataclass(frozen=True)
class VoltsBin:
    """Latencies at one level of loaded volts: middle and the middle 80 %."""

    volts: float
    median_ms: float
    low_ms: float
    high_ms: float
    n: int
    recent: bool


@dataclass(frozen=True)
class Pulses:
    """How long the releasing commands of the week lasted, against the latency they must outlast."""

    median_ms: float
    shortest_ms: float
    longest_ms: float
    n: int
    edges_ms: tuple[float, ...]
    counts: tuple[int, ...]
    ended_before_release: int


@dataclass(frozen=True)
class Trace:
    """The raw signals around one command. Times in ms after the command."""

    key: str
    role: str
    at: datetime
    outcome: str
    latency_ms: float | None
    command: tuple[tuple[float, float], ...]
    contact: tuple[tuple[float, float], ...]
    volts: tuple[tuple[float, float], ...]
    volts_step_ms: float | None = None
    """Usual time between two readings of the rail; where it is much longer, none were logged."""


@dataclass(frozen=True)
class Alone:
    """One opening with no releasing command."""

    at: datetime
    energised: bool
    open_ms: float | None
    since_command_ms: float | None
    other_lock: str | None


@dataclass(frozen=True)
class Heat:
    """Coil temperature of a lock this week, as estimated; see ``method``."""

    highest_celsius: float | None
    low_celsius: float | None
    high_celsius: float | None
    bears_celsius: float | None
    method: str
    longest_on_ms: float | None
    busiest_duty_percent: float | None
    at: datetime | None = None
    curve_minutes: tuple[tuple[float, float], ...] = ()
    """Minutes after the hottest moment, and degrees Celsius; empty where it stayed cool."""


@dataclass(frozen=True)
class ServiceMark:
    """One line of the service log."""

    day: date
    lock: str
    action: str
    part: str
    note: str
    result: str = ""


@dataclass(frozen=True)
class Episode:
    """A condition that earlier reports said of a subject, over consecutive weeks."""

    condition: str
    first: Week
    last: Week


@dataclass(frozen=True)
class FaultMeasure:
    """The quantity that shows a lock's fault, week by week; see ``fault_measures``."""

    id: str
    unit: str
    condition: str
    """Of the finding that it shows."""
    weeks: tuple[tuple[Week, float], ...]


@dataclass(frozen=True)
class LockHealth:
    """Everything a lock's page says."""

    lock: Lock
    known: LockState
    """State, findings, silence and counts of the week, as every sheet says them."""
    now: Estimate
    before: Estimate
    p95_now: Estimate
    p95_before: Estimate
    change_percent: Estimate
    """Of the median against the baseline, with the limits that both intervals leave."""
    band_low_ms: float | None
    band_high_ms: float | None
    baseline_from: date | None
    baseline_to: date | None
    kind: str | None
    resolution_ms: float | None
    weeks: tuple[WeekPoint, ...]
    histogram: Histogram | None
    volts: tuple[VoltsBin, ...]
    pulses: Pulses | None
    traces: tuple[Trace, ...]
    heat: Heat | None
    service: tuple[ServiceMark, ...]
    episodes: tuple[Episode, ...]
    unanswered_now: Estimate
    unanswered_before: Estimate
    alone: tuple[Alone, ...] = ()
    """The week's openings with no command, the newest first; see ``week.opened_alone``."""
    fault: FaultMeasure | None = None
    """What the first figure of its page draws; None: its time to release shows the fault."""

    @property
    def state(self) -> str:
        """One of :data:`~remanence.shared.findings.STATES`."""
        return self.known.state

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Of this lock, most urgent first."""
        return self.known.findings

    @property
    def silence(self) -> str:
        """Why there is too little data; empty where there is enough."""
        return self.known.silence

    @property
    def week(self) -> Counts:
        """The week's commands and openings."""
        return self.known.week

    def as_json(self) -> dict[str, Any]:
        """This lock's object in ``findings.json``; figures that are not known are null."""
        return {
            "lock": self.lock.id, **self.known.as_json(),
            "actuations": self.week.commands, "released": self.week.released,
            "already_open": self.week.already_open,
            "unobserved": self.week.unobserved, "retries": self.week.retries,
            "openings": self.week.opened_alone, "latency_from": self.kind,
            "latency_ms": _as_json(self.now), "latency_before_ms": _as_json(self.before),
            "latency_p95_ms": _as_json(self.p95_now),
            "latency_p95_before_ms": _as_json(self.p95_before),
            "resolution_ms": self.resolution_ms,
        }


@dataclass(frozen=True)
class RailWeek:
    """One week of one rail, in volts."""

    week: Week
    idle: float | None
    idle_low: float | None
    idle_high: float | None
    loaded_low: float | None
    ripple: float | None


@dataclass(frozen=True)
class SagPoint:
    """What the locks' loads take off the rail at about one load."""

    lock: str
    amps: float
    sag_volts: float
    sag_low: float
    sag_high: float
    n: int


@dataclass(frozen=True)
class DeepSag:
    """One of the week's lowest moments of a rail."""

    at: datetime
    lock: str
    volts_before: float | None
    volts_min: float
    others_on: int
    with_locks: tuple[str, ...] = ()
    """Other pulsed locks of the rail that were on while this command lasted."""


@dataclass(frozen=True)
class Margin:
    """How far one lock's rail stays above what locks are tested to work at."""

    lock: str
    lowest_volts: float
    limit_volts: float
    margin_volts: float
    n: int


@dataclass(frozen=True)
class SupplyHealth:
    """Everything a supply's page says."""

    supply: Supply
    state: str
    findings: tuple[Finding, ...]
    silence: str
    idle: Estimate
    idle_before: Estimate
    loaded_low: float | None
    ripple_volts: float | None
    resistance_ohms: Estimate
    resistance_before_ohms: Estimate
    weeks: tuple[RailWeek, ...]
    sags: tuple[SagPoint, ...]
    deepest: tuple[DeepSag, ...]
    margins: tuple[Margin, ...]
    low_limit_volts: float
    high_limit_volts: float
    loaded_limit_volts: float
    locks: tuple[str, ...]


@dataclass(frozen=True)
class ControllerHealth:
    """One controller: what it logged and whether its clock can be believed."""

    controller: str
    state: str
    findings: tuple[Finding, ...]
    records: int
    hours: int
    last: datetime | None
    longest_silence_s: float | None
    restarts: int
    resolution_ms: float | None
    clock_events: int
    clock_unmended: int
    locks: int


@dataclass(frozen=True)
class Mended:
    """One piece of work on a lock and what the log shows of its effect."""

    mark: ServiceMark
    verdict: str
    """better, worse, same, too-few or unobserved."""
    before: Estimate
    after: Estimate
    unanswered_before: Estimate
    unanswered_after: Estimate
    smallest_change_percent: float | None


@dataclass(frozen=True)
class Job:
    """One job: a subject (or several with the same due test) and why."""

    subjects: tuple[str, ...]
    kind: str
    rooms: tuple[str, ...]
    state: str
    lead: Finding
    others: tuple[Finding, ...]
    part: str | None
    part_in_stock: int | None


@dataclass(frozen=True)
class Untold:
    """What the log could not tell."""

    days_logged: int
    days: tuple[tuple[date, bool], ...]
    gaps: tuple[Finding, ...]
    silent_locks: tuple[tuple[str, str, int], ...]
    """Lock, reason (see ``LockHealth.silence``), commands of the week."""
    clock_events: tuple[tuple[str, datetime, str, float | None, bool], ...]
    """Controller, when, kind, seconds, mended."""
    coarse: tuple[tuple[str, float], ...]
    """Controllers that stamp too coarsely to time a latch, with their step in ms."""
    rejected: int
    rejected_reasons: tuple[tuple[str, int], ...]
    never_came: tuple[Absent, ...] = ()
    changed: tuple[Regime, ...] = ()
    """Measuring regimes that began this week: no fault, and what came before is not like it."""


@dataclass(frozen=True)
class Compared:
    """A count of the week and the mean of the four weeks before it."""

    now: int
    usual: float | None


@dataclass(frozen=True)
class Health:
    """One venue's week, whole."""

    venue: Venue
    week: Week
    version: str
    heard: bool
    """Whether anything at all was logged in the week."""
    last_record: datetime | None
    jobs: tuple[Job, ...]
    plans: tuple[Job, ...]
    watch: tuple[Finding, ...]
    locks: tuple[LockHealth, ...]
    supplies: tuple[SupplyHealth, ...]
    controllers: tuple[ControllerHealth, ...]
    mended: tuple[Mended, ...]
    untold: Untold
    numbers: tuple[tuple[str, Compared], ...]
    unanswered: Estimate
    service_set_aside: tuple[str, ...] = ()
    """Lines of the service log that could not be taken up, each with its reason."""
    ended: tuple[Finding, ...] = ()
    """What earlier reports said and is over since the last of them."""
    physics: PhysicsSummary | None = None
    """What the models of coil, magnet, cable and rail say; None where it was not asked for."""

    @property
    def venue_id(self) -> str:
        """The venue's id."""
        return self.venue.id

    def count(self, state: str) -> int:
        """How many locks are in ``state``."""
        return sum(lock.state == state for lock in self.locks)


def _as_json(estimate: Estimate) -> dict[str, float | int | None]:
    def rounded(value: float | None) -> float | None:
        return None if value is None else round(value, 3)

    return {"value": rounded(estimate.value), "low": rounded(estimate.low),
            "high": rounded(estimate.high), "n": estimate.n}
