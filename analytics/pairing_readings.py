"""The signals table taken apart into what pairing works on: edges, readings, running segments.

Only records of channels that the venue file names are looked at, each for the
quantities that such a channel may carry.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from analytics.pairing_levels import Ints, Reals, Samples, segment_starts
from analytics.pairing_setup import Setup
from analytics.pairing_state import Readings
from shared.venue import controller_of


@dataclass(frozen=True)
class Records:
    """All records of one channel and quantity, in time order, repeats included."""

    time: Ints
    value: Reals
    run: Ints
    """One number if it is the same throughout."""

    def since(self, begin: int) -> Records:
        """Those from ``begin`` on."""
        at = int(np.searchsorted(self.time, begin, "left"))
        return Records(self.time[at:], self.value[at:],
                       self.run if self.run.size == 1 else self.run[at:])

    def before(self, end: int) -> Records:
        """Those before ``end``."""
        at = int(np.searchsorted(self.time, end, "left"))
        return Records(self.time[:at], self.value[:at],
                       self.run if self.run.size == 1 else self.run[:at])

    def followed_by(self, later: Records) -> Records:
        """These and ``later`` ones."""
        return Records(np.concatenate([self.time, later.time]),
                       np.concatenate([self.value, later.value]),
                       np.concatenate([self.runs(), later.runs()]))

    def runs(self) -> Ints:
        """The run of every record."""
        return self.run if self.run.size == self.time.size else np.repeat(self.run, self.time.size)

    def samples(self) -> Samples:
        """Each (time, value) once; of one instant, the lower first. Only finite values."""
        time, value = self.time, self.value
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
    command_lock, command_time, command_value, command_run = _of(
        signals, "command", setup.command_of)
    contact_lock, contact_time, contact_value, contact_run = _of(
        signals, "contact", setup.contact_of)
    whose = [setup.command_owner[command_lock], setup.contact_owner[contact_lock]]
    times, runs = [command_time, contact_time], [command_run, contact_run]
    for (channel, _), records in (levels or {}).items():
        owner = setup.controllers.index(controller_of(channel))
        if records.run.size == 1:
            whose.append(np.full(2, owner))
            times.append(records.time[[0, -1]])
            runs.append(np.repeat(records.run, 2))
        else:
            whose.append(np.full(records.time.size, owner))
            times.append(records.time)
            runs.append(records.run)
    controller, run, first, last = segments(
        np.concatenate(whose), np.concatenate(times), np.concatenate(runs))
    return Readings(
        command_lock, command_time, command_value == setup.energised_value[command_lock],
        command_run, contact_lock, contact_time, contact_value, contact_run,
        controller, run, first, last,
    )


def readings_between(
    readings: Readings, setup: Setup, levels: Levels, start: int, end: int
) -> Readings:
    """The part of ``readings`` (made with ``levels``) from ``start`` up to ``end``."""
    r = readings
    command = np.flatnonzero((r.command_time >= start) & (r.command_time < end))
    contact = np.flatnonzero((r.contact_time >= start) & (r.contact_time < end))
    whose = [setup.command_owner[r.command_lock[command]],
             setup.contact_owner[r.contact_lock[contact]]]
    times = [r.command_time[command], r.contact_time[contact]]
    runs = [r.command_run[command], r.contact_run[contact]]
    for (channel, _), every in levels.items():
        part = every.since(start).before(end)
        whose.append(np.full(part.time.size, setup.controllers.index(controller_of(channel))))
        times.append(part.time)
        runs.append(part.runs())
    return Readings(
        r.command_lock[command], r.command_time[command], r.command_on[command],
        r.command_run[command], r.contact_lock[contact], r.contact_time[contact],
        r.contact_value[contact], r.contact_run[contact],
        *segments(np.concatenate(whose), np.concatenate(times), np.concatenate(runs)),
    )


def _of(
    signals: pl.DataFrame, quantity: str, place: Mapping[str, int]
) -> tuple[Ints, Ints, Ints, Ints]:
    if not place:
        return _NOTHING, _NOTHING, _NOTHING, _NOTHING
    frame = signals.filter(pl.col("quantity") == quantity)
    lock = frame["channel"].replace_strict(
        dict(place), default=-1, return_dtype=pl.Int64).to_numpy()
    time = frame["time"].to_physical().to_numpy()
    value = (frame["value"] > 0.5).cast(pl.Int64).to_numpy()
    run = frame["run"].fill_null(0).to_numpy()
    known = lock >= 0
    if known.all():
        return lock, time, value, run
    return lock[known], time[known], value[known], run[known]


_NOTHING = np.empty(0, np.int64)


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


def heard_of(
    setup: Setup, readings: Readings, levels: Levels
) -> Iterable[tuple[str, Ints, Ints, Ints]]:
    """Controller by controller: all its records and their runs, in time order, and its edges."""
    whose = np.concatenate([
        setup.command_owner[readings.command_lock], setup.contact_owner[readings.contact_lock]])
    edge_time = np.concatenate([readings.command_time, readings.contact_time])
    edge_run = np.concatenate([readings.command_run, readings.contact_run])
    by_owner: dict[int, list[Records]] = {}
    for (channel, _), records in levels.items():
        by_owner.setdefault(setup.controllers.index(controller_of(channel)), []).append(records)
    for place, name in enumerate(setup.controllers):
        mine = np.flatnonzero(whose == place)
        edges = np.sort(edge_time[mine])
        parts = by_owner.get(place, [])
        times = [edge_time[mine], *(part.time for part in parts)]
        runs = [edge_run[mine], *(part.runs() for part in parts)]
        if not mine.size and len(parts) == 1:
            yield name, parts[0].time, parts[0].run, edges
            continue
        every, run = np.concatenate(times), np.concatenate(runs)
        order = np.argsort(every, kind="stable")
        if every.size:
            constant = (run == run[0]).all()
            yield name, every[order], run[:1] if constant else run[order], edges
