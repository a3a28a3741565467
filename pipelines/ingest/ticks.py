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
from remanence.shared.venue import controller_of

Ints = NDArray[np.int64]
Codes = NDArray[np.unsignedinteger]


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
        time = signals["time"].to_physical().to_numpy()
        channel, quantity = (
            signals[name].to_physical().to_numpy() for name in ("channel", "quantity"))
        controller = self._controller_of(signals.schema["channel"])[channel]
        line, value = signals["line"].to_numpy(), signals["value"].to_numpy()
        place = self._places(time, controller, line)
        most = len(signals["channel"].dtype.categories) * len(QUANTITY.categories)  # type: ignore[attr-defined]
        whose = channel.astype(np.min_scalar_type(most)) * len(QUANTITY.categories)
        whose += quantity
        again, repeats = self._channel_by_channel(
            time, whose, value, place, signals.schema["channel"])
        told = signals.with_columns(place=pl.Series(place), again=pl.Series(again))
        return told.filter(pl.Series(~repeats)) if repeats.any() else told

    def _controller_of(self, kind: pl.DataType) -> Codes:
        if self._type != kind:
            controllers = [controller_of(name) for name in kind.categories]  # type: ignore[attr-defined]
            self._names = sorted(set(controllers))
            self._whose = np.searchsorted(self._names, controllers).astype(
                np.min_scalar_type(len(self._names)))
            self._type = kind
        return self._whose

    def _places(self, time: Ints, controller: Codes, line: Ints) -> Ints:
        """How many lines of its controller, stamped alike, stand before each."""
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
        for head, tail in zip(heads.tolist(), tails.tolist(), strict=True):
            name = self._names[controller[head]]
            before = self._controllers.get(name)
            if before is not None and before.time == time[head]:
                rest = first[head + 1:]
                alike = int(rest.argmax()) if rest.any() else rest.size
                place[head:head + 1 + alike] += before.place + 1
            self._controllers[name] = _Stretch(int(time[tail]), int(place[tail]))
        return place if order is None else _put_back(place, order)

    def _channel_by_channel(
        self, time: Ints, whose: Codes, value: NDArray[np.float64], place: Ints,
        kind: pl.DataType,
    ) -> tuple[Ints, NDArray[np.bool_]]:
        """``again``, and which records are repeats; ``place`` is made to rise with each record."""
        order, _, owners, first = _stretches(time, whose)
        if order is None:
            order = np.arange(time.size)
        heads, tails = _ends(owners)
        begins = np.flatnonzero(first)
        stops = np.append(begins[1:], time.size)
        crowded = set(np.flatnonzero(stops - begins > 1).tolist())
        at_head = np.searchsorted(begins, heads)
        before: dict[int, _Stretch] = {}
        names = [(kind.categories[code // len(QUANTITY.categories)],  # type: ignore[attr-defined]
                  QUANTITY.categories[code % len(QUANTITY.categories)])
                 for code in owners[heads].tolist()]
        for number, name, head in zip(at_head.tolist(), names, heads.tolist(), strict=True):
            held = self._channels.get(name)
            if held is not None and held.time == time[order[head]]:
                before[number] = held
                crowded.add(number)
        again, repeats = np.zeros(time.size, np.int64), np.zeros(time.size, np.bool_)
        left: dict[int, _Stretch] = {}
        for number in sorted(crowded):
            rows = order[begins[number]:stops[number]]
            left[number] = _walk(rows, value, place, again, repeats, before.get(number))
        last = np.searchsorted(begins, tails, "right") - 1
        for number, name, tail in zip(last.tolist(), names, tails.tolist(), strict=True):
            row = order[tail]
            self._channels[name] = _Stretch(
                int(time[row]), int(place[row]), float(value[row]),
                left[number].said if number in left else {float(value[row]): 1})
        return again, repeats


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
