"""Local times without an offset: the doubled hour told apart by the order of the lines."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import polars as pl

STEP_BACK = 10 * 60 * 1_000_000
"""Microseconds that local time must go back, within the doubled hour, to mean that the clocks
were put back: lines out of order go back by seconds."""


class LocalTimes:
    """Turns one file's local times into UTC, in the file's order, chunk after chunk."""

    def __init__(self, zone: ZoneInfo) -> None:
        self.zone = zone.key
        self._highest: dict[str, int] = {}
        self._second_pass: dict[str, bool] = {}

    def to_utc(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Bring ``utc`` to UTC where ``zoned`` is false; adds ``no_such_hour``."""
        local = pl.col("utc").dt
        frame = frame.with_columns(
            _early=local.replace_time_zone(self.zone, ambiguous="earliest", non_existent="null"),
            _late=local.replace_time_zone(self.zone, ambiguous="latest", non_existent="null"),
            _as_utc=local.replace_time_zone("UTC"),
        )
        doubled = ~frame["zoned"] & (frame["_early"] != frame["_late"]).fill_null(False)
        late = self._late_rows(frame, doubled) if doubled.any() else pl.repeat(
            False, frame.height, eager=True)
        chosen = pl.when(pl.col("zoned")).then("_as_utc").otherwise(
            pl.when(late).then("_late").otherwise("_early").dt.convert_time_zone("UTC"))
        return frame.with_columns(
            no_such_hour=pl.col("utc").is_not_null() & pl.col("_early").is_null()
            & ~pl.col("zoned"),
            utc=chosen,
        ).drop("_early", "_late", "_as_utc")

    def _late_rows(self, frame: pl.DataFrame, doubled: pl.Series) -> pl.Series:
        channels = frame["channel"].cast(pl.String).fill_null("")
        controllers = channels.str.split("/").list.first().to_list()
        ticks = frame["utc"].to_physical().to_list()
        zoned = frame["zoned"].to_list()
        late = [False] * frame.height
        for row, (tick, controller, twice) in enumerate(
            zip(ticks, controllers, doubled.to_list(), strict=True)
        ):
            if tick is None or zoned[row]:
                continue
            if not twice:
                self._second_pass.pop(controller, None)
                self._highest[controller] = tick
                continue
            highest = self._highest.get(controller, tick)
            if tick < highest - STEP_BACK:
                self._second_pass[controller] = True
            if not self._second_pass.get(controller):
                self._highest[controller] = max(highest, tick)
            late[row] = self._second_pass.get(controller, False)
        return pl.Series(late, dtype=pl.Boolean)
