"""What to order: each lock's chance of needing its part, and the stock that meets them all."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta

import numpy as np

from remanence.analytics.history import History
from remanence.analytics.parts.cause_lives import PartLives, part_lives
from remanence.analytics.parts.causes import Causes, causes_of
from remanence.analytics.parts.demand import Demand, Place, cost_range, draw_futures
from remanence.analytics.parts.pace import games_per_week
from remanence.analytics.parts.unit_ends import ADVICE
from remanence.analytics.parts.unit_lives import (
    UnitLives,
    lives_together,
    replacements,
    unit_lives,
    with_signs,
)
from remanence.analytics.parts.wear import LockWear, remaining_life
from remanence.analytics.statistics.arrays import Reals
from remanence.analytics.statistics.life import (
    LifePosterior,
    Lives,
    life_posterior,
    zero_failure_scale,
)
from remanence.shared.findings import Finding
from remanence.shared.limits import Limits
from remanence.shared.venue import Lock, Part

READS = (
    "lock", "command_time", "pulse_ms", "outcome", "latency_ms", "resolution_ms", "volts_before",
    "sag_volts", "attempt",
)
"""Columns of ACTUATIONS that orders rest on: the far past need not be loaded with any other."""
HORIZONS = (4, 13, 26, 52)
"""Weeks ahead for which chances are told: a month, a quarter, half a year, a year."""
OPEN_WEEKS = 520
"""Weeks beyond which no date is told."""
LEAST_EATEN = 3
"""Units that one place used up from which something in the place is suspected (trade practice)."""
REVIEW_DAYS = 7.0
"""The sheet is read once a week: what is not ordered today waits so long."""
ASSUMED_LEAD_DAYS = 28.0
"""Delivery time where the venue file gives none (common practice, no source)."""
SERVICE_LEVEL = 0.95
"""Chance of not running out of a part that stock is held for (common practice)."""
ZERO_FAILURE_SHAPE = 2.0
"""Weibull shape taken for a part of which none has failed: wears out, neither early nor at once."""
NEED_DECIMALS = 1
"""An expected need is stated to a tenth of a piece, and its cost is the cost of what is stated."""


@dataclass(frozen=True)
class LockNeed:
    """One lock: its age, what drift says, and its chance of needing a new part.

    Attributes
    ----------
    lock, room, part : str
        As in the venue file; ``part`` None where none is named.
    wear : LockWear
        What drift says.
    cycles : float
        Done by the running part.
    cycles_known_from_new : bool
        Whether it was seen, or reckoned, from the day it was fitted.
    cycles_per_week : float
        Of late.
    chances : mapping of int to float
        Chance of needing its part, by weeks ahead.
    causes : Causes
        What the week's findings say of it.
    ended : int
        How many units failed in this place so far.
    first : numpy.ndarray
        Draws of the weeks until it needs its part: by drift, by age, or on advice, whichever comes
        first; infinite where that is beyond a year and the lead time.
    """

    lock: str
    room: str
    part: str | None
    wear: LockWear
    cycles: float
    cycles_known_from_new: bool
    cycles_per_week: float
    chances: Mapping[int, float]
    causes: Causes = field(default_factory=Causes)
    ended: int = 0
    first: Reals = field(default_factory=lambda: np.empty(0))

    def chance_within(self, weeks: float) -> float:
        """Chance that it needs its part within so many weeks, all causes together.

        Parameters
        ----------
        weeks : float
            How far ahead, a year and the lead time at most.

        Returns
        -------
        float
            Between 0 and 1.
        """
        return float(np.mean(self.first <= weeks)) if self.first.size else 0.0

    @property
    def failing(self) -> str | None:
        """The condition, where a finding says that a part is due now."""
        return self.causes.new_part

    @property
    def cause(self) -> str | None:
        """What a part would be for: a condition, ``wear``, ``age``, or None."""
        if self.failing is not None:
            return self.failing
        if self.wear.weeks.size:
            return self.causes.wear or "wear"
        return "age" if self.part is not None and self.cycles_per_week > 0 else None

    @property
    def no_part_for(self) -> str | None:
        """The condition of this lock, or the one behind its drift, that needs no part."""
        behind = self.causes.explained if self.wear.sign == "explained" else None
        return self.causes.no_part or behind

    @property
    def can_be_told(self) -> bool:
        """Whether the chances rest on anything: age and pace, drift, or a finding."""
        by_age = self.part is not None and self.cycles_per_week > 0
        return by_age or self.failing is not None or self.wear.weeks.size > 0

    def window(self, coverage: float, today: date) -> tuple[date | None, date | None]:
        """Dates between which the limit is met, by drift alone.

        Parameters
        ----------
        coverage : float
            Between 0 and 1.
        today : date
            The day that the weeks ahead count from.

        Returns
        -------
        tuple of date or None
            None where it may never be, or not within ten years. Only for a lock whose ``wear`` has
            weeks.
        """
        low, high = self.wear.interval(coverage)
        return _ahead(today, low), _ahead(today, high)


    def games(self, coverage: float) -> tuple[float | None, float | None]:
        """Games between which the limit is met, by drift alone.

        Parameters
        ----------
        coverage : float
            Between 0 and 1.

        Returns
        -------
        tuple of float or None
            None where it may never be, or not within ten years. Only for a lock whose ``wear`` has
            weeks.
        """
        low, high = (None if weeks >= OPEN_WEEKS else weeks * self.wear.games_per_week
                     for weeks in self.wear.interval(coverage))
        return low, high


def _ahead(today: date, weeks: float) -> date | None:
    return today + timedelta(days=round(7 * weeks)) if weeks < OPEN_WEEKS else None


@dataclass(frozen=True)
class PartOrder:
    """One part: demand, stock and what to order.

    Attributes
    ----------
    part : Part
        As in the venue file.
    needs : tuple of LockNeed
        Of the locks that hold it.
    life, lives : LifePosterior, Lives
        What is known of its life, and what that rests on.
    lead, year : Demand
        Wanted over the lead time and the week until the next look; over a year.
    stock_level, order_now : int
        Pieces to have, and to order today.
    order_by : date or None
        When; None: not within a year.
    lead_days, lead_known : float, bool
        Days from order to delivery, 28 where the venue file does not say (``lead_known``).
    service_level : float
        Chance of not running out that was asked for.
    advised : int
        Units replaced on advice: their wear showed, and they had not met their limit.
    """

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
    advised: int = 0

    @property
    def cost_now(self) -> float | None:
        """Cost of what to order now; None where no price is known."""
        return None if self.part.unit_cost is None else self.order_now * self.part.unit_cost

    @property
    def year_need(self) -> float:
        """Expected need of a year, as it is stated: to a tenth of a piece."""
        return round(self.year.mean, NEED_DECIMALS)

    @property
    def year_cost(self) -> float | None:
        """Cost of the stated need; None where no price is known."""
        return None if self.part.unit_cost is None else self.year_need * self.part.unit_cost

    @property
    def eater(self) -> LockNeed | None:
        """The lock that alone used up three units or more, and more than all others together."""
        most = max(self.needs, key=lambda need: need.ended, default=None)
        if most is None or most.ended < LEAST_EATEN or 2 * most.ended <= self.lives.failures:
            return None
        return most

    @property
    def zero_failure_b10(self) -> float | None:
        """Cycles that 90 % outlive with 95 % confidence where nothing has failed; shape 2."""
        if self.lives.failures or not self.lives.cycles.size:
            return None
        return float(zero_failure_scale(self.lives, ZERO_FAILURE_SHAPE)
                     * (-np.log(0.9)) ** (1 / ZERO_FAILURE_SHAPE))


@dataclass(frozen=True)
class Orders:
    """Everything the owner's sheet shows, before a page is written.

    Attributes
    ----------
    today : date
        Last day of the week asked for.
    currency : str
        Of the prices.
    parts, needs : tuple of PartOrder, tuple of LockNeed
        In the venue file's order.
    games_per_week : float
        The venue's pace.
    weeks_seen : int
        How far back the log goes.
    planned_exchanges : tuple of (str, date)
        Part and day of each exchange of many units at once, which says nothing of their life.
    limits : Limits
        The venue's.
    units : mapping of str to UnitLives
        The units that each lock has had, by lock.
    """

    today: date
    currency: str
    parts: tuple[PartOrder, ...]
    needs: tuple[LockNeed, ...]
    games_per_week: float
    weeks_seen: int
    planned_exchanges: tuple[tuple[str, date], ...] = ()
    limits: Limits = field(default_factory=Limits)
    units: Mapping[str, UnitLives] = field(default_factory=dict)

    def budget(self, coverage: float = 0.9) -> tuple[float, float, float]:
        """Expected cost of the year for the parts with a price, and its range.

        Parameters
        ----------
        coverage : float, default 0.9
            Chance that the cost lies within the range.

        Returns
        -------
        tuple of float
            Mean, low and high, in ``currency``; parts without a price are left out.
        """
        priced = [(order, order.part.unit_cost) for order in self.parts
                  if order.part.unit_cost is not None]
        low, high = cost_range([(order.year, cost) for order, cost in priced], coverage)
        return sum(order.year_need * cost for order, cost in priced), low, high


def plan_orders(
    history: History, findings: Sequence[Finding] = (), *, service_level: float = SERVICE_LEVEL
) -> Orders:
    """Work out each lock's need and each part's order.

    Parameters
    ----------
    history : History
        As far back as the log goes; of its actuations only :data:`READS` are looked at.
    findings : sequence of Finding, default ()
        Of the same week; those that end in a new part count as certain as their score. Where a
        finding explains a lock's drift without wear, the drift is no ground for a part.
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
    wear = {item.lock: item for item in remaining_life(history)}
    units = unit_lives(history)
    bare = [_need(lock, units[lock.id], wear[lock.id], causes_of(lock, findings))
            for lock in venue.locks]
    units = with_signs(units, {need.lock: need.wear for need in bare})
    parts = tuple(
        _order(part, [n for n in bare if n.part == part.id], units, venue.locks_by_id, today,
               service_level)
        for part in venue.parts
    )
    told = {need.lock: need for order in parts for need in order.needs}
    needs = tuple(told.get(need.lock) or _without_part(need) for need in bare)
    dated = history.dated("actuations")
    seen = int(dated["weeks_ago"].to_numpy().max()) + 1 if dated.height else 0
    exchanged = replacements(history).filter("planned").select("part", "date").unique().sort(
        "date", "part")
    return Orders(
        today, venue.currency, parts, needs, games_per_week(history), seen,
        tuple(exchanged.iter_rows()), venue.limits, units,
    )


def cover_days(order: PartOrder) -> float:
    """Days until a delivery ordered at the next look would arrive.

    Parameters
    ----------
    order : PartOrder
        The part's.

    Returns
    -------
    float
        Its lead time and the week until the next look.
    """
    return order.lead_days + REVIEW_DAYS


def _need(lock: Lock, units: UnitLives, wear: LockWear, causes: Causes) -> LockNeed:
    if causes.explained:
        wear = replace(wear, sign="explained" if wear.weeks.size else wear.sign,
                       weeks=np.empty(0), since_weeks=None, shown_cycles=None)
    return LockNeed(
        lock.id, lock.room, lock.part, wear, units.cycles, units.known_from_new, units.pace,
        {}, causes, sum(unit.failed for unit in units.lives),
    )


def _with_chances(need: LockNeed, first: Reals) -> LockNeed:
    known = replace(need, first=first)
    return replace(
        known, chances={weeks: known.chance_within(weeks) for weeks in (0, *HORIZONS)})


def _without_part(need: LockNeed) -> LockNeed:
    """A lock that names no part has no age to tell by: its drift and its findings alone."""
    place = Place(need.cycles, 0.0, need.wear.weeks, need.causes.score)
    first = draw_futures([place], life_posterior(Lives.of([], [])), HORIZONS[-1]).first[0]
    return _with_chances(need, first)


@dataclass(frozen=True)
class StockPlan:
    """What to have of one part, and what to order.

    Attributes
    ----------
    lead, year : Demand
        Wanted over the lead time and the week until the next look; over a year.
    level, order_now : int
        Pieces to have, and to order today.
    order_in_weeks : int or None
        When an order is due; 0 today, None: not within a year.
    first : tuple of numpy.ndarray
        Draws of the weeks until each place wants its first.
    """

    lead: Demand
    year: Demand
    level: int
    order_now: int
    order_in_weeks: int | None
    first: tuple[Reals, ...] = ()


def plan_stock(
    places: Sequence[Place], lives: PartLives | LifePosterior, lead_days: float, in_stock: int,
    service_level: float = SERVICE_LEVEL,
) -> StockPlan:
    """The stock that meets the needs of all places, and the order that brings it there.

    Parameters
    ----------
    places : sequence of Place
        The locks that hold the part.
    lives : PartLives or LifePosterior
        Of the part.
    lead_days : float
        Days from order to delivery.
    in_stock : int
        Pieces at hand.
    service_level : float, default 0.95
        Chance of not running out until a delivery ordered at the next look.

    Returns
    -------
    StockPlan
    """
    cover = (lead_days + REVIEW_DAYS) / 7
    year = HORIZONS[-1]
    futures = draw_futures(places, lives, year + cover)
    lead = futures.within(cover)
    level = lead.quantile(service_level)
    order_now = max(0, level - in_stock)
    due: int | None = 0
    if not order_now:
        due = next((week for week in range(1, year + 1)
                    if futures.within(cover + week).quantile(service_level) > in_stock), None)
    return StockPlan(lead, futures.within(year), level, order_now, due, futures.first)


def _order(
    part: Part, needs: Sequence[LockNeed], units: Mapping[str, UnitLives],
    locks: Mapping[str, Lock], today: date, service_level: float,
) -> PartOrder:
    known = part.lead_time_days
    lead_days = known if known is not None else ASSUMED_LEAD_DAYS
    held = [units[need.lock] for need in needs]
    watched = [locks[need.lock].latency_kind not in (None, "door") for need in needs]
    paces = [unit.pace for unit in held if unit.pace > 0]
    lives = part_lives(
        [life for unit, seen in zip(held, watched, strict=True) if seen for life in unit.lives],
        [life for unit, seen in zip(held, watched, strict=True) if not seen for life in unit.lives],
        part.rated_cycles, float(np.median(paces)) if paces else 0.0)
    plan = plan_stock(
        [Place(n.cycles, n.cycles_per_week, n.wear.weeks, n.causes.score, seen,
               unit.lives[-1].shown)
         for n, unit, seen in zip(needs, held, watched, strict=True)],
        lives, lead_days, part.in_stock + part.on_order, service_level)
    due = plan.order_in_weeks
    return PartOrder(
        part, tuple(map(_with_chances, needs, plan.first)), lives.whole, lives_together(held),
        plan.lead, plan.year, plan.level, plan.order_now,
        None if due is None else today + timedelta(weeks=due), lead_days, known is not None,
        service_level, sum(life.end == ADVICE for unit in held for life in unit.lives),
    )
