"""Hour by hour: a rail's level, and what each controller logged."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from remanence.analytics.pairing.commands import later
from remanence.analytics.pairing.edges import DAY_US
from remanence.analytics.pairing.rails import NEVER
from remanence.analytics.pairing.readings import Records
from remanence.analytics.pairing.stretches import Columns, of_sorted, quantiles
from remanence.analytics.pairing.wiring import Wiring
from remanence.analytics.statistics.arrays import Ints, Reals
from remanence.shared.table import TIMESTAMP, Table

C = pl.col

HOUR_US = 3_600_000_000
MARGIN_US = 2_000_000
"""Readings this close to a pulse are not idle: the rail recovers within this."""
LOW_END, HIGH_END = 0.05, 0.95
"""Quantiles for the low and high end of a level at rest: one stray reading moves neither."""


def busy_stretches(edges: pl.DataFrame, wiring: Wiring) -> pl.DataFrame:
    """When readings are not idle, as a latch on the rail is on.

    Parameters
    ----------
    edges : polars.DataFrame
        EDGES of commands, their times as stamped, in order: those of the two seconds before the
        readings, and the begin of every pulse that lasts, among them.
    wiring : Wiring
        The locks.

    Returns
    -------
    polars.DataFrame
        ``rail``, ``begin`` and ``end``, both included. The margin before a pulse does not reach
        into the UTC day before, so that a day's hours never wait for the next day.
    """
    told = edges.join(wiring.locks.filter("pulsed").select("lock", "rail"), on="lock").sort(
        "lock", "time", maintain_order=True)
    first = (C.lock != C.lock.shift(1)).fill_null(value=True)
    begun = told.with_columns(end=later("time", 1).fill_null(NEVER), begin="time").filter("on")
    lasted = told.filter(first & ~C.on).with_columns(end="time", begin=pl.lit(-NEVER))
    return pl.concat([begun, lasted]).select(
        "rail", begin=pl.when(C.begin == -NEVER).then("begin")
        .otherwise(pl.max_horizontal(C.begin - MARGIN_US, C.begin // DAY_US * DAY_US)),
        end=C.end + MARGIN_US)


def rail_hours(volts: Records, busy: pl.DataFrame) -> Columns:
    """RAIL_HOURS of one rail, but for its name; NaN for null.

    Parameters
    ----------
    volts : Records
        Its readings of whole hours, each once.
    busy : polars.DataFrame
        Its :func:`busy_stretches`.
    """
    hour, at = hours_of(volts.time)
    low, high = at[:-1], at[1:]
    begin, end = _covered(volts.time, busy)
    taken = _covered_before(at, begin, end)
    count = np.diff(at - taken)
    whole = tuple(np.full(hour.size, np.nan) for _ in range(3))
    calm = tuple(np.full(hour.size, np.nan) for _ in LEVEL)
    # Where no latch was on, all readings are readings at rest.
    mixed = np.flatnonzero(count < high - low)
    still = np.flatnonzero(count == high - low)
    for rows, level in (
        (mixed, of_sorted(*_at_rest(volts.value, at, mixed, begin, end), _level, len(LEVEL))),
        (still, of_sorted(volts.value, low[still], high[still], _level, len(LEVEL))),
    ):
        for column, figures in zip(calm, level, strict=True):
            column[rows] = figures
    for column, figures in zip(whole, of_sorted(
            volts.value, low[mixed], high[mixed], _ends, 3), strict=True):
        column[mixed] = figures
    for column, figures in zip(whole, (calm[0], *calm[3:5]), strict=True):
        column[still] = figures[still]
    return {
        "hour": hour * HOUR_US, "samples": high - low, "idle_samples": count,
        **dict(zip(("volts_median", "volts_low", "volts_high"), whole, strict=True)),
        **dict(zip(LEVEL[:3], calm[:3], strict=True)),
        "idle_deviation": np.where(count > 1, calm[5], np.nan),
    }


def _at_rest(
    volts: Reals, at: Ints, rows: Ints, begin: Ints, end: Ints
) -> tuple[Reals, Ints, Ints]:
    """Readings of some hours that lie in none of the stretches, and where each hour's lie there."""
    parts, count = [], np.zeros(rows.size, np.int64)
    turns = np.stack([begin, end], 1)
    firsts = np.searchsorted(end, at[rows], "right").tolist()
    lasts = np.searchsorted(begin, at[rows + 1], "left").tolist()
    for place, row in enumerate(rows.tolist()):
        edges = [at[row], *turns[firsts[place]:lasts[place]].ravel(), at[row + 1]]
        for a, b in zip(edges[::2], edges[1::2], strict=True):
            parts.append(volts[a:max(a, b)])
            count[place] += max(b - a, 0)
    ends = np.cumsum(count)
    return np.concatenate(parts) if parts else volts[:0], ends - count, ends


def _covered_before(at: Ints, begin: Ints, end: Ints) -> Ints:
    """How many readings before each place lie in the stretches."""
    done = np.searchsorted(end, at, "right")
    total = np.append(0, np.cumsum(end - begin))[done]
    inside = np.append(begin, at[-1:])[done]
    return np.asarray(total + np.maximum(at - inside, 0))


LEVEL = ("idle_median", "idle_low", "idle_high", "low", "high", "deviation")


def _level(cells: Reals, count: Ints) -> tuple[Reals, ...]:
    """Of hours of sorted readings: LEVEL."""
    middle, low, high = quantiles(cells, count, 0.5, LOW_END, HIGH_END)
    ends = cells[:, 0], cells[np.arange(count.size), count - 1]
    # (A short row is summed up in eights, a long one alone, so that its sum does not depend on how
    # long the other rows are.)
    squares = np.empty(count.size)
    short, long = np.flatnonzero(count <= _SHORT), np.flatnonzero(count > _SHORT)
    some = cells[short, :_SHORT]
    inside = np.arange(some.shape[1]) < count[short][:, None]
    mean = np.where(inside, some, 0.0).sum(axis=1) / count[short]
    squares[short] = (np.where(inside, some - mean[:, None], 0.0) ** 2).sum(axis=1)
    for row in long.tolist():
        off = cells[row, :count[row]]
        off = off - np.add.reduce(off) / off.size
        off *= off
        squares[row] = np.add.reduce(off)
    return middle, low, high, *ends, np.sqrt(squares / np.maximum(count - 1, 1))


_SHORT = 64
"""Readings up to which numpy sums up a row in eights, however it is padded."""


def _ends(cells: Reals, count: Ints) -> tuple[Reals, ...]:
    """Median, lowest and highest."""
    return (*quantiles(cells, count, 0.5), cells[:, 0], cells[np.arange(count.size), count - 1])


def hours_of(time: Ints) -> tuple[Ints, Ints]:
    """Hours that have any reading, and where each begins (with the end); ``time`` is sorted."""
    if not time.size:
        return np.empty(0, np.int64), np.zeros(1, np.int64)
    first, last = int(time[0]) // HOUR_US, int(time[-1]) // HOUR_US
    at = np.searchsorted(time, np.arange(first, last + 1) * HOUR_US)
    some = np.flatnonzero(np.diff(np.append(at, time.size)))
    return first + some, np.append(at[some], time.size)


def _covered(time: Ints, busy: pl.DataFrame) -> tuple[Ints, Ints]:
    """The stretches as places among the readings, from and up to, apart and in order."""
    order = busy.sort("begin")
    begin = np.searchsorted(time, order["begin"].to_numpy(), "left")
    end = np.maximum.accumulate(np.searchsorted(time, order["end"].to_numpy(), "right"))
    begin, end = begin[end > begin], end[end > begin]
    apart = np.append(True, begin[1:] > end[:-1])[:begin.size]
    return begin[apart], end[np.append(apart[1:], True)[:end.size]]


def activity(time: Ints, run: Ints, edges: Ints) -> Columns:
    """ACTIVITY of one controller, but for its name; NaN for null.

    Parameters
    ----------
    time, run : array of int
        All its records of whole hours, in order, and the run of each (or one number for all).
    edges : array of int
        Times of those that are commands or contacts, in order.

    Notes
    -----
    ``longest_silence_s`` is between records of the same hour (null with one record); a silence over
    the turn of an hour shows in ``last`` and the next row's ``first``.
    """
    hour, at = hours_of(time)
    low, size = at[:-1], np.diff(at)
    gaps = np.empty_like(time)
    np.subtract(time[1:], time[:-1], out=gaps[1:])
    gaps[low] = 0
    edge_at = np.searchsorted(edges, np.stack([hour, hour + 1]) * HOUR_US)
    runs = np.ones(hour.size, np.int64)
    if run.size > 1 and (run != run[0]).any():
        runs[:] = [np.unique(run[a:b]).size for a, b in zip(low, at[1:], strict=True)]
    longest = np.maximum.reduceat(gaps, low) if hour.size else np.empty(0)
    return {
        "hour": hour * HOUR_US, "records": size, "edges": edge_at[1] - edge_at[0],
        "first": time[low], "last": time[at[1:] - 1], "runs": runs,
        "longest_silence_s": np.where(size > 1, longest / 1e6, np.nan),
    }


def hours_table(table: Table, whose: str, parts: Sequence[tuple[str, Columns]]) -> pl.DataFrame:
    """RAIL_HOURS or ACTIVITY of what was found of each rail or controller, by its name."""
    if not parts:
        return table.empty()
    size = [part["hour"].size for _, part in parts]
    names = pl.Series([name for name, _ in parts], dtype=pl.String)
    frame = pl.DataFrame({name: np.concatenate([part[name] for _, part in parts])
                          for name in parts[0][1]}, nan_to_null=True)
    times = [column.name for column in table.columns if column.dtype == TIMESTAMP]
    return table.conform(frame.with_columns(
        C(times).cast(TIMESTAMP), names.gather(np.repeat(np.arange(len(size)), size)).alias(whose)))


def runs_of(time: Ints, run: Ints) -> tuple[Ints, Ints, Ints]:
    """Stretches of records of one run, in order: run, first and last record.

    A run that is interrupted by another one's records and comes back counts twice.
    """
    if run.size == 1 or (run == run[0]).all():
        return run[[0]], time[[0]], time[[-1]]  # (no views, which would hold all the records)
    at = np.flatnonzero(np.append(True, run[1:] != run[:-1]))
    return run[at], time[at], time[np.append(at[1:], run.size) - 1]
