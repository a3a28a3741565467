"""What a controller called time, turned into UTC: clocks that say the date.

A clock takes the raw records of a file, chunk after chunk, in the file's order,
and adds ``utc``, ``run`` and, where a time cannot be had, ``fault``: the reason.
Clocks that count since the controller's start are in :mod:`remanence.pipelines.clocks.boot_clock`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Protocol
from zoneinfo import ZoneInfo

import polars as pl

from remanence.pipelines.clocks.iso import parse_times
from remanence.pipelines.clocks.local_time import LocalTimes
from remanence.pipelines.clocks.steps import StepWatch
from remanence.shared.column_numbers import repeated, ticks_of
from remanence.shared.log_format import LogFormat
from remanence.shared.tables import CLOCK_EVENTS
from remanence.shared.venue import Venue

EARLIEST = datetime(2000, 1, 1, tzinfo=UTC)
LATEST = datetime(2100, 1, 1, tzinfo=UTC)
"""Times outside are those of a clock that was not set."""

NO_TIME = "time is missing"
UNREADABLE = "time cannot be read"
NO_SUCH_HOUR = "this local time does not exist: the clocks went forward over it"
NOT_SET = "time is not between 2000 and 2100: the controller's clock was not set"

_EPOCH_FACTOR = {"epoch-s": 1e6, "epoch-ms": 1e3, "epoch-us": 1.0, "epoch-ns": 1e-3}


class Clock(Protocol):
    """Turns one file's times into UTC."""

    two_passes: bool
    """Whether the whole file must be surveyed before its times can be told."""
    local_seen: bool
    """Whether times without an offset were met."""

    def survey(self, records: pl.DataFrame) -> None:
        """Look at a chunk on the first of two passes."""
        ...

    def convert(
        self, records: pl.DataFrame, following: pl.DataFrame | None = None
    ) -> pl.DataFrame:
        """Add ``utc``, ``run`` and ``fault``; the chunk that follows may be looked at."""
        ...

    def clock_events(self) -> pl.DataFrame:
        """What was found of the clocks (CLOCK_EVENTS)."""
        ...

    def last_times_seen(self) -> dict[str, int]:
        """Each controller's latest time, for a log that goes on; empty if not kept."""
        ...

    def steps_found(self) -> list[list[Any]]:
        """The steps found, for the next reading of the same log; empty if not kept."""
        ...


def controller_column() -> pl.Expr:
    """The controller of each record, from its channel."""
    text = pl.col("channel").cast(pl.String).fill_null("")
    return text.str.split_exact("/", 1).struct.field("field_0")


@dataclass
class WallClock:
    """Times that say the date: ISO 8601, a form, or an epoch; without offset, local time."""

    venue: Venue
    log: LogFormat
    file: str
    last_times: Mapping[str, int] | None = None
    known_steps: Sequence[Sequence[Any]] = ()
    settled: int = 0
    local_seen: bool = False
    two_passes: bool = False
    events: list[tuple[object, ...]] = field(default_factory=list)

    def __post_init__(self) -> None:
        zone = ZoneInfo(self.log.time_zone) if self.log.time_zone else self.venue.zone
        self.local = LocalTimes(zone)
        self.steps = StepWatch(self.file, self.last_times, self.known_steps, self.settled)
        self._ahead: tuple[pl.DataFrame, pl.DataFrame] | None = None
        self._boots: dict[str, dict[str, int]] = {}

    def survey(self, records: pl.DataFrame) -> None:
        """Nothing needs to be known beforehand."""

    def convert(
        self, records: pl.DataFrame, following: pl.DataFrame | None = None
    ) -> pl.DataFrame:
        """Add ``utc`` (Datetime us UTC), ``run`` and ``fault`` (null where all is well)."""
        frame = self._ahead[1] if self._ahead and self._ahead[0] is records else self._read(records)
        self._ahead = None
        if following is not None:
            self._ahead = (following, self._read(following))
        frame = self.steps.mend(frame, self._ahead[1] if self._ahead else None)
        return self._judged(frame)

    def _read(self, records: pl.DataFrame) -> pl.DataFrame:
        """Add ``utc`` as stamped, the time of receipt, if any, and ``forward`` to local times."""
        form = self.log.time_format
        if form in _EPOCH_FACTOR and not isinstance(records.schema["time"], pl.Datetime):
            frame = records.with_columns(utc=_from_epoch(records["time"], form))
        else:
            parsed = parse_times(records["time"], form)
            time, zoned = parsed["time"], parsed["zoned"]
            if not zoned.all() and (~zoned & time.is_not_null()).any():
                self.local_seen = True
                frame = self.local.to_utc(records.with_columns(time.alias("utc"), zoned)).rename(
                    {"no_such_hour": "forward"})
            else:
                frame = records.hstack([
                    time.cast(pl.Int64).cast(pl.Datetime("us", "UTC")).alias("utc")])
        if "wall" not in frame.columns:
            return frame
        # A time of receipt beside the controller's own: it tells when that has stepped.
        return frame.with_columns(receipt=self._receipts(frame["wall"]))

    def _receipts(self, walls: pl.Series) -> pl.Series:
        parsed = parse_times(walls.cast(pl.String), self.log.wall_format)
        local = pl.col("time").dt.replace_time_zone(
            self.local.zone, ambiguous="earliest", non_existent="null").dt.convert_time_zone("UTC")
        return parsed.select(pl.when("zoned").then(
            pl.col("time").dt.replace_time_zone("UTC")).otherwise(local)).to_series()

    def _judged(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Add ``run`` and ``fault``."""
        utc = frame["utc"]
        if not utc.null_count() and _all_between(utc, EARLIEST, LATEST):
            return frame.hstack([repeated("fault", None, pl.String(), frame.height),
                                 self._runs(frame)])
        forward = pl.col("forward") if "forward" in frame.columns else pl.lit(False)
        frame = frame.with_columns(fault=pl.when(pl.col("time").is_null()).then(pl.lit(NO_TIME))
            .when(forward).then(pl.lit(NO_SUCH_HOUR))
            .when(pl.col("utc").is_null()).then(pl.lit(UNREADABLE))
            .when(~pl.col("utc").is_between(EARLIEST, LATEST)).then(pl.lit(NOT_SET))
            .otherwise(None))
        for line, controller, time in frame.filter(forward).select(
            "line", controller_column(), "time"
        ).head(1).iter_rows():
            self._missing_hour(line, controller, time)
        return frame.with_columns(self._runs(frame))

    def _missing_hour(self, line: int, controller: str, time: str) -> None:
        seen = parse_times(pl.Series([time]), self.log.time_format)["time"]
        around = seen.dt.replace_time_zone("UTC")[0]
        self.events.append((controller, around, "missing-hour", None, False, self.file, line,
                            "set aside: this hour was left out when the clocks went forward"))

    def _runs(self, frame: pl.DataFrame) -> pl.Series:
        """``run``: the number of the controller's start, where the log tells it; else 0."""
        if "boot" not in frame.columns:
            return repeated("run", 0, pl.Int64(), frame.height)
        boots = frame["boot"].cast(pl.String)
        numbers = boots.cast(pl.Int64, strict=False)
        if numbers.null_count() == boots.null_count():
            return numbers.fill_null(0).alias("run")
        runs = []
        controllers = frame.select(controller_column()).to_series().to_list()
        for controller, boot in zip(controllers, boots.to_list(), strict=True):
            seen = self._boots.setdefault(controller, {})
            runs.append(seen.setdefault(boot, len(seen)) if boot else max(len(seen) - 1, 0))
        return pl.Series("run", runs, dtype=pl.Int64)

    def last_times_seen(self) -> dict[str, int]:
        """Each controller's latest time (UTC microseconds)."""
        return self.steps.last_times

    def steps_found(self) -> list[list[Any]]:
        """The steps found so far, for the next reading of the same log."""
        return self.steps.kept()

    def clock_events(self) -> pl.DataFrame:
        """What was found of the clocks so far (CLOCK_EVENTS)."""
        own = pl.DataFrame(self.events, schema=CLOCK_EVENTS.schema, orient="row")
        return pl.concat([own, self.steps.events()]) if self.steps.kept() else own


def _all_between(times: pl.Series, first: datetime, last: datetime) -> bool:
    """Whether all of some times (UTC, no nulls) lie in a span; they may be beyond Python's."""
    ticks = ticks_of(times)
    low, high = (int(moment.timestamp()) * 1_000_000 for moment in (first, last))
    return bool(ticks.size == 0 or (ticks.min() >= low and ticks.max() <= high))


def _from_epoch(times: pl.Series, form: str) -> pl.Series:
    factor = _EPOCH_FACTOR[form]
    whole = times.cast(pl.Int64, strict=False) if not times.dtype.is_float() else None
    if whole is not None and whole.null_count() == times.null_count():
        if factor >= 1:
            limit = int(9e18 / factor)
            ticks = pl.select(pl.when(whole.abs() < limit).then(whole * int(factor))).to_series()
        else:
            ticks = whole // 1000
    else:
        figures = times.cast(pl.Float64, strict=False) * factor
        ticks = pl.select(
            pl.when(figures.is_finite() & (figures.abs() < 9e18)).then(figures.round())
        ).to_series().cast(pl.Int64, strict=False)
    return ticks.cast(pl.Datetime("us", "UTC"))
