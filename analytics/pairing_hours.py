"""Hour by hour: a rail's level, and what each controller logged."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import polars as pl

from analytics.pairing_levels import EARLY, NEVER, Flags, Ints, Reals, Samples
from shared.tables import ACTIVITY, RAIL_HOURS, TIMESTAMP, Table

HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US
MARGIN_US = 2_000_000
"""Readings this close to a pulse are not idle."""


def rail_hours(supply: str, rail: Samples, on: Ints, off: Ints) -> list[tuple[object, ...]]:
    """Level of one rail, hour by hour: rows of RAIL_HOURS.

    Parameters
    ----------
    supply : str
        Its id.
    rail : Samples
        Its volts.
    on, off : arrays of int
        Pulses of latches on the rail; EARLY and NEVER where they began before or end
        after what is known. The margin before a pulse does not reach into the UTC day
        before, so that a day's hours never wait for the next day.
    """
    time, volts = rail.time, rail.value
    if not time.size:
        return []
    idle = ~_covered(time, np.where(on == EARLY, EARLY, np.maximum(
        on - MARGIN_US, on // DAY_US * DAY_US)), np.where(off >= NEVER, NEVER, off + MARGIN_US))
    rows: list[tuple[object, ...]] = []
    for hour, low, high in _hours(time):
        part, quiet = volts[low:high], idle[low:high]
        calm, rest = part[quiet], part[~quiet]
        calm.sort()
        rest.sort()
        known: tuple[float | None, ...] = (None, None, None, None)
        if calm.size:
            known = (_quantile(calm, 0.5), _quantile(calm, 0.05), _quantile(calm, 0.95),
                     _deviation(calm))
        ends = [end for one in (calm, rest) if one.size for end in (one[0], one[-1])]
        rows.append((
            supply, hour * HOUR_US, high - low, _joint_median(calm, rest), float(min(ends)),
            float(max(ends)), calm.size, *known))
    return rows


def rail_hours_table(rows: Sequence[tuple[object, ...]]) -> pl.DataFrame:
    """RAIL_HOURS of such rows."""
    return _table(RAIL_HOURS, rows)


def _table(table: Table, rows: Sequence[tuple[object, ...]]) -> pl.DataFrame:
    schema = {c.name: pl.Int64() if c.dtype == TIMESTAMP else c.dtype for c in table.columns}
    return table.conform(pl.DataFrame(rows, schema=schema, orient="row"))


def _hours(time: Ints) -> list[tuple[int, int, int]]:
    """(hour, from, to) of the rows of each hour that has any; ``time`` is sorted."""
    first, last = int(time[0]) // HOUR_US, int(time[-1]) // HOUR_US
    at = np.searchsorted(time, np.arange(first, last + 2) * HOUR_US).tolist()
    return [(first + k, low, high) for k, (low, high) in enumerate(pairwise(at)) if high > low]


def _joint_median(one: Reals, other: Reals) -> float:
    """Median of two sorted arrays together, without merging them."""
    if not other.size:
        return _quantile(one, 0.5)
    # Where each value of the second array would stand among all of them.
    place = np.searchsorted(one, other, "left") + np.arange(other.size)
    size = one.size + other.size

    def at(index: int) -> float:
        before = int(np.searchsorted(place, index, "left"))
        found = before < other.size and place[before] == index
        return float(other[before] if found else one[index - before])

    return (at((size - 1) // 2) + at(size // 2)) / 2.0


def _deviation(values: Reals) -> float | None:
    """Standard deviation (n - 1), in two passes; null for one value."""
    if values.size < 2:
        return None
    off = values - values.sum() / values.size
    return float(np.sqrt(off.dot(off) / (values.size - 1)))


def _quantile(ordered: Reals, share: float) -> float:
    """Linear between order statistics, as numpy.quantile has it by default."""
    place = share * (ordered.size - 1)
    low = int(place)
    high = min(low + 1, ordered.size - 1)
    return float(ordered[low] + (ordered[high] - ordered[low]) * (place - low))


def _covered(time: Ints, low: Ints, high: Ints) -> Flags:
    """Which instants lie in any of the closed intervals."""
    turn = np.zeros(time.size + 1, np.int64)
    np.add.at(turn, np.searchsorted(time, low, "left"), 1)
    np.add.at(turn, np.searchsorted(time, high, "right"), -1)
    return np.cumsum(turn[:-1]) > 0


def activity(
    controller: str, times: Ints, edges: Ints, run: Ints
) -> list[tuple[object, ...]]:
    """What one controller logged, hour by hour: rows of ACTIVITY.

    Parameters
    ----------
    controller : str
        Its name.
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
    if not times.size:
        return []
    hours = _hours(times)
    silence = np.diff(times)
    edge_at = np.searchsorted(
        edges, np.array([[hour, hour + 1] for hour, _, _ in hours]) * HOUR_US)
    return [
        (
            controller, hour * HOUR_US, high - low, int(stop - start), int(times[low]),
            int(times[high - 1]),
            float(silence[low:high - 1].max()) / 1e6 if high - low > 1 else None,
            1 if run.size == 1 else int(np.unique(run[low:high]).size),
        )
        for (hour, low, high), (start, stop) in zip(hours, edge_at, strict=True)
    ]


def activity_table(rows: Sequence[tuple[object, ...]]) -> pl.DataFrame:
    """ACTIVITY of such rows."""
    return _table(ACTIVITY, rows)
