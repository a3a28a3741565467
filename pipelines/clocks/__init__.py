"""What a controller called time, as UTC: wall clocks, counters since a start, jumps of either.

What it offers is imported when it is asked for.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from remanence.pipelines.clocks.boot_clock import BootClock
    from remanence.pipelines.clocks.iso import parse_times
    from remanence.pipelines.clocks.wall_clock import Clock, WallClock

__all__ = ["BootClock", "Clock", "WallClock", "parse_times"]

_HOME = {"BootClock": "boot_clock", "Clock": "wall_clock", "WallClock": "wall_clock",
         "parse_times": "iso"}


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
