"""Clocks that count since the controller started, anchored to true time where the log allows.

A block or a file's name that names a controller says that the file has one counter;
else each controller named in the channels has its own.

The file is gone through twice. The survey finds the controller's runs (from start to
restart), undoes the wraps of its counter, and collects the anchors: lines that also
carry true time. The second pass turns counts into UTC. Within a run, times differ by
exactly what the counter says, so that latencies are the controller's own running
time; only after a minute without records is the run set to the latest anchor, and
only where it has drifted by more than two seconds. Every rule looks back, never
ahead (but for the first anchor of a run, which also serves the lines before it), so
that a file that has grown gives its earlier records the same times again. A run that has
no anchor in its file is anchored by the file that goes on with it: its counter goes on.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
from numpy.typing import NDArray

from remanence.pipelines.clocks.iso import parse_times
from remanence.pipelines.clocks.wall_clock import EARLIEST, LATEST, NO_TIME, UNREADABLE
from remanence.shared.log_format import LogFormat
from remanence.shared.tables import CLOCK_EVENTS
from remanence.shared.venue import Venue

WRAP_SHARE = 0.9
"""A counter that goes back wrapped only if it stood above this share of its range before, and
stands below the rest of it after; else the controller restarted."""

SHORT_RANGE_S = 600.0
"""A counter that wraps sooner wraps all the time: it is taken to have wrapped, not restarted."""

JITTER_S = 1.0
"""Going back by less is lines out of order, unless the counter is near 0."""

DRIFT_S = 2.0
QUIET_S = 60.0

UNANCHORED = ("time counts from a start of the controller whose true time the log does not tell; "
              "see started, file_pattern and columns.wall of the [[log]] block")

_UNIT_US = {"boot-s": 1_000_000.0, "boot-ms": 1_000.0, "boot-us": 1.0}


@dataclass
class _Run:
    """One stretch from start to restart: anchors are (running microseconds, UTC microseconds).

    ``begun`` and ``ended``: its first and last record in this file. [running microseconds]
    ``anchored_by``: the later file whose anchor serves it, if it has none of its own.
    """

    first_line: int
    anchors: list[tuple[int, int]] = field(default_factory=list)
    restarted: bool = False
    shift: int | None = None
    last_elapsed: int | None = None
    next_anchor: int = 0
    told: bool = False
    begun: int = 0
    ended: int = 0
    anchored_by: str = ""


@dataclass
class _Counter:
    """Where one controller's counter stands."""

    first: int | None = None
    first_boot: str | None = None
    last: int | None = None
    wrapped: int = 0
    boot: str | None = None
    runs: int = 0
    closed: bool = False


class BootClock:
    """Turns counts since the controller's start into UTC."""

    two_passes = True
    local_seen = False

    def __init__(
        self, venue: Venue, log: LogFormat, file: str, *,
        start: datetime | None = None, first: datetime | None = None,
        fallback: datetime | None = None, controller: str | None = None,
    ) -> None:
        self.venue, self.log, self.file = venue, log, file
        self.unit_us = _UNIT_US[log.time_format]
        self.range = log.wraps_at
        self.zone = ZoneInfo(log.time_zone) if log.time_zone else venue.zone
        self.start, self.first, self.fallback = start or self._stated(), first, fallback
        self._counters: dict[str, _Counter] = {}
        self._runs: dict[tuple[str, int], _Run] = {}
        self._events: list[tuple[object, ...]] = []
        self._wraps: list[tuple[str, int, int, int]] = []
        self._surveyed = False
        self._only = controller or log.controller
        self._name = ""

    def _stated(self) -> datetime | None:
        if not self.log.started:
            return None
        stated = datetime.fromisoformat(self.log.started)
        return stated if stated.tzinfo else stated.replace(tzinfo=self.zone)

    # Passes.

    def survey(self, records: pl.DataFrame) -> None:
        """Find runs, wraps and anchors."""
        for name, rows, lines, elapsed, runs in self._advance(records):
            walls = self._walls(records, rows)
            for at in range(len(rows)):
                run = self._run(name, int(runs[at]), int(lines[at]), int(elapsed[at]))
                run.ended = int(elapsed[at])
                if walls is not None and walls[at] is not None:
                    run.anchors.append((int(elapsed[at]), int(walls[at] or 0)))

    def _run(self, name: str, number: int, line: int, begun: int) -> _Run:
        return self._runs.setdefault(
            (name, number), _Run(line, restarted=number > 0, begun=begun))

    # Runs that another file goes on with.

    def waiting(self) -> frozenset[str]:
        """After the survey: controllers whose last run has no anchor and may go on elsewhere."""
        return frozenset(
            name for name, counter in self._counters.items()
            if not counter.closed and self._first_anchor(name, counter.runs) is None)

    def may_be_of(self, names: frozenset[str]) -> bool:
        """Whether this file can hold records of these controllers at all."""
        return not self._only or self._only in names

    def tells(self, name: str) -> bool:
        """Whether the survey has found this controller's first anchor, or the end of its run."""
        counter = self._counters.get(name)
        return counter is not None and (
            counter.runs > 0 or self._first_anchor(name, 0) is not None)

    def go_on_in(self, later: BootClock) -> None:
        """Take over anchors from the beginning of the file that comes after this one.

        A run goes on where its counter does. It is not believed where it would begin before
        the run that came ahead of it has ended.
        """
        for name in self.waiting() & set(later._counters):
            mine, other = self._counters[name], later._counters[name]
            wraps = self._wraps_between(mine, other)
            anchor = later._first_anchor(name, 0)
            if wraps is None or (anchor is None and other.runs):
                mine.closed = True  # the controller restarted in between
            elif anchor is None:
                mine.last, mine.boot = other.last, other.boot
                mine.wrapped = wraps + other.wrapped
            else:
                self._carry(name, mine, later.file, anchor[1], anchor[0] + round(
                    wraps * self.range * self.unit_us))

    def _wraps_between(self, mine: _Counter, other: _Counter) -> int | None:
        """Wraps of the run up to the first record of the other file; None: another run."""
        if mine.last is None or other.first is None or (
            mine.boot is not None and other.first_boot is not None
            and mine.boot != other.first_boot
        ):
            return None
        if other.first >= mine.last:
            return mine.wrapped
        return mine.wrapped + 1 if self._has_wrapped(mine.last, other.first) else None

    def _carry(self, name: str, mine: _Counter, file: str, utc: int, elapsed: int) -> None:
        run, before = self._runs[(name, mine.runs)], self._runs.get((name, mine.runs - 1))
        if before is not None:
            known = self._first_anchor(name, mine.runs - 1)
            ended = before.ended + known[1] - known[0] if known else None
            if ended is not None and run.begun + utc - elapsed < ended - QUIET_S * 1e6:
                mine.closed = True
                return
        run.anchors.append((elapsed, utc))
        run.anchored_by = file

    def _first_anchor(self, name: str, number: int) -> tuple[int, int] | None:
        """What was stated comes first even where true time follows: a file that grows must not
        find another first anchor than before.
        """
        run = self._runs.get((name, number))
        if run is None:
            return None
        if number == 0 and self.start:
            return 0, _micros(self.start)
        if number == 0 and self.first:
            return run.begun, _micros(self.first)
        return run.anchors[0] if run.anchors else None

    def convert(
        self, records: pl.DataFrame, following: pl.DataFrame | None = None
    ) -> pl.DataFrame:
        """Add ``utc``, ``run`` and ``fault``; lines that only anchor are dropped."""
        if not self._surveyed:
            self._end_survey()
        utc = np.zeros(records.height, np.int64)
        runs_of = np.zeros(records.height, np.int64)
        known = np.zeros(records.height, np.bool_)
        for name, rows, lines, elapsed, runs in self._advance(records):
            for number in np.unique(runs):
                part = runs == number
                run = self._runs[(name, int(number))]
                times = self._times(name, int(number), run, elapsed[part], lines[part])
                if times is not None:
                    utc[rows[part]] = times
                    known[rows[part]] = True
                    origin = run.anchors[0][1] - run.anchors[0][0]
                    runs_of[rows[part]] = origin // 1_000_000
        missing = pl.col("time").is_null()
        frame = records.with_columns(
            utc=pl.Series(utc).cast(pl.Datetime("us", "UTC")), run=pl.Series(runs_of),
            known=pl.Series(known), number=_ticks(records["time"]),
        ).with_columns(
            utc=pl.when("known").then("utc"),
            fault=pl.when(missing).then(pl.lit(NO_TIME))
            .when(pl.col("number").is_null()).then(pl.lit(UNREADABLE))
            .when(~pl.col("known")).then(pl.lit(UNANCHORED)).otherwise(None))
        if "wall" in frame.columns:
            lone = pl.col("wall").is_not_null() & pl.col("channel").is_null() & pl.col(
                "value").is_null()
            frame = frame.filter(~lone)
        return frame

    # The counter.

    def _advance(
        self, records: pl.DataFrame
    ) -> list[tuple[str, NDArray[np.int64], NDArray[np.int64], NDArray[np.int64],
                    NDArray[np.int64]]]:
        """Per controller: rows, lines, microseconds since the run's zero, numbers of the runs."""
        frame = records.select(
            "line", ticks=_ticks(records["time"]),
            controller=pl.lit(self._only, pl.String) if self._only else pl.when(
                pl.col("channel").str.contains("/", literal=True)
            ).then(pl.col("channel").str.split_exact("/", 1).struct.field("field_0")),
            boot=pl.col("boot").cast(pl.String) if "boot" in records.columns
            else pl.lit(None, pl.String),
        ).with_row_index("row")
        # A line that names no controller (an anchor, say) is of the one that wrote last.
        names = frame["controller"].forward_fill()
        if names.null_count():
            names = names.fill_null(self._name or next(iter(names.drop_nulls()), ""))
        self._name = names[-1] if len(names) else self._name
        frame = frame.with_columns(controller=names).filter(pl.col("ticks").is_not_null())
        found = []
        for keys, part in frame.partition_by(
            "controller", as_dict=True, maintain_order=True
        ).items():
            name = str(keys[0])
            elapsed, runs = self._unwrap(
                name, part["ticks"].to_list(), part["boot"].to_list(), part["line"].to_list())
            found.append((name, part["row"].cast(pl.Int64).to_numpy(), part["line"].to_numpy(),
                          elapsed, runs))
        return found

    def _unwrap(
        self, name: str, ticks: list[int], boots: list[str | None], lines: list[int]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        state = self._counters.setdefault(name, _Counter())
        elapsed = np.empty(len(ticks), np.int64)
        runs = np.empty(len(ticks), np.int64)
        jitter = JITTER_S * 1e6 / self.unit_us
        for at, (tick, boot) in enumerate(zip(ticks, boots, strict=True)):
            restarted = boot is not None and state.boot is not None and boot != state.boot
            wrapped = False
            last = state.last
            if last is not None and tick < last and not restarted:
                wrapped = self._has_wrapped(last, tick)
                near_zero = tick < 5 * jitter
                restarted = not wrapped and (last - tick > jitter or near_zero)
            state.boot = boot if boot is not None else state.boot
            if state.first is None:
                state.first, state.first_boot = tick, boot
            if restarted:
                state.runs, state.wrapped = state.runs + 1, 0
            elif wrapped:
                state.wrapped += 1
                since_start = round((tick + state.wrapped * self.range) * self.unit_us)
                self._wraps.append((name, state.runs, since_start, lines[at]))
            if last is None or tick > last or restarted or wrapped:
                state.last = tick
            elapsed[at] = round((tick + state.wrapped * self.range) * self.unit_us)
            runs[at] = state.runs
        return elapsed, runs

    def _has_wrapped(self, last: int, tick: int) -> bool:
        if last >= self.range:
            return False
        if self.range * self.unit_us < SHORT_RANGE_S * 1e6:
            return last - tick > JITTER_S * 1e6 / self.unit_us
        return last > WRAP_SHARE * self.range and tick < (1 - WRAP_SHARE) * self.range

    def _walls(
        self, records: pl.DataFrame, rows: NDArray[np.int64]
    ) -> list[int | None] | None:
        if "wall" not in records.columns:
            return None
        walls = records["wall"].gather(rows)
        if walls.null_count() == len(walls):
            return None
        parsed = parse_times(walls, self.log.wall_format)
        local = pl.col("time").dt.replace_time_zone(
            self.zone.key, ambiguous="earliest", non_existent="null").dt.convert_time_zone("UTC")
        utc = parsed.select(pl.when("zoned").then(
            pl.col("time").dt.replace_time_zone("UTC")).otherwise(local).alias("utc"))
        # A clock that was not set yet is no anchor.
        good = utc.select(pl.when(pl.col("utc").is_between(EARLIEST, LATEST)).then("utc"))
        ticks: list[int | None] = good.to_series().to_physical().to_list()
        return ticks

    # Anchors.

    def _end_survey(self) -> None:
        self._surveyed = True
        for (name, number), run in self._runs.items():
            first = self._first_anchor(name, number)
            if first is not None and run.anchors[:1] != [first]:
                run.anchors.insert(0, first)
        self._counters.clear()
        self._name = ""
        self._wraps.clear()

    def _times(
        self, name: str, number: int, run: _Run, elapsed: NDArray[np.int64],
        lines: NDArray[np.int64],
    ) -> NDArray[np.int64] | None:
        if not run.anchors:
            if not run.told:
                run.told = True
                self._events.append((name, self._last_known(name, number), "unanchored", None,
                                     False, self.file, run.first_line,
                                     "set aside: no line of this run tells the true time"))
            return None
        if run.shift is None:
            run.shift = run.anchors[0][1] - run.anchors[0][0]
        if not run.told:
            run.told = True
            if run.restarted:
                seen = _utc(int(elapsed[0]) + run.shift)
                self._events.append((name, seen, "restart", None, True, self.file, run.first_line,
                                     f"anchored by {run.anchored_by}, where this run goes on"
                                     if run.anchored_by
                                     else "times go on from the new run's own anchor"))
        shifts = np.empty(len(elapsed), np.int64)
        begun = 0
        before = np.empty(len(elapsed), np.int64)
        before[0] = run.last_elapsed if run.last_elapsed is not None else elapsed[0]
        before[1:] = elapsed[:-1]
        for quiet in np.flatnonzero(elapsed - before > QUIET_S * 1e6).tolist():
            shifts[begun:quiet] = run.shift
            begun = quiet
            self._set_anew(name, run, int(before[quiet]), int(lines[quiet]))
        shifts[begun:] = run.shift
        run.last_elapsed = int(elapsed[-1])
        return elapsed + shifts

    def _set_anew(self, name: str, run: _Run, until: int, line: int) -> None:
        """After a quiet stretch: follow the latest anchor before it, if it has drifted off."""
        latest = None
        while (run.next_anchor < len(run.anchors)
               and run.anchors[run.next_anchor][0] <= until):
            latest = run.anchors[run.next_anchor]
            run.next_anchor += 1
        if latest is None or run.shift is None:
            return
        drift = latest[1] - latest[0] - run.shift
        if abs(drift) > DRIFT_S * 1e6:
            run.shift += drift
            if abs(drift) > QUIET_S * 1e6:
                self._events.append((name, _utc(latest[1]), "step", drift / 1e6, True, self.file,
                                     line, "set to the true time that the log tells, "
                                     "after a quiet minute"))

    def _last_known(self, name: str, number: int) -> datetime | None:
        for earlier in range(number - 1, -1, -1):
            run = self._runs.get((name, earlier))
            if run and run.shift is not None and run.last_elapsed is not None:
                return _utc(run.last_elapsed + run.shift)
        return self.start or self.first or self.fallback

    def last_times_seen(self) -> dict[str, int]:
        """Not kept: such a log is always read from its beginning."""
        return {}

    def steps_found(self) -> list[list[Any]]:
        """Not kept, either."""
        return []

    def clock_events(self) -> pl.DataFrame:
        """What was found of the clocks (CLOCK_EVENTS)."""
        events = list(self._events)
        for name, number, elapsed, line in self._wraps:
            run = self._runs[(name, number)]
            anchored = run.shift is not None
            at = _utc(elapsed + (run.shift or 0)) if anchored else self.fallback
            events.append((name, at, "wrap", self.range * self.unit_us / 1e6, anchored, self.file,
                           line, "counted on beyond the end of its range" if anchored else ""))
        return pl.DataFrame(events, schema=CLOCK_EVENTS.schema, orient="row")


def _ticks(times: pl.Series) -> pl.Series:
    """Counter readings as whole numbers; null where they are none."""
    whole = times.cast(pl.Int64, strict=False) if not times.dtype.is_float() else None
    if whole is None or whole.null_count() != times.null_count():
        figures = times.cast(pl.Float64, strict=False)
        whole = pl.select(pl.when(figures.is_finite() & figures.is_between(0, 9e15)).then(
            figures)).to_series().cast(pl.Int64, strict=False)
    return pl.select(pl.when(whole.is_between(0, int(9e15))).then(whole)).to_series().alias(
        "ticks")


def _micros(moment: datetime) -> int:
    return (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)


def _utc(ticks: int) -> datetime | None:
    try:
        return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=ticks)
    except OverflowError:
        return None
