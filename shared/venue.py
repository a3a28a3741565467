"""The checked model of a venue: what is wired where, and what it is rated for.

These classes hold what ``venue.toml`` said once it has been found free of
faults (:mod:`remanence.shared.venue_file`). Units are in the names.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import cached_property
from zoneinfo import ZoneInfo

from remanence.shared.limits import Limits
from remanence.shared.live_source import LiveSource
from remanence.shared.log_format import LogFormat
from remanence.shared.sequence import Sequence
from remanence.shared.tell_target import TellTarget

BUCKET_SCHEME = "s3://"
"""How the address of a store in a bucket begins."""

DEFAULT_RELEASED_BY = {"magnet": "power-off", "latch": "power-on"}


def controller_of(channel: str) -> str:
    """The controller, the unit whose clock stamps ``channel``: what stands before the first /.

    Parameters
    ----------
    channel : str
        ``CONTROLLER/NAME``; one without / is its own controller.

    Returns
    -------
    str
        The controller's name.
    """
    return channel.split("/", 1)[0]


@dataclass(frozen=True)
class Supply:
    """One rail: the supply that a group of locks draws from.

    The fields are the keys of ``[[supply]]`` with their units in the name; ``line`` is its block's
    line in the venue file. None: not stated.
    """

    id: str
    rated_volts: float
    channel: str | None = None
    rated_amps: float | None = None
    source: str = "mains"
    measured_at: str = "supply"
    line: int = 0


@dataclass(frozen=True)
class Part:
    """One kind of spare part.

    The fields are the keys of ``[[part]]``; ``line`` is its block's line in the venue file, and
    ``on_order`` what the order log says is on the way. None: not stated.
    """

    id: str
    description: str = ""
    unit_cost: float | None = None
    lead_time_days: float | None = None
    in_stock: int = 0
    counted: date | None = None
    rated_cycles: int | None = None
    line: int = 0
    on_order: int = 0


@dataclass(frozen=True)
class Lock:
    """One lock as it is wired and rated.

    The fields are the keys of ``[[lock]]`` with their units in the name; ``line`` is its block's
    line in the venue file. None: not stated.
    """

    id: str
    guards: str
    mechanism: str
    released_by: str
    supply: str
    command: str
    room: str = ""
    command_energised: int = 1
    contact: str | None = None
    contact_closed_when: str = "unknown"
    contact_senses: str = "catch"
    self_cut: bool = False
    suppression: str = "unknown"
    rated_volts: float = 12.0
    coil_ohms: float | None = None
    rated_amps: float | None = None
    max_on_ms: float | None = None
    duty_percent: float | None = None
    insulation_class: str | None = None
    coil_rise_kelvin: float | None = None
    coil_time_minutes: float | None = None
    holding_newtons: float | None = None
    cable_metres: float | None = None
    cable_mm2: float | None = None
    cable_awg: int | None = None
    part: str | None = None
    installed: date | None = None
    release_within_ms: float | None = None
    line: int = 0

    @property
    def fail_safe(self) -> bool:
        """Whether it opens when power is lost."""
        return self.released_by == "power-off"

    @property
    def is_magnet(self) -> bool:
        """Whether it is a holding magnet."""
        return self.mechanism == "magnet"

    @property
    def pulsed(self) -> bool:
        """Whether the coil is energised only to release (fail-secure)."""
        return self.released_by == "power-on"

    @property
    def on_way_out(self) -> bool:
        """Whether people pass it or stand behind it."""
        return self.guards == "doorway"

    @property
    def continuous(self) -> bool:
        """Whether the coil may stay on for ever."""
        return self.max_on_ms is None and (self.duty_percent is None or self.duty_percent >= 100)

    @property
    def ohms(self) -> float | None:
        """Coil resistance at 20 degrees Celsius, stated or from volts and amps; None without."""
        if self.coil_ohms is not None:
            return self.coil_ohms
        if self.rated_amps:
            return self.rated_volts / self.rated_amps
        return None

    @property
    def amps(self) -> float | None:
        """Coil current at rated volts, cold; None where neither it nor the resistance is stated."""
        if self.rated_amps is not None:
            return self.rated_amps
        return self.rated_volts / self.coil_ohms if self.coil_ohms else None

    @property
    def command_controller(self) -> str:
        """The controller that energises it."""
        return controller_of(self.command)

    @property
    def contact_controller(self) -> str | None:
        """The controller that reads its feedback."""
        return controller_of(self.contact) if self.contact else None

    @property
    def latency_kind(self) -> str | None:
        """What a release latency of this lock means; None where nothing could tell."""
        if self.contact:
            return self.contact_senses
        return "supply" if self.self_cut else None


def folder_of_store(store: str) -> str:
    """Where a store lies, or is copied to.

    Each address has a copy of its own: a change of it must not mix two stores.

    Parameters
    ----------
    store : str
        ``store`` of the venue file: a folder, or the address of a place in a bucket.

    Returns
    -------
    str
        A folder, relative to the venue file.
    """
    if not store.startswith(BUCKET_SCHEME):
        return store
    return f"store-{hashlib.sha256(store.encode()).hexdigest()[:8]}"


@dataclass(frozen=True)
class Venue:
    """A venue: its rails, parts, locks and the logs they come from.

    The fields are the keys of ``[venue]``; beside them ``logs``, ``sources``, ``tells``,
    ``supplies``, ``parts``, ``locks``, ``sequences`` in the file's order, and ``limits``.
    """

    id: str
    name: str
    time_zone: str
    store: str = "store"
    service_log: str | None = None
    order_log: str = "orders.csv"
    currency: str = "EUR"
    game_price: float | None = None
    release_test_days: float = 31.0
    served_at: str | None = None
    logs: tuple[LogFormat, ...] = ()
    sources: tuple[LiveSource, ...] = ()
    tells: tuple[TellTarget, ...] = ()
    supplies: tuple[Supply, ...] = ()
    parts: tuple[Part, ...] = ()
    locks: tuple[Lock, ...] = ()
    sequences: tuple[Sequence, ...] = ()
    limits: Limits = field(default_factory=Limits)

    @cached_property
    def zone(self) -> ZoneInfo:
        """The venue's time zone."""
        return ZoneInfo(self.time_zone)

    @property
    def store_folder(self) -> str:
        """The store's folder, relative to the venue file; of a bucket's, that of its copy."""
        return folder_of_store(self.store)

    @property
    def all_logs(self) -> tuple[LogFormat, ...]:
        """How every log is read: the ``[[log]]`` blocks, then what each live source recorded."""
        return (*self.logs, *(source.log for source in self.sources))

    @cached_property
    def locks_by_id(self) -> dict[str, Lock]:
        """Locks by their id, in the file's order."""
        return {lock.id: lock for lock in self.locks}

    @cached_property
    def supplies_by_id(self) -> dict[str, Supply]:
        """Supplies by their id, in the file's order."""
        return {supply.id: supply for supply in self.supplies}

    @cached_property
    def parts_by_id(self) -> dict[str, Part]:
        """Parts by their id, in the file's order."""
        return {part.id: part for part in self.parts}

    @cached_property
    def rooms(self) -> tuple[str, ...]:
        """Rooms in the order in which the file first names them."""
        return tuple(dict.fromkeys(lock.room for lock in self.locks))

    def release_test_due(self, last: date) -> date:
        """The last day on which a release test is in time.

        Parameters
        ----------
        last : date
            The day of the one before that was passed.

        Returns
        -------
        date
        """
        return last + timedelta(days=math.floor(self.release_test_days))

    def locks_on(self, supply: str) -> tuple[Lock, ...]:
        """The locks fed by a rail.

        Parameters
        ----------
        supply : str
            The rail's id; one that the venue does not know has none.

        Returns
        -------
        tuple of Lock
            In the file's order.
        """
        return tuple(lock for lock in self.locks if lock.supply == supply)

    @cached_property
    def channels(self) -> dict[str, frozenset[str]]:
        """Every channel the venue file names, with the quantities it may carry."""
        named: dict[str, set[str]] = {}
        pairs: Iterable[tuple[str | None, str]] = (
            *((lock.command, "command") for lock in self.locks),
            *((lock.command, "amps") for lock in self.locks),
            *((lock.contact, "contact") for lock in self.locks),
            *((supply.channel, "volts") for supply in self.supplies),
            *((supply.channel, "amps") for supply in self.supplies),
        )
        for channel, quantity in pairs:
            if channel:
                named.setdefault(channel, set()).add(quantity)
        return {channel: frozenset(quantities) for channel, quantities in named.items()}

    @cached_property
    def controllers(self) -> tuple[str, ...]:
        """Controllers named by any channel, sorted."""
        return tuple(sorted({controller_of(channel) for channel in self.channels}))
