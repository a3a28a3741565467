"""The signals table taken apart into what pairing works on: edges, readings, running segments.

Only records of channels that the venue file names are looked at, each for the
quantities that such a channel may carry.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import polars as pl

from remanence.analytics.pairing.edges import Flags, Ints, Reals, Samples, segment_starts
from remanence.analytics.pairing.hours import HOUR_US, Hours, KnownHours, untouched
from remanence.analytics.pairing.setup import Setup
from remanence.analytics.pairing.step import Readings
from remanence.shared.venue import controller_of


@dataclass(frozen=True)
class Records:
    """All records of one channel and quantity, in time order, repeats included."""

    time: Ints
    value: Reals
    run: Ints
    """One number if it is the same throughout."""
    clean: bool = False
    """Whether it is known that they are :meth:`samples` as they are."""

    def since(self, begin: int) -> Records:
        """Those from ``begin`` on."""
        at = int(np.searchsorted(self.time, begin, "left"))
        return Records(self.time[at:], self.value[at:],
                       self.run if self.run.size == 1 else self.run[at:])

    def without(self, hours: Collection[int]) -> Records:
        """Those outside some hours, by number since 1970."""
        if not hours or not self.time.size:
            return self
        first, last = int(self.time[0]) // HOUR_US, int(self.time[-1]) // HOUR_US
        kept = [number for number in range(first, last + 1) if number not in hours]
        if len(kept) == last + 1 - first:
            return self
        bounds = np.searchsorted(self.time, np.array([kept, kept], np.int64).T * HOUR_US
                                 + np.array([0, HOUR_US]))
        which = np.concatenate([np.arange(low, high) for low, high in bounds.tolist()]) \
            if kept else np.empty(0, np.int64)
        return Records(self.time[which], self.value[which],
                       self.run if self.run.size == 1 else self.run[which])

    def runs(self) -> Ints:
        """The run of every record."""
        return self.run if self.run.size == self.time.size else np.repeat(self.run, self.time.size)

    def samples(self) -> Samples:
        """Each (time, value) once; of one instant, the lower first. Only finite values."""
        time, value = self.time, self.value
        if self.clean:
            return Samples(time, value)
        good = np.isfinite(value)
        if not good.all():
            time, value = time[good], value[good]
        if (time[1:] <= time[:-1]).any():
            order = np.lexsort((value, time))
            time, value = time[order], value[order]
            new = np.ones(time.size, np.bool_)
            new[1:] = (time[1:] != time[:-1]) | (value[1:] != value[:-1])
            time, value = time[new], value[new]
        return Samples(time, value)


@dataclass(frozen=True)
class EdgeRecords:
    """Records of commands or contacts as logged, any order; ``value`` is 0 or 1."""

    lock: Ints
    """-1 where the channel is no lock's."""
    time: Ints
    value: Ints
    run: Ints

    @classmethod
    def none(cls) -> EdgeRecords:
        """No records."""
        return cls(*(np.empty(0, np.int64) for _ in range(4)))

    def take(self, which: Flags | Ints) -> EdgeRecords:
        """Those that ``which`` selects."""
        return EdgeRecords(self.lock[which], self.time[which], self.value[which], self.run[which])

    def known(self) -> EdgeRecords:
        """Those of locks."""
        known = self.lock >= 0
        return self if known.all() else self.take(known)

    def between(self, start: int, end: int) -> EdgeRecords:
        """Those from ``start`` up to ``end``."""
        return self.take(np.flatnonzero((self.time >= start) & (self.time < end)))


Levels = Mapping[tuple[str, str], Records]
"""Records by channel and quantity (``volts`` or ``amps``)."""


def levels_of(setup: Setup, signals: pl.DataFrame) -> dict[tuple[str, str], Records]:
    """Volts of the rails and amps of the coils out of SIGNALS; any order.

    Parameters
    ----------
    setup : Setup
        The locks and rails.
    signals : polars.DataFrame
        ``time``, ``channel``, ``quantity``, ``value`` and ``run``.
    """
    found: dict[tuple[str, str], Records] = {}
    for quantity, channels in (("volts", setup.rail_of), ("amps", setup.command_of)):
        is_it = signals["quantity"] == quantity
        if not is_it.any():
            continue
        frame = signals if is_it.all() else signals.filter(is_it)
        time, value = frame["time"].to_physical().to_numpy(), frame["value"].to_numpy()
        runs = frame["run"]
        alike = runs.min() == runs.max() and not runs.null_count()
        run = (runs[:1] if alike else runs.fill_null(0)).to_numpy()
        left = frame.height
        for channel in channels:
            if not left:
                break
            at = np.flatnonzero((frame["channel"] == channel).to_numpy())
            if not at.size:
                continue
            left -= at.size
            times = time[at]
            if (times[1:] < times[:-1]).any():
                at = at[np.argsort(times, kind="stable")]
                times = time[at]
            found[channel, quantity] = Records(
                times, value[at], run if run.size == 1 else run[at])
    return found


def readings_of(setup: Setup, signals: pl.DataFrame, levels: Levels | None = None) -> Readings:
    """Commands, contacts and running segments out of SIGNALS.

    Parameters
    ----------
    setup : Setup
        The locks.
    signals : polars.DataFrame
        SIGNALS, any order.
    levels : mapping of (channel, quantity) to Records, optional
        Other records of the same span: they say how far each controller's log reaches.
    """
    return readings_from(setup, _of(signals, "command", setup.command_of),
                         _of(signals, "contact", setup.contact_of), levels or {})


def edges_alone(setup: Setup, commands: EdgeRecords, contacts: EdgeRecords) -> Readings:
    """The commands and contacts, without the running segments."""
    r, c, none = commands, contacts, np.empty(0, np.int64)
    return Readings(r.lock, r.time, r.value == setup.energised_value[r.lock], r.run,
                    c.lock, c.time, c.value, c.run, none, none, none, none)


def readings_from(
    setup: Setup, commands: EdgeRecords, contacts: EdgeRecords, levels: Levels,
    every: Callable[[], Levels] | None = None,
) -> Readings:
    """The same from records of commands and contacts.

    Of a row of levels of one run its first and last record are enough, unless ``every``
    one is asked for.
    """
    r, c = commands, contacts
    return Readings(
        r.lock, r.time, r.value == setup.energised_value[r.lock], r.run,
        c.lock, c.time, c.value, c.run, *_segments_of(setup, r, c, levels, every))


def _segments_of(
    setup: Setup, commands: EdgeRecords, contacts: EdgeRecords, levels: Levels,
    every: Callable[[], Levels] | None,
) -> tuple[Ints, Ints, Ints, Ints]:
    """:func:`segments` of all records.

    Of a long row of levels of one run only its ends are looked at. That is all there is
    to know, unless records of another run lie between them: then that run, or this
    one, shows twice, and every record is looked at.
    """
    edges = [(setup.command_owner[commands.lock], commands.time, commands.run),
             (setup.contact_owner[contacts.lock], contacts.time, contacts.run)]
    parts, whole = list(edges), every is None
    for (channel, _), records in levels.items():
        if not records.time.size:
            continue
        ends = _ends_of_runs(records)
        whole &= ends.size == records.time.size
        owner = np.full(ends.size, setup.controllers.index(controller_of(channel)))
        run = records.run if records.run.size == 1 else records.run[ends]
        parts.append((owner, records.time[ends], np.broadcast_to(run, ends.shape)))
    found = segments(*_joined(parts))
    if whole or not _any_twice(found[0], found[1]):
        return found
    parts = edges + [
        (np.full(records.time.size, setup.controllers.index(controller_of(channel))),
         records.time, records.runs())
        for (channel, _), records in (every() if every else levels).items()]
    return segments(*_joined(parts))


def _joined(parts: Sequence[tuple[Ints, Ints, Ints]]) -> tuple[Ints, Ints, Ints]:
    owner, time, run = (np.concatenate([part[k] for part in parts]) for k in range(3))
    return owner, time, run


def _ends_of_runs(records: Records) -> Ints:
    """First and last of each stretch of records of one run."""
    size = records.time.size
    if records.run.size == 1:
        return np.unique([0, size - 1])
    turns = np.flatnonzero(records.run[1:] != records.run[:-1])
    return np.unique(np.concatenate([[0, size - 1], turns, turns + 1]))


def _any_twice(controller: Ints, run: Ints) -> bool:
    order = np.lexsort((run, controller))
    controller, run = controller[order], run[order]
    return bool(((controller[1:] == controller[:-1]) & (run[1:] == run[:-1])).any())


def _of(signals: pl.DataFrame, quantity: str, place: Mapping[str, int]) -> EdgeRecords:
    if not place:
        return EdgeRecords.none()
    frame = signals.filter(pl.col("quantity") == quantity)
    lock = frame["channel"].replace_strict(
        dict(place), default=-1, return_dtype=pl.Int64).to_numpy()
    time = frame["time"].to_physical().to_numpy()
    value = (frame["value"] > 0.5).cast(pl.Int64).to_numpy()
    run = frame["run"].fill_null(0).to_numpy()
    return EdgeRecords(lock, time, value, run).known()


def segments(owner: Ints, time: Ints, run: Ints) -> tuple[Ints, Ints, Ints, Ints]:
    """Each controller's running segments in time order: controller, run, first and last record.

    A run that is interrupted by another one's records and comes back counts twice.
    """
    order = np.lexsort((run, time, owner))
    owner, time, run = owner[order], time[order], run[order]
    new = segment_starts(owner)
    new[1:] |= run[1:] != run[:-1]
    at = np.flatnonzero(new)
    return owner[at], run[at], time[at], time[np.append(at, owner.size)[1:] - 1]


def calm_hours(setup: Setup, readings: Readings, known: KnownHours) -> dict[int, Hours]:
    """By controller's place: of the hours of a day that are known those without an edge of its."""
    found: dict[int, Hours] = {}
    for name, hours in known.controllers.items():
        owner = setup.controllers.index(name)
        times = np.concatenate([
            readings.command_time[setup.command_owner[readings.command_lock] == owner],
            readings.contact_time[setup.contact_owner[readings.contact_lock] == owner]])
        calm = untouched(hours, times, times)
        found[owner] = {number: told for number, told in hours.items() if number in calm}
    return found


def owner_of(setup: Setup, channel: str) -> int:
    """The place of a channel's controller."""
    return setup.controllers.index(controller_of(channel))


def owners_of(setup: Setup, levels: Levels) -> set[int]:
    """Controllers that logged any of the levels."""
    return {owner_of(setup, channel) for channel, _ in levels}


def heard_of(
    setup: Setup, readings: Readings, levels: Levels, owners: Collection[int] | None = None
) -> Iterable[tuple[int, Ints, Ints, Ints]]:
    """Controller by controller: all its records and their runs, in time order, and its edges.

    Only ``owners``, if given.
    """
    whose = np.concatenate([
        setup.command_owner[readings.command_lock], setup.contact_owner[readings.contact_lock]])
    edge_time = np.concatenate([readings.command_time, readings.contact_time])
    edge_run = np.concatenate([readings.command_run, readings.contact_run])
    if owners is not None:
        asked = np.zeros(len(setup.controllers), np.bool_)
        asked[list(owners)] = True
        mine = asked[whose]
        whose, edge_time, edge_run = whose[mine], edge_time[mine], edge_run[mine]
    order = np.lexsort((edge_run, edge_time, whose))
    whose, edge_time, edge_run = whose[order], edge_time[order], edge_run[order]
    bounds = np.searchsorted(whose, np.arange(len(setup.controllers) + 1)).tolist()
    parts: list[list[tuple[Ints, Ints]]] = [[] for _ in setup.controllers]
    for owner, (low, high) in enumerate(pairwise(bounds)):
        if high > low:
            run = edge_run[low:high]
            parts[owner].append((edge_time[low:high], run[:1] if (run == run[0]).all() else run))
    for (channel, _), records in levels.items():
        if records.time.size:
            parts[setup.controllers.index(controller_of(channel))].append(
                (records.time, records.run))
    for owner, mine in enumerate(parts):
        if not mine or (owners is not None and owner not in owners):
            continue
        edges = edge_time[bounds[owner]:bounds[owner + 1]]
        first = mine[0][1]
        if len(mine) == 1:
            yield owner, *mine[0], edges
        elif all(run.size == 1 and run[0] == first[0] for _, run in mine):
            yield owner, np.sort(np.concatenate([time for time, _ in mine])), first, edges
        else:
            every = np.concatenate([time for time, _ in mine])
            runs = np.concatenate([np.broadcast_to(run, time.shape) for time, run in mine])
            order = np.argsort(every, kind="stable")
            yield owner, every[order], runs[order], edges
