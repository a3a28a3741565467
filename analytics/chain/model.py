"""What a chain knows of each of its venues: the numbers of one venue's week, kept and sent."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import date
from typing import Any

import numpy as np

from remanence.analytics.statistics import Reals
from remanence.shared.findings import URGENCIES

DRIFT_POINTS = 201
"""Equally likely values that stand for what is known of a lock's remaining life: 0.5 % apart."""


@dataclass(frozen=True)
class Unit:
    """One unit of a part in one place.

    Attributes
    ----------
    fitted : date or None
        The day on which it was fitted, where that is known.
    cycles, entry : float
        What it has done, and what it had done when it came under observation.
    failed : bool
        Whether its life ended there; else it runs, or was exchanged as planned.
    running : bool
        Whether it is the one in place now.
    end : str
        Why it ended (:class:`remanence.analytics.parts.unit_ends.UnitLife`); empty where that was
        not kept.
    sign : float or None
        What it had done when its wear began to show.
    """

    fitted: date | None
    cycles: float
    entry: float
    failed: bool
    running: bool
    end: str = ""
    sign: float | None = None


@dataclass(frozen=True)
class ChainLock:
    """One lock of a venue.

    Attributes
    ----------
    lock, room : str
        As in the venue file.
    part : str or None
        The part it holds.
    family : str
        Locks of one family may be compared: mechanism, how it releases, rated volts, and what
        tells its release.
    latency_ms, releases : float or None, int
        Median time to release in the week, and how many releases that is of.
    cycles_per_week : float
        Of late.
    due : float
        Chance that a new part is wanted now.
    cause : str or None
        What a part would be for.
    drift : tuple of float
        Equally likely values of the weeks left by wear, infinite ones included; empty where it
        does not wear.
    units : tuple of Unit
        Those it has had; the running one is last.
    conditions : tuple of str
        What was found of it.
    watched : bool
        Whether its releases are observed, so that wear would show.
    """

    lock: str
    room: str
    part: str | None
    family: str
    latency_ms: float | None
    releases: int
    cycles_per_week: float
    due: float
    cause: str | None
    drift: tuple[float, ...]
    units: tuple[Unit, ...]
    conditions: tuple[str, ...] = ()
    watched: bool = False

    @property
    def running(self) -> Unit:
        """The unit in place now."""
        return self.units[-1]


@dataclass(frozen=True)
class ChainPart:
    """One part of a venue, as its file has it, and what the venue alone would order."""

    id: str
    description: str
    unit_cost: float | None
    lead_time_days: float | None
    in_stock: int
    rated_cycles: float | None
    order_now: int


@dataclass(frozen=True)
class ChainFinding:
    """One finding of a venue that stands."""

    subject: str
    subject_kind: str
    room: str
    condition: str
    urgency: str
    score: float
    since: date | None
    part: str | None = None


@dataclass(frozen=True)
class VenueWeek:
    """One venue's week, as the chain keeps it.

    Attributes
    ----------
    venue, name : str
        Its id and its name.
    week : str
        ISO week.
    today, last_day : date
        Last day of the week, and the newest day with any record.
    currency : str
        Of its prices.
    findings : tuple of ChainFinding
        What stands, most urgent first.
    states : mapping of str to int
        How many locks are in which state.
    locks, parts : tuple of ChainLock, tuple of ChainPart
        In the venue file's order.
    """

    venue: str
    name: str
    week: str
    today: date
    last_day: date
    currency: str
    findings: tuple[ChainFinding, ...] = ()
    states: Mapping[str, int] = field(default_factory=dict)
    locks: tuple[ChainLock, ...] = ()
    parts: tuple[ChainPart, ...] = ()

    def count(self, urgency: str) -> int:
        """How many findings are that urgent."""
        return sum(item.urgency == urgency for item in self.findings)

    def has(self, urgency: str | None) -> bool:
        """Whether a finding that urgent, or more, stands; False without an urgency."""
        return urgency is not None and any(
            URGENCIES.index(item.urgency) <= URGENCIES.index(urgency) for item in self.findings)

    def as_json(self) -> dict[str, Any]:
        """Plain values; days as text, a life without end as null."""
        return {name: _plain(value) for name, value in asdict(self).items()}

    @classmethod
    def from_json(cls, values: Mapping[str, Any]) -> VenueWeek:
        """Back from :meth:`as_json`.

        Raises
        ------
        KeyError, TypeError, ValueError
            It is of another form.
        """
        return cls(**{
            **values, "today": date.fromisoformat(values["today"]),
            "last_day": date.fromisoformat(values["last_day"]),
            "findings": tuple(ChainFinding(**{**item, "since": _day(item["since"])})
                              for item in values["findings"]),
            "locks": tuple(_lock(item) for item in values["locks"]),
            "parts": tuple(ChainPart(**item) for item in values["parts"]),
        })


@dataclass(frozen=True)
class Member:
    """One venue of a chain: who looks after it, and its week or why there is none.

    Attributes
    ----------
    path : str
        How the chain names it until its own name is known.
    labels : tuple of str
        What it is called together with others.
    technician : str or None
        Who looks after it.
    week : VenueWeek or None
        None where it could not be worked out,
    fault : str
        for this reason.
    """

    path: str
    labels: tuple[str, ...] = ()
    technician: str | None = None
    week: VenueWeek | None = None
    fault: str = ""

    @property
    def name(self) -> str:
        """What people call it."""
        return self.week.name if self.week else self.path


def drift_points(weeks: Reals) -> tuple[float, ...]:
    """Equally likely values for draws of the weeks left.

    Parameters
    ----------
    weeks : numpy.ndarray
        Draws, infinite ones included; empty gives none.

    Returns
    -------
    tuple of float
        :data:`DRIFT_POINTS` of them, to a hundredth of a week.
    """
    if not weeks.size:
        return ()
    shares = (np.arange(DRIFT_POINTS) + 0.5) / DRIFT_POINTS
    return tuple(float(x) for x in np.round(
        np.quantile(weeks, shares, method="inverted_cdf"), 2))


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, date):
        return value.isoformat()
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _day(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None


def _lock(values: Mapping[str, Any]) -> ChainLock:
    return ChainLock(**{
        **values,
        "drift": tuple(math.inf if x is None else x for x in values["drift"]),
        "units": tuple(Unit(**{**unit, "fitted": _day(unit["fitted"])})
                       for unit in values["units"]),
        "conditions": tuple(values["conditions"]),
    })
