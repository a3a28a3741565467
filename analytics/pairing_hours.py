"""Hour by hour: a rail's level, and what each controller logged."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from analytics.pairing_levels import EARLY, NEVER, Columns, Flags, Ints, Reals, Samples
from shared.tables import ACTIVITY, RAIL_HOURS, TIMESTAMP, Table

HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US
MARGIN_US = 2_000_000
"""Readings this close to a pulse are not idle."""


def rail_hours(supply: int, rail: Samples, on: Ints, off: Ints) -> Columns:
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
    """
    time, volts = rail.time, rail.value
    hour, at = _hours(time)
    low, size = at[:-1], np.diff(at)
    idle = _outside(time, np.where(on == EARLY, EARLY, np.maximum(
        on - MARGIN_US, on // DAY_US * DAY_US)), np.where(off >= NEVER, NEVER, off + MARGIN_US))
    if idle is None:
        calm, count = volts.copy(), size
    else:
        calm, count = volts.compress(idle), _sums(idle, low)
    begin = np.cumsum(count) - count
    _sort_each(calm, begin, count)
    some = np.flatnonzero(count)
    first, of = begin[some], count[some]

    def filled(values: Reals) -> Reals:
        column = np.full(hour.size, np.nan)
        column[some] = values
        return column

    def quantile(share: float) -> Reals:
        """Linear between order statistics, as numpy.quantile has it by default."""
        place = share * (of - 1)
        below = place.astype(np.int64)
        value: Reals = calm[first + below]
        above: Reals = calm[first + np.minimum(below + 1, of - 1)]
        return value + (above - value) * (place - below)

    median = filled((calm[first + (of - 1) // 2] + calm[first + of // 2]) / 2.0)
    lowest, highest = filled(calm[first]), filled(calm[first + of - 1])
    for place in np.flatnonzero(count < size).tolist():
        part = np.sort(volts[low[place]:low[place] + size[place]])
        median[place] = (part[(part.size - 1) // 2] + part[part.size // 2]) / 2.0
        lowest[place], highest[place] = part[0], part[-1]
    return {
        "supply": np.full(hour.size, supply), "hour": hour * HOUR_US, "samples": size,
        "volts_median": median, "volts_low": lowest, "volts_high": highest,
        "idle_samples": count, "idle_median": filled(quantile(0.5)),
        "idle_low": filled(quantile(0.05)), "idle_high": filled(quantile(0.95)),
        "idle_deviation": filled(_deviations(calm, first, of)),
    }


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


def _outside(time: Ints, low: Ints, high: Ints) -> Flags | None:
    """Which instants lie in none of the closed intervals; None if all do."""
    begin = np.searchsorted(time, np.sort(low), "left")
    end = np.maximum.accumulate(np.searchsorted(time, high[np.argsort(low)], "right"))
    some = np.flatnonzero(end > begin)
    if not some.size:
        return None
    begin, end = begin[some], end[some]
    apart = np.append(True, begin[1:] > end[:-1])
    outside = np.ones(time.size, np.bool_)
    for start, stop in zip(
        begin[apart].tolist(), end[np.append(apart[1:], True)].tolist(), strict=True):
        outside[start:stop] = False
    return outside


def _sums(flags: Flags, low: Ints) -> Ints:
    """How many are flagged from each of ``low`` to the next."""
    ends = np.append(low[1:], flags.size).tolist()
    return np.array([np.count_nonzero(flags[start:stop])
                     for start, stop in zip(low.tolist(), ends, strict=True)], np.int64)


def _sort_each(values: Reals, begin: Ints, count: Ints) -> None:
    for start, size in zip(begin.tolist(), count.tolist(), strict=True):
        values[start:start + size].sort()


def _deviations(values: Reals, begin: Ints, count: Ints) -> Reals:
    """Standard deviation (n - 1) of each stretch, in two passes; NaN for one value.

    The stretches are never empty and follow each other.
    """
    if not count.size:
        return np.empty(0)
    off = values - np.repeat(np.add.reduceat(values, begin) / count, count)
    off *= off
    squares = np.add.reduceat(off, begin)
    return np.sqrt(squares / np.where(count > 1, count - 1, np.nan))


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
