"""Units that were replaced: their log tells how units of their kind wear, to the end of the way."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import polars as pl

from remanence.analytics.history import History, service_of
from remanence.shared.tables import BASELINE_ACTIONS
from remanence.shared.venue import Lock

EARLIER_UNITS = 12
"""Units of a kind that are asked, the newest: more of them add little, and each takes time."""


def earlier_units(
    history: History, rows_of: Mapping[str, pl.DataFrame]
) -> list[tuple[Lock, pl.DataFrame]]:
    """Actuations of units that were replaced, from the last work on each to its end.

    Parameters
    ----------
    history : History
        Its service log says when.
    rows_of : mapping of str to polars.DataFrame
        Actuations with ``day``, by lock.

    Returns
    -------
    list of (Lock, polars.DataFrame)
        Newest first. The days of the work itself are left out, as in
        :func:`remanence.analytics.history.baseline_start`.
    """
    found: list[tuple[date, Lock, pl.DataFrame]] = []
    for lock in history.venue.locks:
        rows = rows_of.get(lock.id)
        if rows is None or lock.latency_kind in (None, "door"):
            continue
        since = lock.installed or date.min
        for day, action in service_of(history).get(lock.id, ()):
            if action not in BASELINE_ACTIONS:
                continue
            if action == "replaced" and since < day:
                found.append((day, lock, rows.filter(
                    pl.col("day").is_between(since, day, closed="none"))))
            since = day
    found.sort(key=lambda one: (one[0], one[1].id), reverse=True)
    return [(lock, rows) for _, lock, rows in found if rows.height]
