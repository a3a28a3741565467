"""What is known of a lock's timing, as plain numbers that an answer can be computed from.

The fit (:mod:`analytics.timing_fit`) is done once; the answers (:mod:`analytics.timing_answer`)
follow from these numbers by simple arithmetic, which the page repeats in the browser.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import Any

from analytics.timing_misses import MissRate

QUANTILES = (0.05, 0.25, 0.5, 0.75, 0.9, 0.95, 0.99, 0.995)
"""Latency quantiles that the sheet prints."""

TARGETS = (0.9, 0.95, 0.98, 0.99, 0.995, 0.998, 0.999, 0.9995, 0.9999)
"""Release probabilities that a pulse is worked out for."""

CURVE = (0.1, 0.25, 0.5, 0.75)
"""Further shares at which the bound is taken, for the drawn curve alone."""

RISKS = (0.05, 0.02, 0.01, 0.005, 0.002, 0.001, 0.0005, 0.0001)
"""Chances of a false alarm that a wait is worked out for."""

POINTS = 200
"""Equally likely values that stand for a lock's distribution."""


def key(share: float) -> str:
    """How a share is written as a key: ``0.999``."""
    return f"{share:g}" if share >= 0.0005 else f"{share:.4f}"


@dataclass(frozen=True)
class Quantile:
    """One latency quantile with its 95 % interval; ``high_ms`` None: not reached in the data."""

    share: float
    value_ms: float | None
    low_ms: float | None
    high_ms: float | None


@dataclass(frozen=True)
class PulseGroup:
    """Commands of nearly one pulse length: how many released. The data under the fitted curve."""

    pulse_ms: float
    commands: int
    released: int


@dataclass(frozen=True)
class SeenPoint:
    """By ``pulse_ms`` this share of the first commands had released, as the log shows it."""

    pulse_ms: float
    share: float


@dataclass(frozen=True)
class RailModel:
    """What a rail has shown when locks were commanded, and what it may fall to.

    ``low_volts`` and ``high_volts`` hold 99 % of the commands' readings between them;
    ``window_volts`` is the least under load; ``ohms`` the drop per ampere with its interval;
    ``resting_amps`` what the locks that rest energised draw (as far as their coils are stated).
    """

    supply: str
    rated_volts: float
    low_volts: float | None
    typical_volts: float | None
    high_volts: float | None
    window_volts: float
    rated_amps: float | None = None
    ohms: float | None = None
    ohms_low: float | None = None
    ohms_high: float | None = None
    resting_amps: float = 0.0


@dataclass(frozen=True)
class LockModel:
    """One lock's timing.

    ``basis`` is ``own``, ``borrowed`` (from ``siblings``) or ``none``; ``obstacle`` says why
    there is no pulse to recommend: ``door``, ``unobserved``, ``too-few`` or empty.
    All times of ``need_ms``, ``late_ms``, ``need_points_ms`` and ``points_ms`` are at
    ``reference_volts`` and scale with (volts / reference_volts) ** exponent. ``independent``
    is how many independent releases the distribution is worth, ``location_factor`` how far (as
    a factor, 95 %) a borrowed one may stand off as a whole. ``part_need_ms`` is the middle of
    what the other locks of its part need for 99.9 %, ``mend_first`` that this one needs far
    longer; ``changed`` the day from which it behaves as it does now. ``silent`` are the targets
    that its silent commands alone put out of reach.
    """

    lock: str
    room: str
    part: str | None
    supply: str
    magnet: bool
    slow_magnet: bool
    on_way_out: bool
    kind: str | None
    basis: str = "none"
    obstacle: str = ""
    siblings: tuple[str, ...] = ()
    borrowed_releases: int = 0
    first_day: date | None = None
    last_day: date | None = None
    changed: date | None = None
    commands: int = 0
    released: int = 0
    unanswered: int = 0
    already_open: int = 0
    unobserved: int = 0
    two_clocks: int = 0
    independent: float = 0.0
    location_factor: float = 1.0
    resolution_ms: float | None = None
    quantiles: tuple[Quantile, ...] = ()
    reference_volts: float | None = None
    exponent: float = 0.0
    exponent_steep: float = 0.0
    exponent_shallow: float = 0.0
    points_ms: tuple[float, ...] = ()
    need_points_ms: tuple[float, ...] = ()
    need_ms: dict[str, float | None] = field(default_factory=dict)
    late_ms: dict[str, float | None] = field(default_factory=dict)
    miss: MissRate = field(default_factory=lambda: MissRate(0, 0, 1.0, 1.0))
    silent: tuple[str, ...] = ()
    again: MissRate = field(default_factory=lambda: MissRate(0, 0, 1.0, 1.0))
    pulse_groups: tuple[PulseGroup, ...] = ()
    seen: tuple[SeenPoint, ...] = ()
    pulse_median_ms: float | None = None
    pulse_most_ms: float | None = None
    pulse_least_ms: float | None = None
    max_on_ms: float | None = None
    duty_percent: float | None = None
    longest_ms: float | None = None
    longest_from: str = ""
    busiest_five_minutes: int = 0
    part_need_ms: float | None = None
    mend_first: bool = False
    amps: float | None = None
    sag_volts: float | None = None
    sag_from: str = ""

    def as_json(self) -> dict[str, Any]:
        """Plain values for JSON; the same numbers, none rounded but the points."""
        values = {name: getattr(self, name) for name in self.__dataclass_fields__}
        for name in ("first_day", "last_day", "changed"):
            values[name] = values[name].isoformat() if values[name] else None
        for name in ("miss", "again"):
            values[name] = dict(vars(values[name]))
        for name in ("quantiles", "pulse_groups", "seen"):
            values[name] = [dict(vars(item)) for item in values[name]]
        for name in ("siblings", "silent", "points_ms", "need_points_ms"):
            values[name] = list(values[name])
        return values


@dataclass(frozen=True)
class Settings:
    """What the answers are asked for, and the habits they keep; from the venue's limits."""

    target: float = 0.999
    risk: float = 0.001
    pulse_margin: float = 1.3
    magnet_margin: float = 1.5
    magnet_person_ms: float = 3000.0
    pulse_step_ms: float = 5.0
    usual_pulse_ms: float = 500.0
    retry_least_ms: float = 300.0
    retries_most: int = 3
    wait_step_ms: float = 10.0
    cue_share_least: float = 0.9
    early_ms: float = 45.0
    late_ms: float = 125.0
    accept_early_ms: float = 90.0
    accept_late_ms: float = 185.0
    spread_ms: float = 45.0
