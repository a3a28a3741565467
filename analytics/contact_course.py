"""What a lock's contact did after each of its commands, row by row."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from analytics.history import History
from analytics.lock_rows import Ints, Reals, Rows, rows_by_lock
from analytics.memo import once_per_history

NEVER = np.iinfo(np.int64).max


@dataclass(frozen=True)
class ContactCourse:
    """Commands of one lock with feedback, and its contact's settled changes.

    ``opens_ms`` and ``shuts_ms`` are the times from each command to the first change to
    open and to locked before the next command; NaN where there was none. ``moves``
    counts the changes of either kind before the next command.
    """

    rows: Rows
    change_us: Ints
    opens_ms: Reals
    shuts_ms: Reals
    moves: Ints


@once_per_history
def contact_courses(history: History) -> dict[str, ContactCourse]:
    """Every lock with feedback that was commanded, by lock.

    Commands whose outcome could not be observed are left out.
    """
    wired = [lock.id for lock in history.venue.locks if lock.contact]
    frame = history.actuations.filter(
        pl.col("lock").is_in(wired) & (pl.col("outcome") != "unobserved"))
    changes = rows_by_lock(history.contact_changes, "time", history)
    found = {}
    for name, rows in rows_by_lock(frame, "command_time", history).items():
        change = changes.get(name)
        times = change.time_us if change is not None else np.array([], dtype=np.int64)
        opens = change.flag("open") if change is not None else np.array([], dtype=bool)
        following = np.append(rows.time_us[1:], NEVER)
        found[name] = ContactCourse(
            rows, times, _first_ms(rows.time_us, following, times[opens]),
            _first_ms(rows.time_us, following, times[~opens]),
            np.searchsorted(times, following) - np.searchsorted(times, rows.time_us),
        )
    return found


def _first_ms(start: Ints, until: Ints, times: Ints) -> Reals:
    if not times.size:
        return np.full(start.size, np.nan)
    place = np.searchsorted(times, start)
    first = times[np.minimum(place, times.size - 1)]
    inside = (place < times.size) & (first < until)
    out: Reals = np.where(inside, (first - start) / 1000.0, np.nan)
    return out
