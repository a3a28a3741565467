"""Hour by hour: a rail's level, and what each controller logged."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np
import polars as pl

from analytics.pairing_levels import EARLY, NEVER, Columns, Ints, Reals, Samples
from shared.tables import ACTIVITY, RAIL_HOURS, TIMESTAMP, Table

HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US
MARGIN_US = 2_000_000
"""Readings this close to a pulse are not idle."""


Hours = Mapping[int, Sequence[float]]
"""What :func:`quiet_hours` tells, by the hour's number since 1970."""


def quiet_hours(rail: Samples) -> Hours:
    """What a rail's readings tell of each of their hours while no latch is on."""
    hour, at = _hours(rail.time)
    return {number: _hour(rail.value, low, high, []) for number, (low, high) in zip(
        hour.tolist(), pairwise(at.tolist()), strict=True)}


def rail_hours(
    supply: int, rail: Samples, on: Ints, off: Ints, quiet: Hours | None = None
) -> Columns:
    """Level of one rail, hour by hour: the columns of RAIL_HOURS, NaN for null.

    Parameters
    ----------
    supply : int
        Its place.
    rail : Samples
        Its volts.
    on, off : arrays of int
        Pulses of latches on the rail; EARLY and NEVER where they began before or end
        after what is known. The margin before a pulse does not reach into the UTC day
        before, so that a day's hours never wait for the next day.
    quiet : mapping of int to sequence of float, optional
        :func:`quiet_hours` of as many of the hours as it is known of: they need no work
        unless there was a pulse.
    """
    time, volts = rail.time, rail.value
    hour, at = _hours(time)
    busy = _covered(time, np.where(on == EARLY, EARLY, np.maximum(
        on - MARGIN_US, on // DAY_US * DAY_US)), np.where(off >= NEVER, NEVER, off + MARGIN_US))
    known = quiet or {}
    rows = [known[number] if number in known and not _any_of(busy, low, high)
            else _hour(volts, low, high, busy)
            for number, (low, high) in zip(hour.tolist(), pairwise(at.tolist()), strict=True)]
    columns = np.array(rows, np.float64).reshape(hour.size, len(_OF_HOUR)).T
    found = dict(zip(_OF_HOUR, columns, strict=True))
    return {
        "supply": np.full(hour.size, supply), "hour": hour * HOUR_US, "samples": np.diff(at),
        **found, "idle_samples": found["idle_samples"].astype(np.int64),
    }


_OF_HOUR = ("volts_median", "volts_low", "volts_high", "idle_samples", "idle_median", "idle_low",
            "idle_high", "idle_deviation")


def _hour(
    volts: Reals, low: int, high: int, busy: Sequence[tuple[int, int]]
) -> tuple[float, ...]:
    """_OF_HOUR of the readings from ``low`` up to ``high``.

    (Hour by hour, as an hour's readings stay in the processor's nearest memory.)
    """
    calm, known = _idle(volts, low, high, busy), (np.nan,) * 4
    calm.sort()
    size = calm.size
    if size:
        off = calm - np.add.reduce(calm) / size
        off *= off
        known = (_quantile(calm, 0.5), _quantile(calm, 0.05), _quantile(calm, 0.95),
                 math.sqrt(float(np.add.reduce(off)) / (size - 1)) if size > 1 else np.nan)
    whole = calm if size == high - low else np.sort(volts[low:high])
    median = (whole.item((high - low - 1) // 2) + whole.item((high - low) // 2)) / 2.0
    return (median, whole.item(0), whole.item(-1), size, *known)


def _any_of(busy: Sequence[tuple[int, int]], low: int, high: int) -> bool:
    """Whether any of the readings from ``low`` up to ``high`` lies in one of ``busy``."""
    last = bisect_right(busy, (high - 1, high)) - 1
    return last >= 0 and busy[last][1] > low


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
    order = np.argsort(low)
    begin = np.searchsorted(time, low[order], "left")
    end = np.maximum.accumulate(np.searchsorted(time, high[order], "right"))
    some = np.flatnonzero(end > begin)
    if not some.size:
        return []
    begin, end = begin[some], end[some]
    apart = np.append(True, begin[1:] > end[:-1])
    return list(zip(begin[apart].tolist(), end[np.append(apart[1:], True)].tolist(), strict=True))


def activity(controller: int, times: Ints, edges: Ints, run: Ints) -> Columns:
    """What one controller logged, hour by hour: the columns of ACTIVITY, NaN for null.

    Parameters
    ----------
    controller : int
        Its place.
    times : array of int
        All its records, in order.
    edges : array of int
        Those that are commands or contacts, in order.
    run : array of int
        The run of each record, or one number for all of them.

    Notes
    -----
    ``longest_silence_s`` is between records of the same hour (null with one record);
    a silence over the turn of an hour shows in ``last`` and the next row's ``first``.
    """
    hour, at = _hours(times)
    low, size = at[:-1], np.diff(at)
    silence = np.full(hour.size, np.nan)
    if hour.size:
        gaps = np.empty_like(times)
        np.subtract(times[1:], times[:-1], out=gaps[1:])
        gaps[low] = 0
        silence = np.where(size > 1, np.maximum.reduceat(gaps, low) / 1e6, np.nan)
    edge_at = np.searchsorted(edges, np.stack([hour, hour + 1]) * HOUR_US)
    runs = np.ones(hour.size, np.int64)
    if run.size > 1:
        runs[:] = [np.unique(run[start:stop]).size
                   for start, stop in zip(low.tolist(), at[1:].tolist(), strict=True)]
    return {
        "controller": np.full(hour.size, controller), "hour": hour * HOUR_US, "records": size,
        "edges": edge_at[1] - edge_at[0], "first": times[low], "last": times[at[1:] - 1],
        "longest_silence_s": silence, "runs": runs,
    }


def activity_table(controllers: Sequence[str], rows: Sequence[Columns]) -> pl.DataFrame:
    """ACTIVITY of such columns; ``controllers`` are the names by place."""
    return _table(ACTIVITY, "controller", controllers, rows)
