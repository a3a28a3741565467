"""What pairing needs to know of a venue: one row a lock."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import polars as pl

from remanence.shared.venue import Lock, Venue, controller_of

C = pl.col

SENSES = {"locked": False, "open": True}
"""The contact's value while the lock is open, by when the contact is closed."""


@dataclass(frozen=True)
class Wiring:
    """The locks and rails of a venue, and the limits that pairing goes by."""

    locks: pl.DataFrame
    """One row a lock, in the order of the venue file:

    - ``lock`` (Enum of all locks), ``rail`` (its supply), ``rail_logged``;
    - ``command``, ``contact``: channels; ``command_controller``, ``contact_controller``;
    - ``watcher``: the controller whose records say how far the feedback was observed;
    - ``pulsed``: released by energising (fail-secure); ``self_cut``;
    - ``fires``: the command's value that releases; ``open_value``: the contact's value when open,
      null where that is not known; ``sense_learned``: it is known from the log alone;
    - ``coast_us``: how long after the releasing command an edge still counts as its answer;
    - ``by_supply``: its release is read off its rail; ``latency_from``, ``across_clocks``.
    """
    rails: Mapping[str, str]
    """Supply by the channel of its volts."""
    controllers: tuple[str, ...]
    settle_us: int
    retry_us: int

    @classmethod
    def of(cls, venue: Venue, learned: Mapping[str, str]) -> Wiring:
        """Read a venue.

        Parameters
        ----------
        venue : Venue
            What is wired where.
        learned : mapping of str to str
            What contacts of unknown sense turned out to be: closed when ``locked`` or ``open``,
            by lock.
        """
        names = pl.Enum([lock.id for lock in venue.locks])
        rows = [_row(venue, lock, learned) for lock in venue.locks]
        return cls(
            pl.DataFrame(rows, schema={**SCHEMA, "lock": names}),
            {supply.channel: supply.id for supply in venue.supplies if supply.channel},
            venue.controllers,
            round(1000 * venue.limits.settle_ms), round(1_000_000 * venue.limits.retry_within_s))

    @property
    def channels(self) -> pl.DataFrame:
        """``channel``, ``quantity``, ``lock`` and ``controller`` of the commands and contacts."""
        return pl.concat([
            self.of_locks(channel=of, quantity=pl.lit(of), controller=f"{of}_controller")
            for of in ("command", "contact")]).drop_nulls()

    @cached_property
    def levels(self) -> frozenset[tuple[str, str]]:
        """Quantity and channel of the volts of rails and the amps of coils."""
        return frozenset({("volts", channel) for channel in self.rails}
                         | {("amps", channel) for channel in self.locks["command"]})

    @property
    def pairs(self) -> pl.DataFrame:
        """PAIRS of clocks, see :mod:`remanence.analytics.clocks.second_clock`."""
        return self.locks.filter("across_clocks", C.contact.is_not_null()).select(
            "lock", first="command_controller", second="contact_controller",
            is_read=C.open_value.is_not_null(), is_door=C.latency_from == "door")

    @property
    def lock(self) -> pl.DataType:
        """The type of every column ``lock``."""
        return self.locks.schema["lock"]

    def of_locks(self, *columns: str, **renamed: str | pl.Expr) -> pl.DataFrame:
        """``lock`` and some other columns."""
        return self.locks.select("lock", *columns, **renamed)


SCHEMA = {
    "lock": pl.String(), "rail": pl.String(), "rail_logged": pl.Boolean(), "command": pl.String(),
    "contact": pl.String(), "command_controller": pl.String(), "contact_controller": pl.String(),
    "watcher": pl.String(), "pulsed": pl.Boolean(), "self_cut": pl.Boolean(),
    "fires": pl.Boolean(), "open_value": pl.Boolean(), "sense_learned": pl.Boolean(),
    "coast_us": pl.Int64(), "by_supply": pl.Boolean(), "latency_from": pl.String(),
    "across_clocks": pl.Boolean(),
}


def _row(venue: Venue, lock: Lock, learned: Mapping[str, str]) -> dict[str, object]:
    supply = venue.supplies_by_id.get(lock.supply)
    channel = supply.channel if supply else None
    stated = SENSES.get(lock.contact_closed_when)
    sense = stated if stated is not None else SENSES.get(learned.get(lock.id, ""))
    sense = sense if lock.contact else None
    by_supply = bool(not lock.contact and lock.self_cut and lock.pulsed and channel is not None)
    wait_ms = venue.limits.door_wait_ms if lock.contact and lock.contact_senses == "door" \
        else venue.limits.coast_ms
    feedback = controller_of(channel or "") if by_supply else lock.contact_controller
    return {
        "lock": lock.id, "rail": lock.supply, "rail_logged": channel is not None,
        "command": lock.command, "contact": lock.contact,
        "command_controller": lock.command_controller,
        "contact_controller": lock.contact_controller,
        "watcher": lock.contact_controller or lock.command_controller,
        "pulsed": lock.pulsed, "self_cut": bool(lock.self_cut),
        "fires": bool(lock.command_energised) == lock.pulsed,
        "open_value": sense, "sense_learned": sense is not None and stated is None,
        "coast_us": round(1000 * wait_ms) if lock.pulsed and not by_supply else 0,
        "by_supply": by_supply,
        "latency_from": "supply" if by_supply else lock.contact_senses
        if sense is not None else None,
        "across_clocks": None if feedback is None else feedback != lock.command_controller,
    }
