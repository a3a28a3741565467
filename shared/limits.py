"""What a person might want to tune: each limit once, with default, unit, reason and source.

A venue file overrides any of them in its ``[limits]`` block. Add a limit here,
nowhere else; the documentation and the check of the venue file follow from it.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any


def _limit(
    default: float, unit: str, reason: str, source: str = "common practice, no source",
    *, low: float = 0.0, high: float = float("inf"),
) -> Any:
    return field(
        default=default,
        metadata={"unit": unit, "reason": reason, "source": source, "low": low, "high": high},
    )


@dataclass(frozen=True)
class Limits:
    """Every tunable figure of the program; see each field's metadata."""

    # Pairing: which edge answers which command.
    coast_ms: float = _limit(
        1000.0, "ms",
        "how long after the end of a releasing pulse an edge of a catch or armature contact "
        "still counts as its answer: the coil current runs down, a player lets go of the drawer",
        low=0.0, high=60_000.0,
    )
    door_wait_ms: float = _limit(
        60_000.0, "ms",
        "the same for a contact on the door, where a person's push or pull comes in between",
        low=0.0, high=3_600_000.0,
    )
    settle_ms: float = _limit(
        50.0, "ms",
        "contact edges closer together than this are one movement with bounce",
        "Ganssle, A Guide to Debouncing (2004): worst of 16 switches 6.2 ms; slow levers 20 ms "
        "(common practice); doubled for polled inputs",
        low=0.0, high=1000.0,
    )
    retry_within_s: float = _limit(
        600.0, "s",
        "a command this soon after an unanswered one of the same lock is a retry of it",
        low=0.0, high=86_400.0,
    )
    # The supply's window.
    supply_low_percent: float = _limit(
        90.0, "% of rated volts",
        "idle volts below this are under the window that electromagnetic devices are rated for",
        "DIN VDE 0580: +6 / -10 % of nominal, as quoted in public solenoid notes",
        low=1.0, high=100.0,
    )
    supply_high_percent: float = _limit(
        110.0, "% of rated volts",
        "volts above this overheat a coil that is held on",
        "UL 294, 6th ed. (2013), 36.1: 85 to 110 % of rated",
        low=100.0, high=200.0,
    )
    supply_loaded_percent: float = _limit(
        85.0, "% of rated volts",
        "loaded volts below this are under what locks are tested to work at",
        "UL 294, 6th ed. (2013), 36.1: 85 to 110 % of rated",
        low=1.0, high=100.0,
    )


def limit_fields() -> dict[str, dict[str, Any]]:
    """Every limit by name: default, unit, reason, source, low, high."""
    return {item.name: {"default": item.default, **item.metadata} for item in fields(Limits)}
