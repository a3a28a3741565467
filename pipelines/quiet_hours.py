"""What a file of levels keeps of its rails' hours, so that they need not be sorted again.

The quantiles of an hour's readings take a sort, which ingest can do while it has them at
hand. What comes of it depends on the readings alone where no latch was on; where one was,
whoever pairs the day does the work (:func:`analytics.pairing_hours.rail_hours`).
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Mapping

import numpy as np
import polars as pl

from analytics.pairing_hours import HOUR_US, Hours, quiet_hours
from analytics.pairing_readings import Records

NOTE = "remanence_quiet_hours"
"""The entry of a file's metadata: by channel, by hour since 1970."""


def hours_to_keep(volts: pl.DataFrame) -> Hours:
    """The hours of one channel's volts, sorted by time and value, each record once."""
    time, value = volts["time"].to_physical().to_numpy(), volts["value"].to_numpy()
    return quiet_hours(Records(time, value, np.zeros(1, np.int64)).samples())


def note_of(kept: Mapping[str, Hours]) -> dict[str, str]:
    """The note that keeps hours of some channels."""
    return {NOTE: json.dumps(kept, separators=(",", ":"))} if kept else {}


def kept_hours(
    notes: Iterable[Mapping[bytes, bytes]], spans: Iterable[tuple[int, int]]
) -> dict[str, Hours]:
    """What the files of one day keep of the day's hours, by channel.

    Parameters
    ----------
    notes : iterable of mapping
        Each file's metadata.
    spans : iterable of (int, int)
        First and last time of each file. [us, UTC] Of an hour that is in two of them
        neither file knows all readings.
    """
    files = Counter(hour for first, last in spans
                    for hour in range(first // HOUR_US, last // HOUR_US + 1))
    found: dict[str, dict[int, list[float]]] = {}
    for of_file in notes:
        for channel, hours in json.loads(of_file.get(NOTE.encode(), b"{}")).items():
            found.setdefault(channel, {}).update(
                (int(hour), told) for hour, told in hours.items() if files[int(hour)] == 1)
    return dict(found)
