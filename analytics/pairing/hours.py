"""Hour by hour: a rail's level, and what each controller logged.

Much of it depends on the readings of levels alone, so that whoever has them at hand can
keep it (:func:`quiet_hours`, :func:`heard_hours`). Of an hour in which nothing else happened,
no latch on and no edge, that is all, and nobody needs to look at its readings again.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import polars as pl

from remanence.analytics.pairing.edges import EARLY, NEVER, Columns, Ints, Reals, Samples
from remanence.shared.tables import ACTIVITY, RAIL_HOURS, TIMESTAMP, Table

HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US
MARGIN_US = 2_000_000
"""Readings this close to a pulse are not idle."""


Hours = Mapping[int, Sequence[float]]
"""Figures by the hour's number since 1970."""


@dataclass(frozen=True)
class KnownHours:
    """What is known already of some hours; each with all of its readings."""

    rails: Mapping[str, Hours] = field(default_factory=dict)
    """:func:`quiet_hours` by the rail's channel."""
    controllers: Mapping[str, Hours] = field(default_factory=dict)
    """:func:`heard_hours` by the controller's name, of all its levels that are looked at."""


def quiet_hours(rail: Samples) -> Hours:
    """What a rail's readings tell of each of their hours while no latch is on: _OF_HOUR."""
    hour, at = _hours(rail.time)
    return {number: _hour(rail.value, low, high, []) for number, (low, high) in zip(
        hour.tolist(), pairwise(at.tolist()), strict=True)}


Stretches = tuple[Ints, Ints]
"""Closed stretches of time, from and to, both in order."""

NO_STRETCHES: Stretches = (np.empty(0, np.int64), np.empty(0, np.int64))


def busy_stretches(on: Ints, off: Ints) -> Stretches:
    """From when to when readings are not idle for some pulses, in any order.

    The margin before a pulse does not reach into the UTC day before, so that a day's
    hours never wait for the next day. EARLY and NEVER stay. Of stretches that begin one
    within the other the later ends no sooner.
    """
    begin = np.where(on == EARLY, EARLY, np.maximum(on - MARGIN_US, on // DAY_US * DAY_US))
    order = np.argsort(begin)
    end = np.where(off >= NEVER, NEVER, off + MARGIN_US)[order]
    return begin[order], np.maximum.accumulate(end) if end.size else end


def untouched(hours: Iterable[int], begin: Ints, end: Ints) -> frozenset[int]:
    """Those of some hours (by number) in which none of the closed stretches of time lies."""
    some = frozenset(hours)
    if not some or not begin.size:
        return some
    lowest, count = min(some), max(some) - min(some) + 1
    first = np.minimum(np.maximum(begin // HOUR_US - lowest, 0), count)
    after = np.maximum(np.minimum(end // HOUR_US - lowest + 1, count), first)
    turns = np.bincount(first, minlength=count + 1) - np.bincount(after, minlength=count + 1)
    touched = np.flatnonzero(np.cumsum(turns)[:count]) + lowest
    return some.difference(touched.tolist())


def rail_hours(
    supply: int, rail: Samples, busy: Stretches, known: Hours | None = None
) -> Columns:
    """Level of one rail, hour by hour: the columns of RAIL_HOURS, NaN for null.

    Parameters
    ----------
    supply : int
        Its place.
    rail : Samples
        Its volts. Those of hours that are known and that no busy stretch touches may be
        missing.
    busy : pair of arrays of int
        When a latch on the rail was on: :func:`busy_stretches`.
    known : mapping of int to sequence of float, optional
        :func:`quiet_hours` of as many of the hours as it is known of.
    """
    time, volts = rail.time, rail.value
    told = known or {}
    still = untouched(told, *busy)
    covered = _covered(time, *busy)
    rows = {number: (told[number][SAMPLES], *told[number]) for number in still}
    hour, at = _hours(time)
    for number, (low, high) in zip(hour.tolist(), pairwise(at.tolist()), strict=True):
        if number not in still:
            rows[number] = (high - low, *_hour(volts, low, high, covered, told.get(number)))
    numbers = sorted(rows)
    columns = np.array([rows[number] for number in numbers], np.float64)
    columns = columns.reshape(len(numbers), len(_OF_HOUR) + 1).T
    found = dict(zip(_OF_HOUR, columns[1:], strict=True))
    return {
        "supply": np.full(len(numbers), supply), "hour": np.array(numbers, np.int64) * HOUR_US,
        "samples": columns[0].astype(np.int64),
        **found, "idle_samples": found["idle_samples"].astype(np.int64),
    }


_OF_HOUR = ("volts_median", "volts_low", "volts_high", "idle_samples", "idle_median", "idle_low",
            "idle_high", "idle_deviation")
SAMPLES = _OF_HOUR.index("idle_samples")
"""Where an hour's figures say how many readings they are of."""


def _hour(
    volts: Reals, low: int, high: int, busy: Sequence[tuple[int, int]],
    quiet: Sequence[float] | None = None,
) -> tuple[float, ...]:
    """_OF_HOUR of the readings from ``low`` up to ``high``.

    ``quiet``: the same as it would be without pulses, if that is known. (Hour by hour, as
    an hour's readings stay in the processor's nearest memory.)
    """
    calm, known = _idle(volts, low, high, busy), (np.nan,) * 4
    calm.sort()
    size = calm.size
    if size:
        off = calm - np.add.reduce(calm) / size
        off *= off
        known = (_quantile(calm, 0.5), _quantile(calm, 0.05), _quantile(calm, 0.95),
                 math.sqrt(float(np.add.reduce(off)) / (size - 1)) if size > 1 else np.nan)
    if quiet is not None:
        return (*quiet[:SAMPLES], size, *known)
    whole = calm if size == high - low else np.sort(volts[low:high])
    median = (whole.item((high - low - 1) // 2) + whole.item((high - low) // 2)) / 2.0
    return (median, whole.item(0), whole.item(-1), size, *known)


def _idle(volts: Reals, low: int, high: int, busy: Sequence[tuple[int, int]]) -> Reals:
    """A copy of the readings from ``low`` up to ``high`` that lie in none of ``busy``."""
    first = bisect_right(busy, (low, high)) - 1
    parts, at = [], low
    for begin, end in busy[max(first, 0):]:
        if begin >= high:
            break
        if end > at:
            if begin > at:
                parts.append(volts[at:begin])
            at = end
    if at == low:
        return volts[low:high].copy()
    if at < high:
        parts.append(volts[at:high])
    return np.concatenate(parts) if parts else np.empty(0)


def _quantile(ordered: Reals, share: float) -> float:
    """Linear between order statistics, as numpy.quantile has it by default."""
    place = share * (ordered.size - 1)
    low = int(place)
    below = float(ordered.item(low))
    return below + (float(ordered.item(min(low + 1, ordered.size - 1))) - below) * (place - low)


def rail_hours_table(supplies: Sequence[str], rows: Sequence[Columns]) -> pl.DataFrame:
    """RAIL_HOURS of such columns; ``supplies`` are the ids by place."""
    return _table(RAIL_HOURS, "supply", supplies, rows)


def _table(
    table: Table, whose: str, names: Sequence[str], rows: Sequence[Columns]
) -> pl.DataFrame:
    if not rows:
        return table.empty()
    joined = {name: np.concatenate([part[name] for part in rows]) for name in rows[0]}
    frame = pl.DataFrame(joined, nan_to_null=True).with_columns(
        pl.Series(whose, names, pl.String).gather(joined[whose]),
        *(pl.col(c.name).cast(TIMESTAMP) for c in table.columns if c.dtype == TIMESTAMP))
    return table.conform(frame)


def _hours(time: Ints) -> tuple[Ints, Ints]:
    """Hours that have any reading, and where each begins (with the end); ``time`` is sorted."""
    if not time.size:
        return np.empty(0, np.int64), np.zeros(1, np.int64)
    first, last = int(time[0]) // HOUR_US, int(time[-1]) // HOUR_US
    at = np.searchsorted(time, np.arange(first, last + 1) * HOUR_US)
    at[0] = 0
    some = np.flatnonzero(np.diff(np.append(at, time.size)))
    return first + some, np.append(at[some], time.size)


def _covered(time: Ints, low: Ints, high: Ints) -> list[tuple[int, int]]:
    """Which instants lie in any of the closed intervals: stretches [from, to), apart, in order."""
    begin = np.searchsorted(time, low, "left")
    end = np.searchsorted(time, high, "right")
    some = np.flatnonzero(end > begin)
    if not some.size:
        return []
    begin, end = begin[some], end[some]
    apart = np.append(True, begin[1:] > end[:-1])
    return list(zip(begin[apart].tolist(), end[np.append(apart[1:], True)].tolist(), strict=True))


def heard_hours(times: Ints) -> Hours:
    """Of each hour of some records in order: how many, first, last, longest silence [s]."""
    hour, at = _hours(times)
    silence = _silences(times, at)
    return {number: (high - low, int(times[low]), int(times[high - 1]), longest)
            for number, (low, high), longest in zip(
                hour.tolist(), pairwise(at.tolist()), silence.tolist(), strict=True)}


def _silences(times: Ints, at: Ints) -> Reals:
    """The longest gap within each stretch of records, NaN where there is one record. [s]"""
    low, size = at[:-1], np.diff(at)
    if not size.size:
        return np.empty(0)
    gaps = np.empty_like(times)
    np.subtract(times[1:], times[:-1], out=gaps[1:])
    gaps[low] = 0
    return np.where(size > 1, np.maximum.reduceat(gaps, low) / 1e6, np.nan)


def activity(
    controller: int, times: Ints, edges: Ints, run: Ints, known: Hours | None = None
) -> Columns:
    """What one controller logged, hour by hour: the columns of ACTIVITY, NaN for null.

    Parameters
    ----------
    controller : int
        Its place.
    times : array of int
        All its records, in order, but for those of hours that are ``known``.
    edges : array of int
        Those that are commands or contacts, in order.
    run : array of int
        The run of each record, or one number for all of them.
    known : mapping of int to sequence of float, optional
        :func:`heard_hours` of hours without edges, of one run each.

    Notes
    -----
    ``longest_silence_s`` is between records of the same hour (null with one record);
    a silence over the turn of an hour shows in ``last`` and the next row's ``first``.
    """
    hour, at = _hours(times)
    low, size = at[:-1], np.diff(at)
    edge_at = np.searchsorted(edges, np.stack([hour, hour + 1]) * HOUR_US)
    runs = np.ones(hour.size, np.int64)
    if run.size > 1:
        runs[:] = [np.unique(run[start:stop]).size
                   for start, stop in zip(low.tolist(), at[1:].tolist(), strict=True)]
    found = {
        "controller": np.full(hour.size, controller), "hour": hour * HOUR_US, "records": size,
        "edges": edge_at[1] - edge_at[0], "first": times[low], "last": times[at[1:] - 1],
        "longest_silence_s": _silences(times, at), "runs": runs,
    }
    if not known:
        return found
    records, first, last, silence = zip(*known.values(), strict=True)
    some = len(known)
    kept = {
        "controller": np.full(some, controller), "hour": np.array(list(known)) * HOUR_US,
        "records": np.array(records), "edges": np.zeros(some, np.int64),
        "first": np.array(first), "last": np.array(last),
        "longest_silence_s": np.array(silence, np.float64), "runs": np.ones(some, np.int64),
    }
    if not hour.size:
        return kept
    return {name: np.concatenate([kept[name], column]) for name, column in found.items()}


def activity_table(controllers: Sequence[str], rows: Sequence[Columns]) -> pl.DataFrame:
    """ACTIVITY of such columns; ``controllers`` are the names by place."""
    return _table(ACTIVITY, "controller", controllers, rows)
