"""The chain as a whole: its venues in the order of what needs hands, routes, parts and batches."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from remanence.analytics.chain.batches import Batch, bad_batch
from remanence.analytics.chain.beside import SlowBeside, slow_beside_others
from remanence.analytics.chain.model import ChainFinding, Member
from remanence.analytics.chain.pool import PooledLife, PooledStock, pooled_life, pooled_stock
from remanence.shared.chain_file import Depot
from remanence.shared.findings import URGENCIES


@dataclass(frozen=True)
class Stop:
    """One venue on a technician's way: what is to be done there."""

    member: Member
    jobs: tuple[ChainFinding, ...]
    parts: tuple[tuple[str, int], ...]
    """Parts to bring, and how many."""


@dataclass(frozen=True)
class Route:
    """One technician's venues, the most urgent first; ``technician`` None: nobody is named."""

    technician: str | None
    stops: tuple[Stop, ...]
    quiet: tuple[Member, ...]
    """Venues where nothing is to be done."""
    unknown: tuple[Member, ...]
    """Venues whose state is not known."""


@dataclass(frozen=True)
class ChainView:
    """Everything that the chain's pages show.

    Attributes
    ----------
    name : str
        The chain's.
    today : date or None
        Newest day that a venue was judged for; None where none was.
    members : tuple of Member
        Those whose state is not known first, then in the order of what needs hands.
    routes : tuple of Route
        A technician each.
    lives : tuple of PooledLife
        Every part's life.
    stock : tuple of PooledStock
        What to send and to order.
    slow : tuple of SlowBeside
        Locks that are slow beside the same model elsewhere.
    batches : tuple of Batch
        Bad batches.
    """

    name: str
    today: date | None
    members: tuple[Member, ...]
    routes: tuple[Route, ...]
    lives: tuple[PooledLife, ...]
    stock: tuple[PooledStock, ...]
    slow: tuple[SlowBeside, ...]
    batches: tuple[Batch, ...]

    @property
    def unknown(self) -> tuple[Member, ...]:
        """Venues whose state is not known."""
        return tuple(member for member in self.members if member.week is None)

    def count(self, urgency: str) -> int:
        """Findings of that urgency in all venues."""
        return sum(member.week.count(urgency) for member in self.members if member.week)


def by_need(member: Member) -> tuple[object, ...]:
    """Sort key: what is not known, then most findings of the greatest urgency."""
    if member.week is None:
        return (0, member.path)
    return (1, *(-member.week.count(urgency) for urgency in URGENCIES), member.name)


def chain_view(name: str, members: Sequence[Member], depots: Sequence[Depot] = ()) -> ChainView:
    """Work out all that only a chain can know.

    Parameters
    ----------
    name : str
        The chain's.
    members : sequence of Member
        Its venues.
    depots : sequence of Depot
        Its depots.

    Returns
    -------
    ChainView
    """
    ordered = tuple(sorted(members, key=by_need))
    weeks = [member.week for member in ordered if member.week]
    names = sorted({part.id for week in weeks for part in week.parts})
    lives = {part: pooled_life(part, weeks) for part in names}
    batches = (bad_batch(part, sorted(members, key=lambda m: m.path), lives[part].life)
               for part in names)
    return ChainView(
        name, max((week.today for week in weeks), default=None), ordered, _routes(ordered),
        tuple(lives.values()), tuple(pooled_stock(ordered, depots, lives)),
        tuple(slow_beside_others(ordered)), tuple(item for item in batches if item))


def _routes(members: Sequence[Member]) -> tuple[Route, ...]:
    names = sorted({member.technician for member in members if member.technician})
    everyone: list[str | None] = [*names]
    if any(member.technician is None for member in members):
        everyone.append(None)
    return tuple(_route(name, [m for m in members if m.technician == name]) for name in everyone)


def _route(technician: str | None, members: Sequence[Member]) -> Route:
    stops = []
    for member in members:
        jobs = tuple(item for item in (member.week.findings if member.week else ())
                     if item.urgency in ("now", "week"))
        if jobs:
            stops.append(Stop(member, jobs, _parts(member)))
    with_jobs = {stop.member.path for stop in stops}
    return Route(
        technician, tuple(stops),
        tuple(m for m in members if m.week and m.path not in with_jobs),
        tuple(m for m in members if m.week is None))


def _parts(member: Member) -> tuple[tuple[str, int], ...]:
    """A part for each lock by which a finding says that one is due."""
    wanted: dict[str, int] = {}
    for lock in member.week.locks if member.week else ():
        if lock.part and lock.due > 0:
            wanted[lock.part] = wanted.get(lock.part, 0) + 1
    return tuple(sorted(wanted.items()))
