"""Wear and timing as tables, for people who think in tables."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import polars as pl

from remanence.analytics.parts.wear import LockWear
from remanence.analytics.timing.gather import Timing
from remanence.shared.table import Table
from remanence.shared.tables import TIMING, WEAR
from remanence.shared.weeks import Week


def wear_rows(wear: Sequence[LockWear], week: Week) -> pl.DataFrame:
    """One row a lock: what is left of its life.

    Parameters
    ----------
    wear : sequence of LockWear
        From :func:`remanence.analytics.parts.wear.remaining_life`.
    week : Week
        Of which week.

    Returns
    -------
    polars.DataFrame
        Schema :data:`remanence.shared.tables.WEAR`. [weeks, ms]
    """
    rows = []
    for item in wear:
        left: dict[str, float] = {}
        if item.weeks.size:
            left["weeks_left"] = item.median_weeks
            for percent in (50, 90):
                low, high = item.interval(percent / 100)
                left[f"weeks_left_low_{percent}"] = low
                left[f"weeks_left_high_{percent}"] = high
        rows.append({
            "week": str(week), "lock": item.lock, "sign": item.sign,
            "latency_ms": item.latency_ms, "healthy_ms": item.healthy_ms,
            "limit_ms": item.limit_ms, "limit_from": item.limit_from,
            "games_per_week": item.games_per_week,
            "actuations_per_week": item.actuations_per_week,
            "since_weeks": item.since_weeks, **left,
        })
    return _table(WEAR, rows)


def timing_rows(timing: Timing, week: Week) -> pl.DataFrame:
    """One row a lock: what to programme.

    Parameters
    ----------
    timing : Timing
        From :func:`remanence.analytics.timing.gather.timing`.
    week : Week
        Of which week.

    Returns
    -------
    polars.DataFrame
        Schema :data:`remanence.shared.tables.TIMING`. [ms, share]
    """
    return _table(TIMING, [
        {
            "week": str(week), "lock": answer.lock,
            "pulse_state": answer.pulse.state, "pulse_ms": answer.pulse.recommended_ms,
            "pulse_shortest_ms": answer.pulse.shortest_ms,
            "pulse_longest_ms": answer.pulse.longest_ms, "released_share": answer.pulse.stated,
            "retry_ms": answer.wait.retry_ms, "retries": answer.wait.retries,
            "stuck_ms": answer.wait.stuck_ms,
            "sound_offset_ms": answer.sound.offset_ms, "sound_share": answer.sound.share,
            "sound_from_feedback": answer.sound.feedback,
            "light_offset_ms": answer.light.offset_ms, "light_share": answer.light.share,
            "light_from_feedback": answer.light.feedback,
        }
        for answer in timing.answers
    ])


def _table(table: Table, rows: list[dict[str, Any]]) -> pl.DataFrame:
    names = [column.name for column in table.columns]
    columns = {name: [row.get(name) for row in rows] for name in names}
    return table.conform(pl.DataFrame(columns, schema=table.schema, strict=False))
