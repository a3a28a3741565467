"""What pairing needs to know of a venue, as arrays over its locks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from remanence.analytics.pairing.edges import Flags, Ints
from remanence.shared.venue import Venue

RELEASED, NO_RELEASE, ALREADY_OPEN, UNOBSERVED = range(4)
"""Outcomes as numbers, in the order of :data:`remanence.shared.tables.OUTCOMES`."""

NO_CONTACT, SURE, LEARNED, UNLEARNED = range(4)
"""What is known of a lock's contact: none, stated, learned from the log, not yet learned."""


@dataclass(frozen=True)
class Setup:
    """Locks by their place in the venue file; every array is of shape (n_locks,)."""

    ids: tuple[str, ...]
    pulsed: Flags
    """Released by energising (fail-secure)."""
    energised_value: Ints
    """The command value that energises."""
    coast_us: Ints
    """How long after the releasing command an edge still counts as its answer."""
    contact_kind: Ints
    """NO_CONTACT, SURE, LEARNED or UNLEARNED."""
    open_value: Ints
    """The contact's value when open; -1 where not known."""
    by_supply: Flags
    """No contact, but a self-cut coil on a rail whose volts are logged."""
    self_cut: Flags
    supply: Ints
    """Which supply, in the venue file's order."""
    controller: Ints
    """Whose records say how far the feedback was observed: the contact's, else the command's."""
    contact_controller: tuple[str | None, ...]
    command_controller: tuple[str, ...]
    command_owner: Ints
    """The controller of each command channel."""
    contact_owner: Ints
    """The controller of each contact channel; -1 where there is none."""
    kind: tuple[str | None, ...]
    """latency_from of each lock; null where nothing could tell."""
    controllers: tuple[str, ...]
    settle_us: int
    retry_us: int
    command_of: Mapping[str, int]
    """Lock by its command channel."""
    contact_of: Mapping[str, int]
    """Lock by its contact channel."""
    rail_of: Mapping[str, int]
    """Supply by its channel."""

    @property
    def size(self) -> int:
        """How many locks."""
        return len(self.ids)

    @classmethod
    def of(cls, venue: Venue, learned: Mapping[str, str]) -> Setup:
        """Read a venue; ``learned`` says what contacts of unknown sense turned out to be."""
        locks = venue.locks
        supplies = {supply.id: i for i, supply in enumerate(venue.supplies)}
        channels = {supply.id: supply.channel for supply in venue.supplies}
        controllers = venue.controllers
        limits = venue.limits
        kinds, opens, coasts, by_supply, froms = [], [], [], [], []
        for lock in locks:
            sense = lock.contact_closed_when
            kind = NO_CONTACT if not lock.contact else SURE
            if kind == SURE and sense not in ("locked", "open"):
                sense = learned.get(lock.id, "")
                kind = LEARNED if sense in ("locked", "open") else UNLEARNED
            from_supply = (not lock.contact and lock.self_cut and lock.pulsed
                           and channels.get(lock.supply) is not None)
            kinds.append(kind)
            opens.append({"locked": 0, "open": 1}.get(sense, -1) if lock.contact else -1)
            by_supply.append(from_supply)
            froms.append("supply" if from_supply else lock.contact_senses
                         if kind in (SURE, LEARNED) else None)
            wait = limits.door_wait_ms if lock.contact and lock.contact_senses == "door" \
                else limits.coast_ms
            coasts.append(wait if lock.pulsed and not from_supply else 0.0)
        place = {name: i for i, name in enumerate(controllers)}
        return cls(
            ids=tuple(lock.id for lock in locks),
            pulsed=_flags(lock.pulsed for lock in locks),
            energised_value=_ints(lock.command_energised for lock in locks),
            coast_us=_ints(round(1000 * c) for c in coasts),
            contact_kind=_ints(kinds),
            open_value=_ints(opens),
            by_supply=_flags(by_supply),
            self_cut=_flags(lock.self_cut for lock in locks),
            supply=_ints(supplies.get(lock.supply, -1) for lock in locks),
            controller=_ints(place[lock.contact_controller or lock.command_controller]
                             for lock in locks),
            contact_controller=tuple(lock.contact_controller for lock in locks),
            command_controller=tuple(lock.command_controller for lock in locks),
            command_owner=_ints(place[lock.command_controller] for lock in locks),
            contact_owner=_ints(place.get(lock.contact_controller or "", -1) for lock in locks),
            kind=tuple(froms),
            controllers=controllers,
            settle_us=round(1000 * limits.settle_ms),
            retry_us=round(1_000_000 * limits.retry_within_s),
            command_of={lock.command: i for i, lock in enumerate(locks)},
            contact_of={lock.contact: i for i, lock in enumerate(locks) if lock.contact},
            rail_of={s.channel: i for i, s in enumerate(venue.supplies) if s.channel},
        )


def _ints(values: Any) -> Ints:
    return np.array(list(values), np.int64)


def _flags(values: Any) -> Flags:
    return np.array(list(values), np.bool_)
