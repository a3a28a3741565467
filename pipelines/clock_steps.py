"""Steps of a clock that says the date: its time goes back and stays back, or leaps ahead."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipelines.clock_leaps import leaps
from shared.tables import CLOCK_EVENTS

STEP_S = 2.0
"""A smaller step back is lines out of order: brokers and loggers shuffle by less."""

STAYS = 20
"""Records for which the time must stay back to mean a step, not a line out of order."""

REMEMBERED = 2_000_000
"""Records that are kept in mind, to tell a step from a stretch that was written twice."""

HOPELESS = 50
"""After so many steps in one file the watch gives up: its lines are in no order at all."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def _mark() -> pl.Expr:
    """A number that two records share only if they are the same one, near enough."""
    return pl.col("utc").hash() ^ pl.col("channel").hash(1) ^ pl.col("value").hash(2)


@dataclass
class _Suspect:
    """A time that went back: from where, to where, on which line, and what came since."""

    before: int
    after: int
    line: int
    since: list[int] = field(default_factory=list)
    marks: list[int] = field(default_factory=list)


class StepWatch:
    """Watches the times of one file, controller by controller."""

    def __init__(self, file: str, last_times: Mapping[str, int] | None = None) -> None:
        self.file = file
        self._last: dict[str, int] = dict(last_times or {})
        self._suspects: dict[str, _Suspect] = {}
        self._past: deque[NDArray[np.uint64]] = deque()
        self._found: list[tuple[object, ...]] = []

    def watch(self, frame: pl.DataFrame) -> None:
        """Look at a chunk: ``line``, ``channel``, ``utc``, ``value``, in the order of the file."""
        if not self._suspects and self._in_order(frame):
            return
        frame = frame.select(
            "line", "utc", mark=_mark(),
            controller=pl.col("channel").cast(pl.String).fill_null("").str.split_exact(
                "/", 1).struct.field("field_0"),
        )
        frame = frame.filter(pl.col("utc").is_not_null())
        for name, before, seconds, line in leaps(frame):
            if sum(found[0] == name for found in self._found) < HOPELESS:
                self._found.append((name, _EPOCH + timedelta(microseconds=before), "step",
                                    seconds, False, self.file, line))
        for keys, part in frame.partition_by(
            "controller", as_dict=True, maintain_order=True
        ).items():
            self._closely(str(keys[0]), part)

    def _in_order(self, frame: pl.DataFrame) -> bool:
        """Whether nobody's time goes back in this chunk; if so it is taken note of."""
        if frame.is_empty():
            return True
        ticks = frame["utc"].to_physical()
        if ticks.null_count() or not ticks.is_sorted():
            return False
        ends = frame.group_by("channel").agg(
            pl.col("utc").first().to_physical().alias("first"),
            pl.col("utc").last().to_physical().alias("last"))
        first: dict[str, int] = {}
        last: dict[str, int] = {}
        for channel, start, end in ends.iter_rows():
            name = (channel or "").split("/", 1)[0]
            first[name] = min(start, first.get(name, start))
            last[name] = max(end, last.get(name, end))
        if any(start < self._last.get(name, start) for name, start in first.items()):
            return False
        self._last |= last
        self._remember(frame.select(_mark()).to_series().to_numpy())
        return True

    def _remember(self, marks: NDArray[np.uint64]) -> None:
        self._past.append(marks)
        while len(self._past) > 1 and sum(map(len, self._past)) > REMEMBERED:
            self._past.popleft()

    def _closely(self, name: str, part: pl.DataFrame) -> None:
        if sum(found[0] == name for found in self._found) >= HOPELESS:
            return
        limit = int(STEP_S * 1e6)
        ticks, marks = part["utc"].to_physical().to_numpy(), part["mark"].to_numpy()
        last = self._last.get(name, int(ticks[0]))
        highest = np.maximum(np.maximum.accumulate(ticks), last)
        if name not in self._suspects and not (ticks < highest - limit).any():
            self._last[name] = int(highest[-1])
            self._remember(marks)
            return
        known = 0 if name in self._suspects else len(ticks)
        for at, (tick, line) in enumerate(zip(ticks.tolist(), part["line"].to_list(), strict=True)):
            suspect = self._suspects.get(name)
            if suspect is None and tick < last - limit:
                suspect = self._suspects[name] = _Suspect(last, tick, line)
                known = at
            if suspect is None:
                last = max(last, tick)
                continue
            suspect.since.append(tick)
            suspect.marks.append(int(marks[at]))
            if tick >= suspect.before - limit:
                del self._suspects[name]  # it came back: lines out of order
                last = max(suspect.before, tick)
                known = len(ticks)
            elif len(suspect.since) >= STAYS:
                self._conclude(name, self._suspects.pop(name), marks[:known])
                last = max(suspect.since)
                known = len(ticks)
                if sum(found[0] == name for found in self._found) >= HOPELESS:
                    break
        self._last[name] = last
        self._remember(marks[:known])

    def _conclude(self, name: str, suspect: _Suspect, marks: NDArray[np.uint64]) -> None:
        since = np.array(suspect.marks, np.uint64)
        if sum(int(np.isin(since, past).sum()) for past in (*self._past, marks)) > len(since) // 2:
            return  # the same stretch written a second time
        self._found.append((
            name, _EPOCH + timedelta(microseconds=suspect.before), "step",
            (suspect.after - suspect.before) / 1e6, False, self.file, suspect.line))

    @property
    def last_times(self) -> dict[str, int]:
        """Each controller's latest time (UTC microseconds), for a log that goes on."""
        return dict(self._last)

    def events(self) -> pl.DataFrame:
        """The steps found so far (CLOCK_EVENTS), not mended: which side is right is not known."""
        return pl.DataFrame(self._found, schema=CLOCK_EVENTS.schema, orient="row")
