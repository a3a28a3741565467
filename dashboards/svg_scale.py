"""Axes of a figure: where a value stands, which ticks it has, and what is written at them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import pairwise
from typing import Any

from remanence.dashboards.page import Language

_TICKS = 5
"""About so many ticks an axis: their labels stand side by side on a phone."""
_NICE = (1.0, 2.0, 2.5, 5.0, 10.0)
"""Steps between ticks that people count in, times a power of ten."""
_PADDING = 0.06
"""Share of the span that stays free at either end, where nothing says otherwise."""
_FLAT = 1e-9
"""Values that differ by no more than this share of them are one value."""
_SECONDS = 86_400.0

Number = float | None


def number_of(value: Any, names: Sequence[str] = ()) -> Number:
    """A value of an axis as a number: dates in days, names by their place."""
    if value is None:
        return None
    if isinstance(value, datetime):
        midnight = value.replace(hour=0, minute=0, second=0, microsecond=0)
        return value.toordinal() + (value - midnight).total_seconds() / _SECONDS
    if isinstance(value, date):
        return float(value.toordinal())
    if isinstance(value, str):
        return float(names.index(value))
    number = float(value)
    return number if math.isfinite(number) else None


@dataclass(frozen=True)
class Tick:
    """A tick: where it stands between 0 and 1, and what is written there."""

    at: float
    text: str


@dataclass(frozen=True)
class Scale:
    """One axis: its ends as numbers, and its ticks.

    Attributes
    ----------
    low, high : float
        The ends, as :func:`number_of` gives them; of a logarithmic axis their logarithms.
    log : bool
        Whether it is logarithmic.
    names : tuple of str
        What stands on an axis of names, from its start.
    ticks : tuple of Tick
    """

    low: float
    high: float
    log: bool = False
    names: tuple[str, ...] = ()
    ticks: tuple[Tick, ...] = ()

    def at(self, value: Any) -> Number:
        """Where a value stands between 0 and 1; it may lie outside."""
        number = number_of(value, self.names)
        return None if number is None else self._place(number)

    def _place(self, number: float) -> float:
        if self.log:
            number = math.log10(max(number, 1e-12))
        return (number - self.low) / (self.high - self.low)


def scale(axis: Mapping[str, Any], values: Sequence[Any], lang: Language) -> Scale:
    """The axis that holds ``values``.

    Parameters
    ----------
    axis : mapping
        Of a figure's layout: ``type`` (date, log, category), ``range``, ``rangemode``
        ("tozero"), ``tickvals``, ``ticktext``, ``dtick``, ``nticks``.
    values : sequence
        All that is drawn against it.
    lang : Language
        Writes numbers and dates.
    """
    kind = axis.get("type")
    if kind == "category":
        names = tuple(dict.fromkeys(str(value) for value in values))
        low, high = axis.get("range", (-0.6, len(names) - 0.4))
        made = Scale(low, high, names=names)
        return Scale(low, high, names=names, ticks=tuple(
            Tick(made._place(float(n)), name) for n, name in enumerate(names)))
    numbers = [number for value in values if (number := number_of(value)) is not None]
    log = kind == "log"
    low, high = _ends(axis, numbers, log=log)
    plain = Scale(low, high, log)
    if kind == "date":
        return Scale(low, high, ticks=tuple(
            Tick(plain._place(day.toordinal()), lang.day(day)) for day in _days(low, high)))
    given = axis.get("tickvals")
    chosen = list(given) if given is not None else _numbers(
        low, high, axis.get("dtick"), axis.get("nticks", _TICKS))
    if log and given is not None:
        chosen = _thinned(chosen)
    texts = axis.get("ticktext") or _written(chosen, lang)
    placed = [Tick(plain._place(float(value)), text)
              for value, text in zip(chosen, texts, strict=True)]
    return Scale(low, high, log, ticks=tuple(
        tick for tick in placed if -1e-9 <= tick.at <= 1 + 1e-9))


def _ends(axis: Mapping[str, Any], numbers: Sequence[float], *, log: bool) -> tuple[float, float]:
    given = axis.get("range")
    if given is not None:
        ends = [number_of(end) or 0.0 for end in given]
        low, high = (math.log10(end) for end in ends) if log else ends
        return low, high
    numbers = numbers or [0.0, 1.0]
    low, high = min(numbers), max(numbers)
    if log:
        low, high = math.log10(max(low, 1e-12)), math.log10(max(high, 1e-12))
        spare = _PADDING * max(high - low, 0.1)
        return low - spare, high + spare
    if axis.get("rangemode") == "tozero":
        low, high = min(low, 0.0), max(high, 0.0)
    wide = high - low
    if wide <= _FLAT * max(abs(low), abs(high), _FLAT):
        wide = max(abs(high), 1.0)
    spare = _PADDING * wide
    zero = axis.get("rangemode") == "tozero"
    return (low if zero and low == 0 else low - spare), (high if zero and low < high == 0
                                                         else high + spare)


def _numbers(low: float, high: float, step: float | None, most: int) -> list[float]:
    if step is None:
        rough = (high - low) / max(most, 2)
        power = 10.0 ** math.floor(math.log10(rough))
        step = next(n * power for n in _NICE if n * power >= rough * 0.999)
    first = math.ceil(low / step - 1e-9)
    return [n * step for n in range(first, math.floor(high / step + 1e-9) + 1)]


def _thinned(values: list[float]) -> list[float]:
    """Every decade at least; all where they are few."""
    while len(values) > _TICKS + 2:
        values = values[::2]
    return values


def _written(values: Sequence[float], lang: Language) -> list[str]:
    """Tick labels with as many decimals as tell them apart."""
    gaps = [b - a for a, b in pairwise(sorted(values)) if b > a]
    fine = 1e-3 * min(gaps, default=1.0)
    decimals = next((n for n in range(6) if all(
        abs(value - round(value, n)) < fine for value in values)), 6)
    return [lang.number(value, decimals) for value in values]


def _days(low: float, high: float) -> list[date]:
    """First days of months where there are several, else Mondays."""
    first, last = date.fromordinal(math.ceil(low)), date.fromordinal(math.floor(high))
    months = []
    day = first.replace(day=1)
    while day <= last:
        if day >= first:
            months.append(day)
        day = (day + timedelta(days=32)).replace(day=1)
    if len(months) >= 3:
        return months[::math.ceil(len(months) / _TICKS)]
    monday = first + timedelta(days=-first.weekday() % 7)
    mondays = [monday + timedelta(weeks=n) for n in range((last - monday).days // 7 + 1)]
    return mondays[::math.ceil(len(mondays) / _TICKS)] if mondays else [first]
