"""The store's records as arrays, taken straight from its Parquet files.

Of levels, which are nearly all there is, an outline is made first, out of what the files
say of their row groups; then those row groups are read that are needed, times and values.
Where a row group's statistics say that it holds one channel, one quantity and one run, these
columns are not looked at.
"""

from __future__ import annotations

import itertools
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from remanence.analytics.pairing.edges import Ints, Reals
from remanence.analytics.pairing.hours import (
    HOUR_US,
    NO_STRETCHES,
    SAMPLES,
    KnownHours,
    Stretches,
    untouched,
)
from remanence.analytics.pairing.rail_tasks import RailTasks
from remanence.analytics.pairing.rail_windows import done_at, looked_at_from
from remanence.analytics.pairing.readings import EdgeRecords, Records, calm_hours, owner_of
from remanence.analytics.pairing.setup import Setup
from remanence.analytics.pairing.step import Readings
from remanence.pipelines.derive.known_hours import known_hours
from remanence.pipelines.store import manifest as store_manifest
from remanence.pipelines.store.disk import check
from remanence.pipelines.store.manifest import Segment
from remanence.shared.errors import StoreError


@dataclass(frozen=True)
class Needs:
    """What is looked at of some days."""

    volts: Mapping[int, Stretches]
    """By supply."""
    amps: Mapping[int, Stretches]
    """By lock."""
    busy: Mapping[int, Stretches]
    """When a latch was on, by supply."""
    supplies: Collection[int] | None
    """Whose hours are wanted; None: all of them."""
    controllers: Collection[int] | None
    """Whose activity is wanted; None: all of them."""

    @classmethod
    def of(
        cls, setup: Setup, tasks: RailTasks, busy: Mapping[int, Stretches],
        supplies: Collection[int] | None, controllers: Collection[int] | None,
    ) -> Needs:
        """What some commands, hours and activity need.

        Parameters
        ----------
        setup : Setup
            The locks.
        tasks : RailTasks
            The commands whose rails are looked at.
        busy : mapping of int to Stretches
            See :func:`remanence.analytics.pairing.days.busy_rails`.
        supplies, controllers : collection of int or None
            Whose hours and activity are wanted; None: of all.
        """
        begin = looked_at_from(tasks.start)
        end = done_at(tasks.start, tasks.end, setup.pulsed[tasks.lock])
        return cls(_apart(setup.supply[tasks.lock], begin, end), _apart(tasks.lock, begin, end),
                   busy, supplies, controllers)

    def of_day(self, setup: Setup, outline: Outline, readings: Readings) -> list[bool]:
        """Which of a day's row groups are needed, given the day's edges."""
        still = {
            channel: untouched(hours, *self.busy.get(setup.rail_of[channel], NO_STRETCHES))
            for channel, hours in outline.known.rails.items()}
        calm = calm_hours(setup, readings, outline.known)
        return [self._needed(setup, group, still, calm) for group in outline.groups]

    def _needed(
        self, setup: Setup, group: Group, still: Mapping[str, Collection[int]],
        calm: Mapping[int, Collection[int]],
    ) -> bool:
        if group.quantity is None or group.channel is None or group.first is None \
                or group.last is None:
            return True
        hours = range(group.first // HOUR_US, group.last // HOUR_US + 1)
        if group.quantity == "volts":
            place = setup.rail_of[group.channel]
            windows = self.volts.get(place)
            if (self.supplies is None or place in self.supplies) \
                    and not _all_in(hours, still.get(group.channel, ())):
                return True
        else:
            windows = self.amps.get(setup.command_of[group.channel])
        owner = owner_of(setup, group.channel)
        if (self.controllers is None or owner in self.controllers) \
                and not _all_in(hours, calm.get(owner, ())):
            return True
        if windows is None:
            return False
        begin, end = windows
        return bool(np.searchsorted(end, group.first, "left")
                    < np.searchsorted(begin, group.last, "right"))


def _all_in(hours: range, some: Collection[int]) -> bool:
    return all(number in some for number in hours)


def _apart(whose: Ints, begin: Ints, end: Ints) -> dict[int, Stretches]:
    """Stretches of time by whose they are, each running from the first begin to the last end."""
    order = np.lexsort((begin, whose))
    whose, begin, end = whose[order], begin[order], end[order]
    places, at = np.unique(whose, return_index=True)
    return {place: (begin[low:high], np.maximum.accumulate(end[low:high]))
            for place, (low, high) in zip(
                places.tolist(), pairwise([*at.tolist(), whose.size]), strict=True)}


FILES_OPEN = 64
"""How many files stay open: the outlines of some days are made first, then they are read."""

Wanted = Mapping[str, Collection[str]]
"""Channels by quantity (``volts`` or ``amps``)."""


class DayReader:
    """The store as one manifest has it, whatever is taken in meanwhile."""

    def __init__(self, folder: Path) -> None:
        manifest = store_manifest.read_manifest(folder)
        self.folder = folder
        self.segments: dict[tuple[date, str], list[Segment]] = {}
        self.rows: dict[date, int] = {}
        self.marks: dict[date, str] = {}
        self.files: dict[str, _Opened] = {}
        for name, entry in sorted(manifest.days.items()) if manifest else []:
            day = date.fromisoformat(name)
            self.marks[day] = f"{manifest.store}-{entry.changed}"  # type: ignore[union-attr]
            self.rows[day] = sum(segment.rows for segment in entry.segments)
            for segment in entry.segments:
                self.segments.setdefault((day, segment.kind), []).append(segment)

    def edges(self, setup: Setup, days: Sequence[date]) -> tuple[EdgeRecords, EdgeRecords]:
        """Commands and contacts of some days."""
        batches = [batch for day in days for batch in self._edge_batches(day)]
        return (_joined([_edge_records(batch, "command", setup.command_of) for batch in batches]),
                _joined([_edge_records(batch, "contact", setup.contact_of) for batch in batches]))

    def levels(
        self, days: Sequence[date], wanted: Wanted, since: int
    ) -> tuple[dict[tuple[str, str], Records], ...]:
        """Volts and amps of some channels, day by day, from ``since`` (microseconds) on."""
        found = []
        for day in days:
            outline = self.outline(day, wanted)
            records = self.read([(outline, [
                group.last is None or group.last >= since for group in outline.groups])])
            found.append({key: every.since(since) for key, every in records[0].items()})
        return tuple(found)

    def outline(self, day: date, wanted: Wanted) -> Outline:
        """What there is of a day's volts and amps of some channels, without reading them."""
        segments = self.segments.get((day, "levels"), [])
        with self._told_of(day):
            files = [self._file(segment.path) for segment in segments]
        return Outline(
            day, wanted, tuple(segments), tuple(opened.file.metadata for opened in files),
            tuple(group for opened in files for group in opened.groups
                  if _may_hold(group, wanted)))

    def read(
        self, asked: Sequence[tuple[Outline, Sequence[bool]]]
    ) -> tuple[dict[tuple[str, str], Records], ...]:
        """The records of those row groups of some days that are chosen."""
        room = _Room(sum(group.rows for outline, chosen in asked
                         for group in itertools.compress(outline.groups, chosen)))
        found = []
        for outline, chosen in asked:
            with self._told_of(outline.day):
                batches = self._arrays_of(list(itertools.compress(outline.groups, chosen)))
            found.append(_by_channel(batches, outline.wanted, room, outline.clean))
        return tuple(found)

    def _edge_batches(self, day: date) -> list[dict[str, Any]]:
        with self._told_of(day):
            return self._arrays_of([
                group for segment in self.segments.get((day, "edges"), [])
                for group in self._file(segment.path).groups])

    def _arrays_of(self, groups: Sequence[Group]) -> list[dict[str, Any]]:
        """Row groups: arrays by column."""
        found: list[dict[str, Any]] = []
        alike: dict[tuple[str, str | None, str | None, int | None], list[int]] = {}
        for group in groups:
            alike.setdefault((group.path, group.quantity, group.channel, group.run), []).append(
                group.number)
        for (path, quantity, channel, run), numbers in alike.items():
            names = ["time", "value", *(name for name, only in (
                ("quantity", quantity), ("channel", channel), ("run", run)) if only is None)]
            table = self._file(path).file.read_row_groups(numbers, names, use_threads=False)
            found += [_arrays(batch, quantity, channel, run) for batch in table.to_batches()]
        return found

    def _file(self, path: str) -> _Opened:
        """One of the store's files, open; the last few stay so."""
        if path not in self.files:
            while len(self.files) >= FILES_OPEN:
                self.files.pop(next(iter(self.files))).file.close()
            check(self.folder / path)
            file = pq.ParquetFile(str(self.folder / path), pre_buffer=False,
                                  read_dictionary=["channel", "quantity"])
            self.files[path] = _Opened(file, _groups_of(path, file.metadata))
        return self.files[path]

    def __getstate__(self) -> dict[str, Any]:
        return self.__dict__ | {"files": {}}

    def close(self) -> None:
        """Let go of the files."""
        while self.files:
            self.files.popitem()[1].file.close()

    @contextmanager
    def _told_of(self, day: date) -> Iterator[None]:
        """Words for a file that is missing or damaged."""
        try:
            yield
        except (OSError, pa.ArrowException) as error:
            raise StoreError(
                f"{self.folder}: the records of {day} cannot be read "
                f"({str(error).splitlines()[0]}); see what is lost, and what can be had back, "
                "with: remanence verify VENUE") from None


@dataclass(frozen=True)
class Group:
    """A row group; None where its statistics do not say one thing, or do not say it."""

    path: str
    number: int
    rows: int
    quantity: str | None
    channel: str | None
    run: int | None
    first: int | None
    last: int | None


@dataclass(frozen=True)
class _Opened:
    file: pq.ParquetFile
    groups: tuple[Group, ...]


def _may_hold(group: Group, wanted: Wanted) -> bool:
    """Whether a row group may hold records of what is wanted."""
    if group.quantity is None:
        return True
    channels = wanted.get(group.quantity, ())
    return bool(channels) if group.channel is None else group.channel in channels


@dataclass(frozen=True)
class Outline:
    """What there is of one day's levels."""

    day: date
    wanted: Wanted
    segments: tuple[Segment, ...]
    metadata: tuple[Any, ...]
    """Of each of their files."""
    groups: tuple[Group, ...]

    @cached_property
    def known(self) -> KnownHours:
        """What the files keep of the day's hours."""
        return known_hours([footer.metadata for footer in self.metadata],
                           [(segment.first, segment.last) for segment in self.segments],
                           self.wanted)

    @cached_property
    def clean(self) -> frozenset[str]:
        """Rails of which every record in the files is a reading, each once, one after the other.

        So many readings were there when their hours were looked at as the file has records.
        """
        rows: dict[str | None, int] = {}
        for group in self.groups:
            if group.quantity != "amps":
                rows[group.channel] = rows.get(group.channel, 0) + group.rows
        if None in rows or len(self.segments) > 1:
            return frozenset()
        return frozenset(
            channel for channel, hours in self.known.rails.items()
            if sum(told[SAMPLES] for told in hours.values()) == rows.get(channel))

    def ends(self) -> dict[tuple[str, str], Records] | None:
        """First and last record of each row group by channel; None where it cannot be told."""
        found: dict[tuple[str, str], list[tuple[int, int]]] = {}
        for group in self.groups:
            if group.channel is None or group.quantity is None or group.run is None \
                    or group.first is None or group.last is None:
                return None
            found.setdefault((group.channel, group.quantity), []).extend(
                [(group.first, group.run), (group.last, group.run)])
        return {key: _of_ends(sorted(ends)) for key, ends in found.items()}


def _of_ends(ends: Sequence[tuple[int, int]]) -> Records:
    time, run = np.array(ends, np.int64).T
    return Records(time, np.zeros(time.size), run[:1] if (run == run[0]).all() else run)


def _groups_of(path: str, metadata: Any) -> tuple[Group, ...]:
    """The row groups of one file."""
    found = []
    columns = {metadata.schema.column(k).name: k for k in range(len(metadata.schema))}
    for number in range(metadata.num_row_groups):
        group = metadata.row_group(number)
        quantity, channel, run = (_only(group.column(columns[name]).statistics)
                                  for name in ("quantity", "channel", "run"))
        times = group.column(columns["time"]).statistics
        first, last = (times.min_raw, times.max_raw) \
            if times is not None and times.has_min_max else (None, None)
        found.append(Group(path, number, group.num_rows, quantity, channel, run, first, last))
    return tuple(found)


def _only(statistics: Any) -> Any:
    """The one value of a column of a row group, where its statistics say so."""
    if statistics is None or not statistics.has_min_max or statistics.null_count != 0:
        return None
    return statistics.min if statistics.min == statistics.max else None


def _arrays(
    batch: pa.RecordBatch, quantity: str | None, channel: str | None, run: int | None
) -> dict[str, Any]:
    return {
        "time": _numbers(batch.column("time").view(pa.int64())),
        "value": _numbers(batch.column("value")),
        "channel": _names(batch, "channel", channel),
        "quantity": _names(batch, "quantity", quantity),
        "run": np.array([run], np.int64) if run is not None else _numbers(batch.column("run")),
    }


def _names(batch: pa.RecordBatch, name: str, only: str | None) -> tuple[Ints | None, list[str]]:
    """A column of names as numbers and what they stand for; no numbers where there is one."""
    if only is not None:
        return None, [only]
    column = batch.column(name)
    return _numbers(column.indices), column.dictionary.to_pylist()


def _numbers(column: pa.Array) -> np.ndarray:
    """A column as it lies in memory; 0 where a whole number is null, NaN where a reading is.

    (Arrow's own way there loads all of pandas, which takes longer than a few days' pairing.)
    """
    if column.null_count:
        nothing = 0 if pa.types.is_integer(column.type) else np.nan
        filled: np.ndarray = column.fill_null(nothing).to_numpy()
        return filled
    dtype = np.dtype(column.type.to_pandas_dtype())
    return np.frombuffer(
        column.buffers()[1], dtype, len(column), column.offset * dtype.itemsize)


def _edge_records(batch: dict[str, Any], quantity: str, places: Mapping[str, int]) -> EdgeRecords:
    codes, names = batch["channel"]
    place = np.array([places.get(name, -1) for name in names], np.int64)
    lock = place[codes] if codes is not None else np.repeat(place, batch["time"].size)
    kinds, quantities = batch["quantity"]
    if kinds is None:
        lock = lock if quantities == [quantity] else np.full_like(lock, -1)
    else:
        lock = np.where(np.array([name == quantity for name in quantities])[kinds], lock, -1)
    return EdgeRecords(
        lock, batch["time"], (batch["value"] > 0.5).astype(np.int64),
        np.broadcast_to(batch["run"], lock.shape)).known()


def _joined(parts: Sequence[EdgeRecords]) -> EdgeRecords:
    if not parts:
        return EdgeRecords.none()
    return EdgeRecords(*(np.concatenate([getattr(part, name) for part in parts])
                         for name in ("lock", "time", "value", "run")))


class _Room:
    """Memory for many records in one piece: the system hands out a large one far faster."""

    def __init__(self, rows: int) -> None:
        self.time, self.value = np.empty(rows, np.int64), np.empty(rows, np.float64)
        self.used = 0

    def take(self, rows: int) -> tuple[Ints, Reals]:
        """Room for some more."""
        begin, self.used = self.used, self.used + rows
        return self.time[begin:self.used], self.value[begin:self.used]


def _by_channel(
    batches: Sequence[dict[str, Any]], wanted: Wanted, room: _Room, clean: Collection[str]
) -> dict[tuple[str, str], Records]:
    """The records of each channel and quantity; of ``clean`` ones that much is known of volts."""
    places: dict[tuple[str, str], list[tuple[dict[str, Any], Ints | None]]] = {}
    for batch in batches:
        codes, channels = batch["channel"]
        kinds, quantities = batch["quantity"]
        for kind, quantity in enumerate(quantities):
            for code, channel in enumerate(channels):
                if channel in wanted.get(quantity, ()):
                    at = _where((codes, code), (kinds, kind))
                    if at is None or at.size:
                        places.setdefault((channel, quantity), []).append((batch, at))
    return {key: _records(places[key], room, key[0] in clean and key[1] == "volts")
            for key in sorted(places)}


def _where(*alike: tuple[Ints | None, int]) -> Ints | None:
    """Where each column has its number; None: everywhere."""
    flags = [codes == code for codes, code in alike if codes is not None]
    return np.flatnonzero(np.logical_and.reduce(flags)) if flags else None


def _records(
    places: Sequence[tuple[dict[str, Any], Ints | None]], room: _Room, clean: bool
) -> Records:
    """The records at some places of some row groups, in time order."""
    sizes = [batch["time"].size if at is None else at.size for batch, at in places]
    runs = [batch["run"] if at is None or batch["run"].size == 1 else batch["run"].take(at)
            for batch, at in places]
    time, value = _gathered(places, sizes, room)
    if all(run.size == 1 and run[0] == runs[0][0] for run in runs):
        run = runs[0]
    else:
        run = np.concatenate([
            np.broadcast_to(run, (size,)) for run, size in zip(runs, sizes, strict=True)])
    # (Row groups of one run are read together, so several parts need not be in order.)
    if not (clean and len(places) == 1) and (time[1:] < time[:-1]).any():
        order = np.argsort(time, kind="stable")
        time, value, run = time[order], value[order], run if run.size == 1 else run[order]
    return Records(time, value, run, clean)


def _gathered(
    places: Sequence[tuple[dict[str, Any], Ints | None]], sizes: Sequence[int], room: _Room
) -> tuple[Ints, Reals]:
    """Times and values, one row group after the other."""
    if len(places) == 1 and places[0][1] is None:
        return places[0][0]["time"], places[0][0]["value"]
    time, value = room.take(sum(sizes))
    begin = 0
    for (batch, at), size in zip(places, sizes, strict=True):
        for column, into in ((batch["time"], time), (batch["value"], value)):
            if at is None:
                into[begin:begin + size] = column
            else:
                column.take(at, out=into[begin:begin + size], mode="clip")
        begin += size
    return time, value
