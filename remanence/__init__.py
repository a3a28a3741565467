"""Remanence reads the logs of electromagnetic locks in walk-through puzzle rooms.

The short way in from Python, with a venue whose logs have been taken in::

    import remanence

    house = remanence.open_venue("demo")
    house.table("findings")

What it offers is imported when it is asked for, so that ``import remanence`` costs nothing.
Remanence advises; it is no safety device.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from remanence.pipelines.toolkit import OpenVenue, open_venue

__all__ = ["OpenVenue", "open_venue"]


def __getattr__(name: str) -> Any:
    if name in __all__:
        from remanence.pipelines import toolkit

        return getattr(toolkit, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
