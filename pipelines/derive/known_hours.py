"""What a file of levels keeps of its hours, so that nobody need look at their readings again.

The quantiles of an hour's readings take a sort, which ingest can do while it has them at
hand. What comes of it depends on the readings alone where no latch was on, and so does
what a controller logged where none of its commands and contacts moved; where one did,
whoever pairs the day does the work (:mod:`remanence.analytics.pairing.hours`).
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence

import numpy as np
import polars as pl

from remanence.analytics.pairing.hours import HOUR_US, Hours, KnownHours, heard_hours, quiet_hours
from remanence.analytics.pairing.readings import Records
from remanence.shared.venue import controller_of

RAILS = "remanence_quiet_hours"
"""The entry of a file's metadata: by channel, by hour since 1970."""

CONTROLLERS = "remanence_heard_hours"
"""By controller: the channels and quantities of its levels in the file; by hour, what there was."""


def hours_to_keep(volts: pl.DataFrame) -> Hours:
    """The hours of one channel's volts, sorted by time and value, each record once."""
    time, value = volts["time"].to_physical().to_numpy(), volts["value"].to_numpy()
    return quiet_hours(Records(time, value, np.zeros(1, np.int64)).samples())


def heard_to_keep(parts: Sequence[tuple[str, str, pl.DataFrame]]) -> dict[str, list[object]]:
    """What each controller logged of its levels, hour by hour, where all are of one run.

    ``parts``: channel, quantity, and its records in the order of time.
    """
    found: dict[str, list[object]] = {}
    by_controller: dict[str, list[tuple[str, str, pl.DataFrame]]] = {}
    for part in parts:
        by_controller.setdefault(controller_of(part[0]), []).append(part)
    for name, mine in by_controller.items():
        ends = [(frame["run"].min(), frame["run"].max(), frame["run"].null_count())
                for _, _, frame in mine]
        if any(end != (ends[0][0], ends[0][0], 0) for end in ends):
            continue
        times = [frame["time"].to_physical().to_numpy() for _, _, frame in mine]
        every = times[0] if len(times) == 1 else np.sort(np.concatenate(times), kind="stable")
        found[name] = [[[channel, quantity] for channel, quantity, _ in mine], heard_hours(every)]
    return found


def notes_of(rails: Mapping[str, Hours], controllers: Mapping[str, list[object]]) -> dict[str, str]:
    """The notes that keep hours."""
    return {name: json.dumps(kept, separators=(",", ":"))
            for name, kept in ((RAILS, rails), (CONTROLLERS, controllers)) if kept}


def known_hours(
    notes: Iterable[Mapping[bytes, bytes]], spans: Iterable[tuple[int, int]],
    wanted: Mapping[str, Collection[str]],
) -> KnownHours:
    """What the files of one day keep of the day's hours.

    Parameters
    ----------
    notes : iterable of mapping
        Each file's metadata.
    spans : iterable of (int, int)
        First and last time of each file. [us, UTC] Of an hour that is in two of them
        neither file knows all readings.
    wanted : mapping of str to collection of str
        Channels by quantity that are looked at. Of a controller of whose levels another
        channel is in the file, it does not tell what there is to be known.
    """
    files = Counter(hour for first, last in spans
                    for hour in range(first // HOUR_US, last // HOUR_US + 1))
    found = KnownHours({}, {})
    for of_file in notes:
        rails = json.loads(of_file.get(RAILS.encode(), b"{}"))
        controllers = {
            name: hours for name, (levels, hours)
            in json.loads(of_file.get(CONTROLLERS.encode(), b"{}")).items()
            if all(channel in wanted.get(quantity, ()) for channel, quantity in levels)}
        rails = {channel: hours for channel, hours in rails.items()
                 if channel in wanted.get("volts", ())}
        for into, told in ((found.rails, rails), (found.controllers, controllers)):
            for name, hours in told.items():
                of_name = into.setdefault(name, {})  # type: ignore[attr-defined]
                of_name.update((int(hour), figures) for hour, figures in hours.items()
                               if files[int(hour)] == 1)
    return found
