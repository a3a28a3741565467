"""Slices of the raw records for the few actuations that the report draws."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl

from remanence.analytics.health.traces import TraceRequest
from remanence.pipelines.store.store import Store


def _days(request: TraceRequest) -> list[date]:
    first, last = (end.astimezone(UTC).date() for end in (request.start, request.end))
    return [first + timedelta(days=n) for n in range((last - first).days + 1)]


def load_traces(store: Store, requests: Sequence[TraceRequest]) -> dict[str, pl.DataFrame]:
    """The SIGNALS rows of each request, by its key.

    Parameters
    ----------
    store : Store
        The venue's store.
    requests : sequence of TraceRequest
        From :func:`remanence.analytics.health.traces.telling_actuations`.

    Returns
    -------
    dict
        A day's file is read once for all requests of that day; a request whose day the
        store does not hold is left out.
    """
    held = set(store.days())
    by_day: dict[date, list[TraceRequest]] = {}
    for request in requests:
        for day in _days(request):
            if day in held:
                by_day.setdefault(day, []).append(request)
    found: dict[str, list[pl.DataFrame]] = {}
    for day, wanted in by_day.items():
        channels = sorted({channel for request in wanted for channel in request.channels})
        near = pl.any_horizontal(
            pl.col("time").is_between(request.start, request.end) for request in wanted
        )
        rows = store.scan_signals([day]).filter(
            near & pl.col("channel").is_in(channels)
        ).collect().sort("time", maintain_order=True)
        times = rows["time"].to_numpy()
        for request in wanted:
            first = np.searchsorted(times, _stamp(request.start), "left")
            after = np.searchsorted(times, _stamp(request.end), "right")
            found.setdefault(request.key, []).append(rows[int(first):int(after)].filter(
                pl.col("channel").is_in(list(request.channels))))
    return {key: parts[0] if len(parts) == 1 else pl.concat(parts).sort("time")
            for key, parts in found.items()}


def _stamp(moment: datetime) -> np.datetime64:
    return np.datetime64(moment.astimezone(UTC).replace(tzinfo=None), "us")
