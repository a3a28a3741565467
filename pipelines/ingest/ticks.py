"""Where each record of a file stands in its clock's tick.

A clock that counts in milliseconds, or in seconds, stamps several lines alike. What came first is
then told by the order of the lines, and by nothing else. So each record is given its ``place``
among the lines that its controller stamped alike in one go; and where a channel goes back to a
value within such a stretch, ``again`` counts how often. The same line in another file that
overlaps gets the same count, and so is the same record.

A file grouped by channel does not tell what came first across channels: there each channel's lines
are a stretch of their own, and all of one tick have place 0. All values of one line have one place.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from remanence.pipelines.store.name_codes import QUANTITY, with_places
from remanence.shared.column_numbers import codes_of, ticks_of
from remanence.shared.venue import controller_of

Ints = NDArray[np.int64]
Codes = NDArray[np.unsignedinteger]

QUANTITIES = QUANTITY.categories.to_list()
"""By their numbers."""

MOST_ALIKE = 24
"""Where more lines than that share a stamp they are told apart by sorting all of the stretch."""


@dataclass
class _Stretch:
    """The last stretch of lines of one controller or channel that were stamped alike.

    ``place`` is that of its last line, ``value`` what the channel said last, ``said`` how often
    it had gone to each value.
    """

    time: int
    place: int
    value: float = 0.0
    said: dict[float, int] = field(default_factory=dict)


class Ticks:
    """One file's, stretch of lines after stretch of lines."""

    def __init__(self, kept: Mapping[str, Any] | None = None) -> None:
        """``kept``: out of :meth:`kept` of the last reading, for a file that goes on."""
        kept = kept or {"controllers": {}, "channels": []}
        self._controllers = {
            name: _Stretch(time, place) for name, (time, place) in kept["controllers"].items()}
        self._channels = {
            (channel, quantity): _Stretch(time, place, value, dict(said))
            for channel, quantity, (time, place, value, said) in kept["channels"]}
        self._type: pl.DataType | None = None
        self._names: list[str] = []
        self._owners: list[tuple[str, str]] = []
        self._whose: Codes = np.zeros(0, np.uint8)

    def kept(self) -> dict[str, Any]:
        """What the next reading of the same file needs, as JSON has it."""
        return {
            "controllers": {name: [s.time, s.place] for name, s in self._controllers.items()},
            "channels": [[*whose, [s.time, s.place, s.value, [[*item] for item in s.said.items()]]]
                         for whose, s in self._channels.items()]}

    def told(self, signals: pl.DataFrame) -> pl.DataFrame:
        """The records with ``place`` and ``again``, without those that say nothing new.

        Parameters
        ----------
        signals : polars.DataFrame
            SIGNALS of some lines, its names coded, in the order of the lines.

        Returns
        -------
        polars.DataFrame
            The same with ``place`` and ``again``. A record that says what its channel has said
            just before under the same stamp is left out.
        """
        if signals.is_empty():
            return with_places(signals)
        time = ticks_of(signals["time"])
        channel, quantity = (codes_of(signals[name]) for name in ("channel", "quantity"))
        self._know(signals["channel"].dtype)
        controller = self._whose.take(channel)
        line, value = signals["line"].to_numpy(), signals["value"].to_numpy()
        whose = channel.astype(np.min_scalar_type(len(self._owners))) * len(QUANTITIES)
        whose += quantity
        place, again = np.zeros(time.size, np.int64), np.zeros(time.size, np.int64)
        repeats = np.zeros(time.size, np.bool_)
        rows = self._shared(time, controller)
        place[rows], controllers = self._places(time[rows], controller[rows], line[rows])
        own = place[rows]
        again[rows], repeats[rows], channels = self._channel_by_channel(
            time[rows], whose[rows], value[rows], own)
        place[rows] = own
        for code, row in _last_rows(controller):
            at, stretch = controllers.get(code, (-1, None))
            self._controllers[self._names[code]] = stretch if stretch and rows[at] == row else (
                _Stretch(int(time[row]), 0))
        for code, row in _last_rows(whose):
            at, stretch = channels.get(code, (-1, None))
            self._channels[self._owners[code]] = (
                stretch if stretch and rows[at] == row else
                _Stretch(int(time[row]), 0, float(value[row]), {float(value[row]): 1}))
        told = signals.hstack([pl.Series("place", place), pl.Series("again", again)])
        return told.filter(pl.Series(~repeats)) if repeats.any() else told

    def _shared(self, time: Ints, controller: Codes) -> Ints:
        """Rows whose stamp another line of their controller may share; of all others place is 0.

        Where the times are in order, lines stamped alike stand together.
        """
        held = [kept.time for kept in (*self._controllers.values(), *self._channels.values())]
        if (time[1:] < time[:-1]).any() or max(held, default=int(time[0])) > time[0]:
            return np.arange(time.size)
        shared = time == time[0]  # may go on with what was stamped before
        for distance in range(1, MOST_ALIKE + 1):
            alike = time[distance:] == time[:-distance]
            if not alike.any():
                return np.flatnonzero(shared)
            alike &= controller[distance:] == controller[:-distance]
            shared[distance:] |= alike
            shared[:-distance] |= alike
        return np.arange(time.size)

    def _know(self, kind: pl.DataType) -> None:
        """Learn what the numbers of this type of channels stand for."""
        if self._type != kind:
            channels = kind.categories.to_list()  # type: ignore[attr-defined]
            controllers = [controller_of(name) for name in channels]
            self._names = sorted(set(controllers))
            self._whose = np.searchsorted(self._names, controllers).astype(
                np.min_scalar_type(len(self._names)))
            self._owners = [(name, quantity) for name in channels for quantity in QUANTITIES]
            self._type = kind

    def _places(
        self, time: Ints, controller: Codes, line: Ints
    ) -> tuple[Ints, dict[int, tuple[int, _Stretch]]]:
        """How many lines of its controller, stamped alike, stand before each.

        And of each controller its last row, with the stretch that it ends.
        """
        order, time, controller, first = _stretches(time, controller)
        place = np.zeros(time.size, np.int64)
        again = np.flatnonzero(~first)
        if again.size:
            if order is not None:
                line = line[order]
            new_line = line[again] != line[again - 1]
            counted = np.cumsum(new_line)
            # (Counted from each stretch's first line; what was counted before only grows.)
            place[again] = counted - np.maximum.accumulate(
                np.where(first[again - 1], counted - new_line, 0))
        heads, tails = _ends(controller)
        ends: dict[int, tuple[int, _Stretch]] = {}
        for head, tail in zip(heads.tolist(), tails.tolist(), strict=True):
            name = self._names[controller[head]]
            before = self._controllers.get(name)
            if before is not None and before.time == time[head]:
                rest = first[head + 1:]
                alike = int(rest.argmax()) if rest.any() else rest.size
                place[head:head + 1 + alike] += before.place + 1
            ends[int(controller[head])] = (tail if order is None else int(order[tail]), _Stretch(
                int(time[tail]), int(place[tail])))
        return place if order is None else _put_back(place, order), ends

    def _channel_by_channel(
        self, time: Ints, whose: Codes, value: NDArray[np.float64], place: Ints,
    ) -> tuple[Ints, NDArray[np.bool_], dict[int, tuple[int, _Stretch]]]:
        """``again``, and which records are repeats; ``place`` is made to rise with each record.

        And of each channel its last row, with the stretch that it ends.
        """
        order, _, owners, first = _stretches(time, whose)
        if order is None:
            order = np.arange(time.size)
        heads, tails = _ends(owners)
        begins = np.flatnonzero(first)
        stops = np.append(begins[1:], time.size)
        crowded = set(np.flatnonzero(stops - begins > 1).tolist())
        at_head = np.searchsorted(begins, heads)
        before: dict[int, _Stretch] = {}
        codes = owners[heads].tolist()
        for number, code, head in zip(at_head.tolist(), codes, heads.tolist(), strict=True):
            held = self._channels.get(self._owners[code])
            if held is not None and held.time == time[order[head]]:
                before[number] = held
                crowded.add(number)
        again, repeats = np.zeros(time.size, np.int64), np.zeros(time.size, np.bool_)
        left: dict[int, _Stretch] = {}
        for number in sorted(crowded):
            rows = order[begins[number]:stops[number]]
            left[number] = _walk(rows, value, place, again, repeats, before.get(number))
        last = np.searchsorted(begins, tails, "right") - 1
        ends: dict[int, tuple[int, _Stretch]] = {}
        for number, code, tail in zip(last.tolist(), codes, tails.tolist(), strict=True):
            row = int(order[tail])
            ends[code] = row, _Stretch(
                int(time[row]), int(place[row]), float(value[row]),
                left[number].said if number in left else {float(value[row]): 1})
        return again, repeats, ends


def _last_rows(whose: Codes) -> list[tuple[int, int]]:
    """Each number that is there, in order, and where it stands last."""
    last = np.full(int(whose.max()) + 1, -1)
    last[whose.astype(np.intp)] = np.arange(whose.size)
    there = np.flatnonzero(last >= 0)
    return list(zip(there.tolist(), last[there].tolist(), strict=True))


def _walk(
    rows: Ints, value: NDArray[np.float64], place: Ints, again: Ints,
    repeats: NDArray[np.bool_], before: _Stretch | None,
) -> _Stretch:
    """One channel's records under one stamp, in order."""
    said = dict(before.said) if before else {}
    last = before.value if before else None
    least = before.place + 1 if before else 0
    for row in rows.tolist():
        told = float(value[row])
        place[row] = max(int(place[row]), least)
        if told == last:
            repeats[row] = True
            continue
        least = int(place[row]) + 1
        again[row] = said.get(told, 0)
        said[told] = said.get(told, 0) + 1
        last = told
    return _Stretch(0, 0, said=said)


def _stretches(
    time: Ints, whose: Codes
) -> tuple[Ints | None, Ints, Codes, NDArray[np.bool_]]:
    """Order by whose they are (None: as they stand), both in it, where a stamp's stretch begins."""
    order = None
    if (whose[1:] != whose[:-1]).any():
        # (Numbers of 16 bits numpy sorts in one pass over their digits.)
        order = np.argsort(whose, kind="stable")
        time, whose = time[order], whose[order]
    first = np.ones(time.size, np.bool_)
    first[1:] = (time[1:] != time[:-1]) | (whose[1:] != whose[:-1])
    return order, time, whose, first


def _ends(whose: Codes) -> tuple[Ints, Ints]:
    """Where each one's records begin, and the last of them."""
    heads = np.append(0, np.flatnonzero(whose[1:] != whose[:-1]) + 1)
    return heads, np.append(heads[1:], whose.size) - 1


def _put_back(values: Ints, order: Ints) -> Ints:
    found = np.empty_like(values)
    found[order] = values
    return found
