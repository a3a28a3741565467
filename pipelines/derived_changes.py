"""What a change of the venue file, or of what was learned, makes it necessary to pair again."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import Any

from shared.venue import Lock, Venue, controller_of

VERSION = 4
"""Raised whenever pairing itself gives other rows: everything is then derived anew."""


def made_for(venue: Venue, learned: dict[str, str]) -> dict[str, Any]:
    """Everything in a venue file that the derived rows depend on.

    Parameters
    ----------
    venue : Venue
        As the venue file is now.
    learned : dict of str to str
        What contacts of unknown sense turned out to be.
    """
    limits = venue.limits
    locks = {}
    for lock in venue.locks:
        wait = limits.coast_ms if lock.pulsed else 0.0
        if lock.pulsed and lock.contact and lock.contact_senses == "door":
            wait = limits.door_wait_ms
        sense = lock.contact_closed_when
        locks[lock.id] = {
            "rail": [lock.supply, lock.command, lock.command_energised, lock.released_by,
                     bool(lock.self_cut)],
            "own": [lock.contact, sense, lock.contact_senses if lock.contact else None,
                    learned.get(lock.id) if lock.contact and sense == "unknown" else None,
                    wait, limits.settle_ms if lock.contact else None, limits.retry_within_s],
        }
    return {
        "version": VERSION,
        "locks": locks,
        "order": [lock.id for lock in venue.locks],
        "supplies": {supply.id: supply.channel for supply in venue.supplies},
        "channels": {name: sorted(what) for name, what in sorted(venue.channels.items())},
    }


@dataclass(frozen=True)
class Affected:
    """What has to be paired again on every day; ``everything`` stands above the rest."""

    everything: bool = False
    locks: frozenset[str] = frozenset()
    supplies: frozenset[str] = frozenset()
    controllers: frozenset[str] = frozenset()
    """Whose record of what was logged changes."""

    @property
    def nothing(self) -> bool:
        """Whether the rows stand as they are."""
        return not (self.everything or self.locks or self.supplies or self.controllers)


def affected(before: dict[str, Any], now: dict[str, Any]) -> Affected:
    """Compare two results of :func:`made_for`.

    A lock's contact, its sense, and the waits concern that lock alone. Its command, its
    supply and how it is released load a rail: they concern every lock on the rails it
    is or was on, and those rails' own rows. So does a lock put in or taken out, and a
    rail's channel. A new or lost channel concerns the record of what its controller logged,
    and with it how far the locks that report to that controller were watched.
    """
    if before.get("version") != now["version"]:
        return Affected(everything=True)
    old, new = before["locks"], now["locks"]
    locks: set[str] = set()
    rails: set[str] = set()
    for name in set(old) | set(new):
        one, other = old.get(name), new.get(name)
        if one is None or other is None or one["rail"] != other["rail"]:
            rails |= {known["rail"][0] for known in (one, other) if known}
            locks.add(name)
        elif one["own"] != other["own"]:
            locks.add(name)
    channels, were = now["supplies"], before["supplies"]
    rails |= {name for name in set(were) | set(channels) if were.get(name) != channels.get(name)}
    locks |= {name for known in (old, new) for name, lock in known.items()
              if lock["rail"][0] in rails}
    known, was = now["channels"], before["channels"]
    controllers = {controller_of(name) for name in set(known) | set(was)
                   if known.get(name) != was.get(name)}
    locks |= {name for kind in (old, new) for name, lock in kind.items()
              if controller_of(lock["own"][0] or lock["rail"][1]) in controllers}
    return Affected(locks=frozenset(locks), supplies=frozenset(rails),
                    controllers=frozenset(controllers))


def fingerprint(known: dict[str, Any]) -> str:
    """A short text that changes whenever ``known`` does."""
    return hashlib.sha256(json.dumps(known, sort_keys=True).encode()).hexdigest()[:16]


def senses_to_learn(venue: Venue) -> tuple[Lock, ...]:
    """Locks whose contact is of unknown sense."""
    return tuple(lock for lock in venue.locks
                 if lock.contact and lock.contact_closed_when not in ("locked", "open"))
