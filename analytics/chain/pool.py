"""Parts over all venues: one life, one stock, and what to send where before anything is ordered."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from remanence.analytics.chain.model import ChainLock, ChainPart, Member, Unit, VenueWeek
from remanence.analytics.parts import (
    ASSUMED_LEAD_DAYS,
    FAILED,
    PLANNED,
    RUNNING,
    SERVICE_LEVEL,
    PartLives,
    Place,
    StockPlan,
    UnitLife,
    part_lives,
    plan_stock,
)
from remanence.analytics.statistics import LifePosterior, Lives, life_posterior
from remanence.shared.chain_file import TRANSFER_DAYS, Depot

EARLY_SURE = 0.95
"""So sure that 9 of 10 do not reach the rated life, a part is said to fail early (95 %, as for what
is planned in a venue's report)."""
LEAST_EARLY = 3
"""Failures from which the data speak for themselves, and not the assumption about the life."""


@dataclass(frozen=True)
class PooledLife:
    """The life of one part, from all venues that fit it.

    Attributes
    ----------
    part : str
        Its id.
    life : LifePosterior
        From the units of all venues.
    venues, locks : int
        Where it is fitted.
    rated_cycles : float or None
        The maker's, as most venues state it.
    early : float or None
        Probability that 9 of 10 do not reach it; None without a rating.
    seen_alone : int
        Venues whose own units would say so.
    by_cause : PartLives
        The lives of each cause, which the stock rests on.
    """

    part: str
    life: LifePosterior
    venues: int
    locks: int
    rated_cycles: float | None
    early: float | None
    seen_alone: int
    by_cause: PartLives

    @property
    def fails_early(self) -> bool:
        """Whether it is sure enough, and rests on failures enough, to be said."""
        return (self.early is not None and self.early >= EARLY_SURE
                and self.life.failures >= LEAST_EARLY)


@dataclass(frozen=True)
class Transfer:
    """Pieces to send to a venue: from a depot, or from a venue that can spare them."""

    part: str
    source: str
    from_depot: bool
    to: str
    count: int
    lock: str | None


@dataclass(frozen=True)
class PooledStock:
    """One part in the care of one depot, or of the chain as a whole.

    Attributes
    ----------
    part, description : str
        Which.
    depot : str or None
        None: no depot serves these venues; they help each other out.
    plan : StockPlan
        For all their locks together.
    at_depot, on_shelves : int
        Pieces that lie there, and in the venues.
    lead_days : float
        Order to delivery.
    alone : int
        Pieces that the venues would order today, each for itself.
    unit_cost, currency : float or None, str
        Price of one; the lowest that a venue states.
    transfers : tuple of Transfer
        What to send today.
    """

    part: str
    description: str
    depot: str | None
    plan: StockPlan
    at_depot: int
    on_shelves: int
    lead_days: float
    alone: int
    unit_cost: float | None
    currency: str
    transfers: tuple[Transfer, ...]


def holders(part: str, weeks: Sequence[VenueWeek]) -> list[tuple[VenueWeek, ChainLock]]:
    """Every lock that holds a part, with its venue."""
    return [(week, lock) for week in weeks for lock in week.locks if lock.part == part]


def life_of(unit: Unit) -> UnitLife:
    """A unit as its part's lives count it; one kept without its end ended as it says itself."""
    end = unit.end or (FAILED if unit.failed else RUNNING if unit.running else PLANNED)
    return UnitLife(unit.cycles, end, unit.entry, unit.sign)


def lives_of(units: Sequence[Unit]) -> Lives:
    """Lives of units, ended and running."""
    return Lives.of([u.cycles for u in units], [u.failed for u in units], [u.entry for u in units])


def pooled_life(part: str, weeks: Sequence[VenueWeek]) -> PooledLife:
    """The life of a part from all venues that fit it.

    Parameters
    ----------
    part : str
        Its id: one id is one part in all venues.
    weeks : sequence of VenueWeek
        All venues.

    Returns
    -------
    PooledLife
    """
    held = holders(part, weeks)
    rating = _rating(part, weeks)
    paces = [lock.cycles_per_week for _, lock in held if lock.cycles_per_week > 0]
    watched, others = ([life_of(u) for _, lock in held if lock.watched is seen for u in lock.units]
                       for seen in (True, False))
    by_cause = part_lives(watched, others, rating, float(np.median(paces)) if paces else 0.0)
    life = by_cause.whole
    homes = sorted({week.venue for week, _ in held})
    early, alone = _early(life, rating), 0
    if early is not None and early >= EARLY_SURE:
        for home in homes:
            own = life_posterior(lives_of(
                [u for week, lock in held if week.venue == home for u in lock.units]), rating)
            alone += (_early(own, rating) or 0.0) >= EARLY_SURE and own.failures >= LEAST_EARLY
    return PooledLife(part, life, len(homes), len(held), rating, early, alone, by_cause)


def _early(life: LifePosterior, rating: float | None) -> float | None:
    if rating is None:
        return None
    reached = life.scale * (-np.log(0.9)) ** (1 / life.shape)
    return float(life.probability[reached < rating].sum())


def _rating(part: str, weeks: Sequence[VenueWeek]) -> float | None:
    stated = Counter(item.rated_cycles for week in weeks for item in week.parts
                     if item.id == part and item.rated_cycles)
    return max(stated, key=lambda value: (stated[value], value), default=None)


def pooled_stock(
    members: Sequence[Member], depots: Sequence[Depot], lives: Mapping[str, PooledLife]
) -> list[PooledStock]:
    """What to send and what to order, part by part and depot by depot.

    Parameters
    ----------
    members : sequence of Member
        All venues. One that several depots serve belongs to the first.
    depots : sequence of Depot
        None: the venues are one pool that helps itself out.
    lives : mapping of str to PooledLife
        Of every part.

    Returns
    -------
    list of PooledStock
        What is to be ordered first, then what is to be sent, then the rest.
    """
    left = [member for member in members if member.week]
    found = []
    for depot in depots:
        served = [m for m in left if _serves(depot, m)]
        left = [m for m in left if not _serves(depot, m)]
        found += _of_depot(depot, depot.id, served, lives)
    found += _of_depot(Depot("", transfer_days=TRANSFER_DAYS), None, left, lives)
    return sorted(found, key=lambda item: (
        not item.plan.order_now, not item.transfers, item.part, item.depot or ""))


def _serves(depot: Depot, member: Member) -> bool:
    names = {*member.labels, member.week.venue if member.week else "", member.path}
    return not depot.serves or bool(names & set(depot.serves))


def _of_depot(
    depot: Depot, name: str | None, members: Sequence[Member], lives: Mapping[str, PooledLife]
) -> list[PooledStock]:
    weeks = [member.week for member in members if member.week]
    return [_of_part(part, depot, name, weeks, lives[part].by_cause)
            for part in sorted({item.id for week in weeks for item in week.parts})]


def place_of(lock: ChainLock) -> Place:
    """A lock as its part sees it."""
    running = lock.running
    return Place(running.cycles, lock.cycles_per_week, np.array(lock.drift), lock.due, lock.watched,
                 None if running.sign is None else running.cycles - running.sign)


def _of_part(
    part: str, depot: Depot, name: str | None, weeks: Sequence[VenueWeek], life: PartLives
) -> PooledStock:
    entries = {week.venue: item for week in weeks for item in week.parts if item.id == part}
    at_depot = int(depot.stock.get(part, 0))
    shelves = sum(item.in_stock for item in entries.values())
    lead = float(depot.lead_time_days.get(part, max(
        (item.lead_time_days for item in entries.values() if item.lead_time_days is not None),
        default=ASSUMED_LEAD_DAYS)))
    held = holders(part, weeks)
    plan = plan_stock([place_of(lock) for _, lock in held], life, lead, at_depot + shelves,
                      SERVICE_LEVEL)
    costs = [item.unit_cost for item in entries.values() if item.unit_cost is not None]
    first = next(iter(entries.values()))
    return PooledStock(
        part, first.description, name, plan, at_depot, shelves, lead,
        sum(item.order_now for item in entries.values()), min(costs, default=None),
        weeks[0].currency, _transfers(part, depot, name, weeks, entries, life, at_depot, lead))


def _transfers(
    part: str, depot: Depot, name: str | None, weeks: Sequence[VenueWeek],
    entries: Mapping[str, ChainPart], life: PartLives, at_depot: int, lead: float,
) -> tuple[Transfer, ...]:
    """Each venue is to have what it may need until a parcel could come; who has more gives."""
    short: list[tuple[float, str, int, str | None]] = []
    spare: dict[str, int] = {}
    for week in weeks:
        item = entries.get(week.venue)
        locks = [lock for lock in week.locks if lock.part == part]
        if item is None:
            continue
        places = [place_of(lock) for lock in locks]
        soon = plan_stock(places, life, depot.transfer_days, item.in_stock) if places else None
        if soon and soon.order_now:
            first = max(locks, key=lambda lock: (lock.due, -min(lock.drift, default=np.inf)))
            cause = first.lock if first.due or first.drift else None
            short.append((soon.lead.chance_above(item.in_stock), week.venue, soon.order_now, cause))
        elif item.in_stock:
            own = plan_stock(places, life, lead, item.in_stock).level if places else 0
            spare[week.venue] = max(0, item.in_stock - own)
    sent = []
    for _, venue, count, lock in sorted(short, key=lambda row: (-row[0], row[1])):
        wanted = count
        for source in ([""] if name is not None else []) + sorted(
                spare, key=lambda home: (-spare[home], home)):
            has = spare[source] if source else at_depot
            moved = min(wanted, has)
            if not moved:
                continue
            if source:
                spare[source] -= moved
            else:
                at_depot -= moved
            wanted -= moved
            sent.append(Transfer(part, source or str(name), not source, venue, moved, lock))
    return tuple(sent)
