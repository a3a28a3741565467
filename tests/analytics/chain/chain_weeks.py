"""Weeks of made-up venues, number by number."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from remanence.analytics.chain import (
    ChainFinding,
    ChainLock,
    ChainPart,
    Member,
    Unit,
    VenueWeek,
)

TODAY = date(2026, 11, 22)


def lock(
    name: str, *units: Unit, latency_ms: float | None = 60.0, due: float = 0.0,
    drift: tuple[float, ...] = (), pace: float = 40.0, conditions: Sequence[str] = (),
    kind: str = "catch",
) -> ChainLock:
    return ChainLock(name, "Hall", "latch", f"latch, power-on, 12 V, {kind}", latency_ms, 40, pace,
                     due, None, drift, units or (Unit(None, 2000.0, 0.0, False, True),),
                     tuple(conditions))


def part(in_stock: int = 0, rated: float | None = 100_000.0, order_now: int = 0) -> ChainPart:
    return ChainPart("latch", "Spring latch", 20.0, 21.0, in_stock, rated, order_now)


def finding(urgency: str, subject: str = "drawer") -> ChainFinding:
    return ChainFinding(subject, "lock", "Hall", "sticking-catch", urgency, 0.97, TODAY, "latch")


def member(
    name: str, *locks: ChainLock, parts: Sequence[ChainPart] = (), technician: str | None = None,
    labels: Sequence[str] = (), findings: Sequence[ChainFinding] = (),
) -> Member:
    week = VenueWeek(name, name.title(), "2026-W47", TODAY, TODAY, "EUR", tuple(findings),
                     {"good": len(locks)}, tuple(locks), tuple(parts or (part(),)))
    return Member(name, tuple(labels), technician, week)
