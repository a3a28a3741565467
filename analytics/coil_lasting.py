"""Which coils were still on when the log ended, and until when that is known."""

from __future__ import annotations

from datetime import datetime

import polars as pl

from analytics.history import History
from shared.tables import TIMESTAMP


def lasting_until(history: History) -> dict[str, datetime]:
    """The last record of each lock's controller, where its coil was on until then.

    A log that breaks off after an energising tells nothing of its end, and neither does a
    controller that started anew after it: those locks are not in the result, so that a gap in
    the log never reads as a hot coil.

    Returns
    -------
    dict of str to datetime
        By lock, only for those whose last energising has no end; UTC.
    """
    if history.energisings.is_empty() or history.activity.is_empty():
        return {}
    open_ends = (
        history.energisings.filter(pl.col("start") == pl.col("start").max().over("lock"))
        .filter(pl.col("end").is_null() & pl.col("on_ms").is_null())
    )
    found = {}
    for name, start in open_ends.select("lock", "start").iter_rows():
        lock = history.venue.locks_by_id.get(name)
        if lock is None:
            continue
        controller = history.activity.filter(pl.col("controller") == lock.command_controller)
        since = pl.lit(start, dtype=TIMESTAMP)
        restarts = history.clock_events.filter(
            (pl.col("controller") == lock.command_controller) & (pl.col("kind") == "restart")
            & (pl.col("time") > since)
        )
        seen = controller["last"].max()
        runs = controller.filter((pl.col("runs") > 1) & (pl.col("last") > since))
        if isinstance(seen, datetime) and seen > start and not restarts.height and not runs.height:
            found[name] = seen
    return found
