"""What to order: each lock's chance of needing its part, and the stock that meets them all."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np
import polars as pl

from analytics.evidence import per_lock, with_weeks
from analytics.history import History
from analytics.life import LifePosterior, Lives, life_posterior, zero_failure_scale
from analytics.spares import Demand, demand_of_units
from analytics.wear import LockWear, games_per_week, remaining_life
from shared.findings import Finding
from shared.tables import SERVICE
from shared.venue import Lock, Part

HORIZONS = (4, 13, 26, 52)
"""Weeks ahead for which chances are told: a month, a quarter, half a year, a year."""
ENDS_IN_A_NEW_PART = ("coil-open", "coil-current-high", "self-cut-failed")
"""Conditions that the bench mends by fitting a new part (trade practice)."""
REVIEW_DAYS = 7.0
"""The sheet is read once a week: what is not ordered today waits so long."""


@dataclass(frozen=True)
class LockNeed:
    """One lock: its age, what drift says, and its chance of needing a new part.

    ``chances`` by weeks ahead; ``failing`` where a finding says that a part is due now.
    """

    lock: str
    room: str
    part: str | None
    wear: LockWear
    cycles: float
    cycles_known_from_new: bool
    cycles_per_week: float
    chances: Mapping[int, float]
    failing: str | None = None

    def window(self, coverage: float, today: date) -> tuple[date | None, date | None]:
        """Dates between which the limit is met; None where it may never be."""
        low, high = self.wear.interval(coverage)
        return _ahead(today, low), _ahead(today, high)


def _ahead(today: date, weeks: float) -> date | None:
    return today + timedelta(days=round(7 * weeks)) if weeks < 520 else None


@dataclass(frozen=True)
class PartOrder:
    """One part: demand, stock and what to order."""

    part: Part
    needs: tuple[LockNeed, ...]
    life: LifePosterior
    lives: Lives
    lead: Demand
    year: Demand
    stock_level: int
    order_now: int
    order_by: date | None
    lead_days: float
    lead_known: bool
    service_level: float

    @property
    def cost_now(self) -> float | None:
        """Cost of what to order now; None where no price is known."""
        return None if self.part.unit_cost is None else self.order_now * self.part.unit_cost

    @property
    def zero_failure_b10(self) -> float | None:
        """Cycles that 90 % outlive with 95 % confidence where nothing has failed; shape 2."""
        if self.lives.failures or not self.lives.cycles.size:
            return None
        return float(zero_failure_scale(self.lives, 2.0) * (-np.log(0.9)) ** 0.5)


@dataclass(frozen=True)
class Orders:
    """Everything the owner's sheet shows, before a page is written."""

    today: date
    currency: str
    parts: tuple[PartOrder, ...]
    needs: tuple[LockNeed, ...]
    games_per_week: float
    weeks_seen: int
    without_part: tuple[str, ...] = field(default=())


def _unit_ages(
    lock: Lock, rows: pl.DataFrame | None, service: pl.DataFrame, history: History
) -> tuple[list[tuple[float, bool, float]], bool, float]:
    """Lives of the units that this lock has held: (cycles at the end, ended, cycles at entry).

    Also whether the running unit was seen from new, and its cycles a week of late.
    """
    days = rows["day"].to_list() if rows is not None else []
    first = days[0] if days else history.week.sunday
    recent = sum((history.week.sunday - day).days < 56 for day in days)
    weeks = min(8.0, max(1.0, ((history.week.sunday - first).days + 1) / 7))
    pace = recent / weeks
    ends = sorted(service.filter(
        (pl.col("lock") == lock.id) & (pl.col("action") == "replaced")
    )["date"].to_list())
    # What was done before the log began is told from the day of fitting at today's pace.
    fitted = [lock.installed] if lock.installed else []
    before = [day for day in (*fitted, *ends) if day <= first]
    entry = pace * (first - max(before)).days / 7 if before else 0.0
    known = bool(before)
    lives: list[tuple[float, bool, float]] = []
    cuts = [day for day in ends if day > first]
    position = 0
    for cut in cuts:
        done = sum(day <= cut for day in days) - position
        lives.append((entry + done, True, entry))
        position += done
        entry, known = 0.0, True
    lives.append((entry + len(days) - position, False, entry))
    return lives, known, pace


def plan_orders(
    history: History, findings: Sequence[Finding] = (), *, service_level: float = 0.95
) -> Orders:
    """Work out each lock's need and each part's order.

    Parameters
    ----------
    history : History
        As far back as the log goes.
    findings : sequence of Finding
        Of the same week; those that end in a new part count as certain as their score.
    service_level : float, default 0.95
        Chance of not running out over the lead time and the week until the next look.

    Returns
    -------
    Orders
        Parts in the venue file's order, locks likewise.

    Raises
    ------
    ValueError
        ``service_level`` is not between 0 and 1.
    """
    if not 0 < service_level < 1:
        raise ValueError(f"service_level must be between 0 and 1, got {service_level!r}")
    venue, today = history.venue, history.week.sunday
    dated = with_weeks(history.actuations, "command_time", history).sort("command_time")
    rows_of = per_lock(dated)
    service = history.service if history.service.height else SERVICE.empty()
    wear = {item.lock: item for item in remaining_life(history)}
    ages = {lock.id: _unit_ages(lock, rows_of.get(lock.id), service, history)
            for lock in venue.locks}
    lives_of = {part.id: _lives([ages[lock.id][0] for lock in venue.locks if lock.part == part.id])
                for part in venue.parts}
    life_of = {part.id: life_posterior(lives_of[part.id], part.rated_cycles)
               for part in venue.parts}
    failing = _failing(findings)
    needs = tuple(
        _need(lock, ages[lock.id], wear[lock.id], life_of.get(lock.part or ""),
              failing.get(lock.id))
        for lock in venue.locks
    )
    parts = tuple(
        _order(part, [n for n in needs if n.part == part.id], life_of[part.id],
               lives_of[part.id], today, service_level)
        for part in venue.parts
    )
    seen = int(dated["weeks_ago"].to_numpy().max()) + 1 if dated.height else 0
    return Orders(
        today, venue.currency, parts, needs, games_per_week(history), seen,
        tuple(lock.id for lock in venue.locks if lock.part is None),
    )


def _lives(units: Sequence[Sequence[tuple[float, bool, float]]]) -> Lives:
    flat = [life for lives in units for life in lives]
    return Lives.of([u[0] for u in flat], [u[1] for u in flat], [u[2] for u in flat])


def _failing(findings: Sequence[Finding]) -> dict[str, Finding]:
    return {
        f.subject: f for f in findings
        if f.condition in ENDS_IN_A_NEW_PART and f.urgency in ("now", "week")
    }


def chance_within(need: LockNeed, life: LifePosterior | None, weeks: float) -> float:
    """Chance that one lock needs its part within so many weeks, drift and life taken together.

    A lock is counted once, whichever of the two comes first; they are taken for independent.
    """
    by_drift = need.wear.chance_within(weeks)
    by_life = 0.0
    if life is not None and life.known and need.cycles_per_week > 0:
        by_life = float(life.failure_probability(need.cycles, need.cycles_per_week * weeks)[0])
    due = need.chances.get(0, 0.0)
    return 1.0 - (1.0 - by_drift) * (1.0 - by_life) * (1.0 - due)


def _need(
    lock: Lock, age: tuple[list[tuple[float, bool, float]], bool, float], wear: LockWear,
    life: LifePosterior | None, failing: Finding | None,
) -> LockNeed:
    lives, known, pace = age
    bare = LockNeed(
        lock.id, lock.room, lock.part, wear, lives[-1][0], known, pace,
        {0: failing.score if failing else 0.0}, failing.condition if failing else None,
    )
    chances = {weeks: chance_within(bare, life, weeks) for weeks in (0, *HORIZONS)}
    return LockNeed(**{**bare.__dict__, "chances": chances})


def _order(
    part: Part, needs: Sequence[LockNeed], life: LifePosterior, lives: Lives, today: date,
    service_level: float,
) -> PartOrder:
    lead_days = part.lead_time_days if part.lead_time_days is not None else 28.0

    def demand(weeks: float) -> Demand:
        return demand_of_units([chance_within(need, life, weeks) for need in needs])

    cover = (lead_days + REVIEW_DAYS) / 7
    lead = demand(cover)
    level = lead.quantile(service_level)
    order_now = max(0, level - part.in_stock)
    order_by: date | None = today
    if not order_now:
        later = [w for w in range(1, 53)
                 if demand(cover + w).quantile(service_level) > part.in_stock]
        order_by = today + timedelta(weeks=later[0]) if later else None
    return PartOrder(
        part, tuple(needs), life, lives, lead, demand(52), level, order_now, order_by,
        lead_days, part.lead_time_days is not None, service_level,
    )
