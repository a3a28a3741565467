"""Which actuations tell most, and their raw signals brought into the shape of a figure."""

from __future__ import annotations

import statistics
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any

import numpy as np
import polars as pl

from remanence.analytics.health.model import Trace
from remanence.analytics.history import History
from remanence.shared.findings import Finding
from remanence.shared.venue import Lock

WORST = 3
_BEFORE_MS = 150.0
_AFTER_MS = 200.0
_LONGEST_MS = 30_000.0
_MUCH_SLOWER = 1.25
"""A second slow one is shown only if it took this many times the median."""
_POINTS = 160
_MICROSECOND = timedelta(microseconds=1)
_NEEDED = ("command_time", "outcome", "latency_ms", "waited_ms", "pulse_ms")


@dataclass(frozen=True)
class TraceRequest:
    """The signals that one trace needs: ``channels`` from ``start`` to ``end`` (UTC)."""

    key: str
    lock: str
    role: str
    """worst, unanswered, longest or typical."""
    command_time: datetime
    outcome: str
    latency_ms: float | None
    start: datetime
    end: datetime
    channels: tuple[str, ...]


def telling_actuations(
    history: History, findings: Sequence[Finding]
) -> tuple[TraceRequest, ...]:
    """The week's actuations whose raw trace says most: a few of the worst and one typical.

    Parameters
    ----------
    history : History
        Its actuations of the week are looked at.
    findings : sequence of Finding
        Locks with a finding get up to three of the worst, the others one.

    Returns
    -------
    tuple of TraceRequest
        In the venue file's order of locks; the caller hands back
        ``{request.key: signals}`` with the SIGNALS rows of each.
    """
    week = history.this_week(history.actuations, "command_time")
    by_lock = {
        str(key[0]): part
        for key, part in week.partition_by("lock", as_dict=True, maintain_order=True).items()
    }
    ailing = {item.subject for item in findings
              if item.subject_kind == "lock" and item.condition not in ("release-test-due",)}
    said: dict[str, set[str]] = {}
    for item in findings:
        said.setdefault(item.subject, set()).add(item.condition)
    requests: list[TraceRequest] = []
    for lock in history.venue.locks:
        rows = by_lock.get(lock.id)
        if rows is None or (lock.latency_kind is None and lock.id not in ailing):
            continue
        held = ("over-long-energising" in said.get(lock.id, ()))
        requests += _of_lock(lock, rows, history, WORST if lock.id in ailing else 1, held=held)
    return tuple(requests)


def _of_lock(
    lock: Lock, rows: pl.DataFrame, history: History, worst: int, *, held: bool
) -> list[TraceRequest]:
    week = rows.select(_NEEDED).sort("command_time").rows(named=True)
    missed = [row for row in week if row["outcome"] == "no-release"]
    answered = sorted((row for row in week if row["latency_ms"] is not None),
                      key=lambda row: row["latency_ms"], reverse=True)
    chosen: list[tuple[str, dict[str, Any]]] = [
        ("unanswered", row) for row in missed[-(max(1, worst - 1) if worst > 1 else 1):]
    ]
    room = max(1, worst - len(chosen)) if len(answered) > 1 else 0
    usual = statistics.median(row["latency_ms"] for row in answered) if answered else 0.0
    chosen += [("worst", row) for place, row in enumerate(answered[:room])
               if place == 0 or row["latency_ms"] > _MUCH_SLOWER * usual]
    if held:
        timed = [row for row in week if row["pulse_ms"] is not None]
        longest = sorted(timed, key=lambda row: row["pulse_ms"])[-1:]
        chosen = [*(("longest", row) for row in longest), *chosen[:WORST]]
    if answered:
        chosen.append(("typical", answered[len(answered) // 2]))
    seen: set[object] = set()
    requests = []
    for role, row in chosen:
        at = row["command_time"]
        assert isinstance(at, datetime)
        if at in seen:
            continue
        seen.add(at)
        spans = [row[name] for name in ("latency_ms", "pulse_ms")]
        if row["latency_ms"] is None:
            spans.append(row["waited_ms"])
        longest_ms = max([span for span in spans if isinstance(span, float)] or [0.0])
        shown_ms = min(longest_ms, _LONGEST_MS)
        after = shown_ms + max(_AFTER_MS, 0.25 * shown_ms)
        latency = row["latency_ms"]
        channel = history.venue.supplies_by_id[lock.supply].channel
        requests.append(TraceRequest(
            key=f"{lock.id}@{at:%Y%m%dT%H%M%S%f}", lock=lock.id, role=role, command_time=at,
            outcome=str(row["outcome"]),
            latency_ms=latency if isinstance(latency, float) else None,
            start=at - timedelta(milliseconds=_BEFORE_MS),
            end=at + timedelta(milliseconds=after),
            channels=tuple(name for name in (lock.command, lock.contact, channel) if name),
        ))
    return requests


def trace(
    request: TraceRequest, signals: pl.DataFrame, lock: Lock, history: History
) -> Trace:
    """The signals of a request as steps and lines, thinned without losing a dip.

    Parameters
    ----------
    request : TraceRequest
        Which command, and from when to when.
    signals : polars.DataFrame
        SIGNALS rows; rows of other channels or times are left out.
    lock, history
        Whose trace it is.
    """
    used: dict[tuple[str | None, str], list[tuple[float, float]]] = defaultdict(list)
    elapsed = (signals["time"].to_numpy() - _stamp(request.command_time)).astype(np.int64)
    inside = ((elapsed >= (request.start - request.command_time) // _MICROSECOND)
              & (elapsed <= (request.end - request.command_time) // _MICROSECOND))
    value = signals["value"].to_numpy()
    channels, quantities = signals["channel"].to_list(), signals["quantity"].to_list()
    shown = np.flatnonzero(inside)
    for place in shown[np.argsort(elapsed[shown], kind="stable")].tolist():
        used[channels[place], quantities[place]].append(
            (elapsed[place].item() / 1000.0, float(value[place])))
    first, last = -_BEFORE_MS, (request.end - request.command_time) / timedelta(milliseconds=1)
    rest = float(lock.command_energised if lock.fail_safe else 1 - lock.command_energised)
    closed = 0.0 if lock.contact_closed_when == "open" else 1.0
    line = _thinned(used[history.venue.supplies_by_id[lock.supply].channel, "volts"])
    steps = sorted(later[0] - sooner[0] for sooner, later in pairwise(line))
    return Trace(
        key=request.key, role=request.role,
        at=request.command_time.astimezone(history.venue.zone),
        outcome=request.outcome, latency_ms=request.latency_ms,
        command=_steps(used[lock.command, "command"], rest, first, last),
        contact=(_steps(used[lock.contact, "contact"], closed, first, last)
                 if lock.contact else ()),
        volts=line, volts_step_ms=steps[len(steps) // 2] if steps else None,
    )


def _stamp(moment: datetime) -> np.datetime64:
    return np.datetime64(moment.astimezone(UTC).replace(tzinfo=None), "us")


def _steps(
    points: Sequence[tuple[float, float]], rest: float, first: float, last: float
) -> tuple[tuple[float, float], ...]:
    # What it showed before the first record here: the other state, since changes are logged.
    start = 1.0 - points[0][1] if points else rest
    end = points[-1][1] if points else rest
    return ((first, start), *points[:_POINTS], (last, end))


def _thinned(pairs: Sequence[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    """At most some 160 points: of each stretch the lowest and the highest reading."""
    if len(pairs) <= _POINTS:
        return tuple(pairs)
    size = -(-len(pairs) // (_POINTS // 2))
    kept: list[tuple[float, float]] = []
    for start in range(0, len(pairs), size):
        stretch = pairs[start:start + size]
        kept += sorted({min(stretch, key=lambda p: p[1]), max(stretch, key=lambda p: p[1])})
    return tuple(kept)


def traces_of(
    history: History, requests: Sequence[TraceRequest], signals: Mapping[str, pl.DataFrame]
) -> dict[str, tuple[Trace, ...]]:
    """The traces of every lock, from the slices at hand; a missing slice is left out."""
    found: dict[str, list[Trace]] = {}
    for request in requests:
        frame = signals.get(request.key)
        if frame is None or frame.is_empty():
            continue
        lock = history.venue.locks_by_id[request.lock]
        found.setdefault(request.lock, []).append(trace(request, frame, lock, history))
    return {lock: tuple(items) for lock, items in found.items()}
