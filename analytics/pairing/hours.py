"""Hour by hour: a rail's level, and what each controller logged.

NumPy and not Polars: an hour's readings are sorted where they lie, and grouping them takes twice
as long as reading them from the disk.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from remanence.analytics.clocks.instants import DAY_US, stamped
from remanence.analytics.pairing.readings import Readings
from remanence.analytics.pairing.windows import NEVER
from remanence.analytics.pairing.wiring import Wiring
from remanence.analytics.statistics.arrays import Ints

C = pl.col

Columns = dict[str, NDArray[Any]]
"""Columns of one length, NaN for null."""

HOUR_US = 3_600_000_000
MARGIN_US = 2_000_000
"""Readings this close to a pulse are not idle: the rail recovers within this."""
LOW_END, HIGH_END = 0.05, 0.95
"""Quantiles for the low and high end of a level at rest: one stray reading moves neither."""


def busy_stretches(coils: pl.DataFrame, wiring: Wiring) -> pl.DataFrame:
    """When readings are not idle, as a latch on the rail is on.

    ``rail``, ``begin`` and ``end``, both included [us, UTC], by ``begin``. The margin before a
    pulse does not reach into the UTC day before, so that a day's hours never wait for the next day.
    """
    latches = wiring.locks.filter("pulsed").select("lock", "rail")
    return stamped(coils, "start", "ended").join(latches, on="lock").select(
        "rail", begin=pl.max_horizontal(C.start - MARGIN_US, C.start // DAY_US * DAY_US),
        end=C.ended.fill_null(NEVER) + MARGIN_US).sort("begin")


NEVER_BUSY = pl.Schema({"begin": pl.Int64(), "end": pl.Int64()}).to_frame()


def rail_hours(rail: str, volts: Readings, busy: pl.DataFrame) -> Columns:
    """RAIL_HOURS of one rail: its readings of whole hours, and its :func:`busy_stretches`."""
    hour, at = hours_of(volts.time)
    # Readings at rest: from the end of one busy stretch to the begin of the next.
    stop = np.append(np.searchsorted(volts.time, busy["begin"].to_numpy()), volts.time.size)
    first = np.maximum.accumulate(np.append(
        0, np.searchsorted(volts.time, busy["end"].to_numpy(), "right")))
    some = (stop > first) | (np.arange(stop.size) == stop.size - 1)
    first, stop = first[some], stop[some]
    idle = np.concatenate([
        volts.value[a:b] for a, b in zip(first.tolist(), stop.tolist(), strict=True)])
    so_far = np.repeat(np.append(0, np.cumsum(stop - first)), 2)[1:-1]
    ends = np.interp(at, np.stack([first, stop], axis=1).ravel(), so_far).astype(np.int64)
    count = np.diff(ends)
    for a, b in pairwise(ends.tolist()):
        idle[a:b].sort()
    some = np.flatnonzero(count)
    low, size = ends[:-1][some], count[some]

    def quantile(share: float) -> Any:
        """Linear between order statistics (numpy.quantile's default)."""
        place = share * (size - 1)
        below = place.astype(np.int64)
        under, over = idle[low + below], idle[low + np.minimum(below + 1, size - 1)]
        return under + (over - under) * (place - below)

    found: Columns = {"supply": np.full(hour.size, rail), "hour": hour * HOUR_US,
                      "samples": np.diff(at), "idle_samples": count}
    rest = {"idle_median": quantile(0.5), "idle_low": quantile(LOW_END),
            "idle_high": quantile(HIGH_END)}
    mean = np.add.reduceat(idle, low) / size
    for a, b, middle in zip(low.tolist(), (low + size).tolist(), mean.tolist(), strict=True):
        idle[a:b] -= middle
    rest["idle_deviation"] = np.sqrt(
        np.add.reduceat(np.square(idle, out=idle), low) / np.where(size > 1, size - 1, np.nan))
    for name, level in rest.items():
        found[name] = np.full(hour.size, np.nan)
        found[name][some] = level
    return found


def hours_of(time: Ints) -> tuple[Ints, Ints]:
    """Hours that have any reading, and where each begins (with the end); ``time`` is sorted."""
    if not time.size:
        return np.empty(0, np.int64), np.zeros(1, np.int64)
    first, last = int(time[0]) // HOUR_US, int(time[-1]) // HOUR_US
    at = np.searchsorted(time, np.arange(first, last + 1) * HOUR_US)
    some = np.flatnonzero(np.diff(np.append(at, time.size)))
    return first + some, np.append(at[some], time.size)


def activity(controller: str, time: Ints, run: Ints, edges: Ints) -> Columns:
    """ACTIVITY of one controller: its records of whole hours, in order, the run of each (or one
    number for all), and the times of those that are commands or contacts.

    ``longest_silence_s`` is between records of the same hour (null with one record); a silence over
    the turn of an hour shows in ``last`` and the next row's ``first``.
    """
    hour, at = hours_of(time)
    low, size = at[:-1], np.diff(at)
    gaps = np.empty_like(time)
    np.subtract(time[1:], time[:-1], out=gaps[1:])
    gaps[low] = 0
    begin, end = np.searchsorted(edges, np.stack([hour, hour + 1]) * HOUR_US)
    return {
        "controller": np.full(hour.size, controller), "hour": hour * HOUR_US, "records": size,
        "edges": end - begin, "first": time[low], "last": time[at[1:] - 1],
        "runs": np.array([np.unique(run[a:b]).size if run.size > 1 else 1
                          for a, b in pairwise(at.tolist())]),
        "longest_silence_s": np.where(size > 1, np.maximum.reduceat(gaps, low) / 1e6, np.nan),
    }


def runs_of(controller: str, time: Ints, run: Ints) -> Columns:
    """RUNS of one controller; one that another one's records interrupt counts twice."""
    at = np.flatnonzero(np.append(True, run[1:] != run[:-1]))
    return {"controller": np.full(at.size, controller), "run": run[at], "first": time[at],
            "last": time[np.append(at[1:], time.size) - 1]}


def stacked(parts: Sequence[Columns], schema: pl.Schema) -> pl.DataFrame:
    """One table of all these columns."""
    return pl.DataFrame({
        name: np.concatenate([part[name] for part in parts]) for name in parts[0]
    }, nan_to_null=True) if parts else schema.to_frame()
