"""What a controller called time, turned into UTC.

A clock takes the raw records of a file, chunk after chunk, in the file's order,
and adds ``utc``, ``run`` and, where a time cannot be had, ``fault``: the reason.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime

import polars as pl

from pipelines.clock_iso import parse_iso
from pipelines.clock_local import LocalTimes
from shared.log_format import LogFormat
from shared.tables import CLOCK_EVENTS
from shared.venue import Venue

EARLIEST = datetime(2000, 1, 1, tzinfo=UTC)
LATEST = datetime(2100, 1, 1, tzinfo=UTC)
"""Times outside are those of a clock that was not set."""

NO_TIME = "time is missing"


@dataclass
class WallClock:
    """Times that say the date: ISO 8601 with offset, or in the venue's local time."""

    venue: Venue
    log: LogFormat
    file: str
    local_seen: bool = False
    events: list[pl.DataFrame] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.local = LocalTimes(self.venue.zone)

    def convert(self, records: pl.DataFrame) -> pl.DataFrame:
        """Add ``utc`` (Datetime us UTC), ``run`` and ``fault`` (null where all is well)."""
        parsed = parse_iso(records["time"])
        frame = records.with_columns(
            parsed["time"].alias("utc"), run=pl.lit(0, pl.Int64), zoned=parsed["zoned"],
            readable=parsed["time"].is_not_null(),
        )
        fault = pl.when(pl.col("time").is_null()).then(pl.lit(NO_TIME)).when(
            ~pl.col("readable")).then(pl.lit("time cannot be read"))
        if not frame["zoned"].all() and (~frame["zoned"] & frame["utc"].is_not_null()).any():
            self.local_seen = True
            frame = self.local.to_utc(frame)
            fault = fault.when(pl.col("no_such_hour")).then(pl.lit(
                "this local time does not exist: the clocks went forward over it"))
        else:
            frame = frame.with_columns(pl.col("utc").dt.replace_time_zone("UTC"))
        fault = fault.when(~pl.col("utc").is_between(EARLIEST, LATEST)).then(
            pl.lit("time is not between 2000 and 2100: the controller's clock was not set"))
        return frame.with_columns(fault=fault.otherwise(None))

    def clock_events(self) -> pl.DataFrame:
        """What was found of the clocks so far (CLOCK_EVENTS)."""
        return pl.concat(self.events) if self.events else CLOCK_EVENTS.empty()
