"""Results of the physical models of a venue's week: numbers, and the sentences about them.

A :class:`Remark` names a sentence by its key and carries its numbers; the words of each
language stand with the pages.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from remanence.analytics.physics.battery import BatteryOutlook
from remanence.analytics.physics.cable import Branch, CableNeeded
from remanence.analytics.physics.magnet import Hold
from remanence.analytics.physics.off_voltage import SwitchOff
from remanence.analytics.physics.rail_model import Company, Prediction, RailModel
from remanence.analytics.physics.release_fit import Explained, ReleaseFit
from remanence.analytics.physics.sag_release import SagError, SagReadings
from remanence.shared.weeks import Week

CHANGE = " more"
"""Ends the unit of a change: ``% more`` is shown with its sign."""


@dataclass(frozen=True)
class Quantity:
    """A number with its unit and, where there is one, its interval."""

    value: float
    unit: str
    low: float | None = None
    high: float | None = None


Value = Quantity | str | int | datetime


@dataclass(frozen=True)
class Remark:
    """One plain sentence: its topic, the key of its words, and its numbers by name.

    ``estimated`` marks a sentence that rests on generic data, not on this venue's.
    """

    topic: str
    key: str
    values: Mapping[str, Value]
    estimated: bool = False


@dataclass(frozen=True)
class CoilHeat:
    """The hottest moment of a coil in the week; see ``coil_heat``."""

    hottest: Quantity
    hottest_time: datetime
    limit_celsius: float
    margin_kelvin: float
    duty_percent: float
    longest_on_ms: float
    held_cold_s: float | None
    held_hot_s: float | None
    steady_celsius: float
    estimated: bool


@dataclass(frozen=True)
class Curve:
    """A line for a figure, with the band about it where there is one; ``mark`` is a level."""

    x: tuple[float, ...]
    y: tuple[float, ...]
    low: tuple[float, ...] | None = None
    high: tuple[float, ...] | None = None
    mark: float | None = None


@dataclass(frozen=True)
class LockPhysics:
    """Results of the models for one lock this week; None: not enough data, or not for this kind."""

    lock: str
    heat: CoilHeat | None
    measured_celsius: Quantity | None
    fit: ReleaseFit | None
    loaded_volts: float | None
    explained: Explained | None
    branch: Branch | None
    cable: CableNeeded | None
    hold: Hold | None
    switch_off: SwitchOff | None
    sag: SagReadings | None
    sag_error: SagError | None
    release_curve: Curve | None
    hold_curve: Curve | None
    branch_curve: Curve | None
    off_weeks: tuple[tuple[Week, Quantity], ...]
    says: tuple[Remark, ...]


@dataclass(frozen=True)
class SupplyPhysics:
    """Results of the models for one supply this week."""

    supply: str
    resistance: Quantity | None
    resistance_estimated: bool
    resistance_weeks: tuple[tuple[Week, Quantity], ...]
    sags: int
    rail: RailModel | None
    together: tuple[Prediction, ...]
    company: Company | None
    safe_together: int | None
    reset_together: int | None
    drift_volts_per_week: Quantity | None
    recovery_ms: Quantity | None
    ripple_volts: float | None
    battery: BatteryOutlook | None
    together_curve: Curve | None
    battery_curve: Curve | None
    says: tuple[Remark, ...]


@dataclass(frozen=True)
class PhysicsSummary:
    """The physics of one week of a venue, by lock and by supply, in the venue file's order."""

    locks: Mapping[str, LockPhysics]
    supplies: Mapping[str, SupplyPhysics]
