"""Hour by hour: a rail's level, and what each controller logged."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from analytics.pairing_levels import EARLY, NEVER, Flags, Ints, Samples
from shared.tables import ACTIVITY, RAIL_HOURS

HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US
MARGIN_US = 2_000_000
"""Readings this close to a pulse are not idle."""


def rail_hours(supply: str, rail: Samples, on: Ints, off: Ints) -> pl.DataFrame:
    """Level of one rail, hour by hour (RAIL_HOURS).

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
    if not rail.time.size:
        return RAIL_HOURS.empty()
    idle = ~_covered(rail.time, np.where(on == EARLY, EARLY, np.maximum(
        on - MARGIN_US, on // DAY_US * DAY_US)), np.where(off >= NEVER, NEVER, off + MARGIN_US))
    hour = rail.time // HOUR_US
    at = np.flatnonzero(np.append(True, hour[1:] != hour[:-1]))
    rows = []
    for low, high in zip(at, np.append(at[1:], hour.size), strict=True):
        volts = rail.value[low:high]
        quiet = volts[idle[low:high]]
        row: list[object] = [
            supply, int(hour[low]) * HOUR_US, int(high - low), float(np.median(volts)),
            float(volts.min()), float(volts.max()), int(quiet.size), None, None, None, None,
        ]
        if quiet.size:
            middle, bottom, top = np.quantile(quiet, [0.5, 0.05, 0.95])
            row[7:10] = [float(middle), float(bottom), float(top)]
            row[10] = float(quiet.std(ddof=1)) if quiet.size > 1 else None
        rows.append(row)
    frame = pl.DataFrame(rows, schema=[c.name for c in RAIL_HOURS.columns], orient="row",
                         infer_schema_length=None)
    return RAIL_HOURS.conform(frame)


def _covered(time: Ints, low: Ints, high: Ints) -> Flags:
    """Which instants lie in any of the closed intervals."""
    turn = np.zeros(time.size + 1, np.int64)
    np.add.at(turn, np.searchsorted(time, low, "left"), 1)
    np.add.at(turn, np.searchsorted(time, high, "right"), -1)
    return np.cumsum(turn[:-1]) > 0


def activity(
    controller: str, times: Ints, edges: Ints, runs: Sequence[tuple[int, int, int]]
) -> pl.DataFrame:
    """What one controller logged, hour by hour (ACTIVITY).

    Parameters
    ----------
    controller : str
        Its name.
    times : array of int
        All its records, in order.
    edges : array of int
        Those that are commands or contacts, in order.
    runs : sequence of (run, first, last)
        Its running segments.

    Notes
    -----
    ``longest_silence_s`` is between records of the same hour (null with one record);
    a silence over the turn of an hour shows in ``last`` and the next row's ``first``.
    """
    if not times.size:
        return ACTIVITY.empty()
    hour = times // HOUR_US
    at = np.flatnonzero(np.append(True, hour[1:] != hour[:-1]))
    count = np.diff(np.append(at, times.size))
    silence = np.diff(times, prepend=times[0])
    silence[at] = 0
    longest = np.where(count > 1, np.maximum.reduceat(silence, at) / 1e6, np.nan)
    whose = edges // HOUR_US
    found = np.searchsorted(whose, hour[at], "right") - np.searchsorted(whose, hour[at], "left")
    seen = [
        len({run for run, begin, end in runs if begin // HOUR_US <= h <= end // HOUR_US})
        for h in hour[at].tolist()
    ]
    return ACTIVITY.conform(pl.DataFrame({
        "controller": [controller] * at.size,
        "hour": hour[at] * HOUR_US,
        "records": count,
        "edges": found,
        "first": times[at],
        "last": times[at + count - 1],
        "longest_silence_s": pl.Series(longest, nan_to_null=True),
        "runs": seen,
    }))
