"""What a controller called time, as UTC: wall clocks, counters since a start, jumps of either."""

from __future__ import annotations

from typing import TYPE_CHECKING

from remanence.shared.on_demand import on_demand

if TYPE_CHECKING:
    from remanence.pipelines.clocks.boot_clock import BootClock
    from remanence.pipelines.clocks.iso import parse_times
    from remanence.pipelines.clocks.now import latest_possible, stated_now
    from remanence.pipelines.clocks.wall_clock import (
        EARLIEST,
        LATEST,
        Clock,
        WallClock,
        controller_column,
    )

__all__ = [
    "BootClock", "Clock", "EARLIEST", "LATEST", "WallClock", "controller_column", "latest_possible",
    "parse_times", "stated_now",
]

__getattr__ = on_demand(__name__, {
    "boot_clock": ("BootClock",),
    "iso": ("parse_times",),
    "now": ("latest_possible", "stated_now"),
    "wall_clock": ("Clock", "EARLIEST", "LATEST", "WallClock", "controller_column"),
})
