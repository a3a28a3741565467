"""A venue of two locks and three weeks, small enough to be done a hundred times over."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.conftest import HARBOUR

FIRST = datetime(2026, 11, 2, tzinfo=UTC)


def _line(at: datetime, channel: str, quantity: str, value: float) -> str:
    return f"{at.strftime('%Y-%m-%dT%H:%M:%S.%f')[:-3]}Z,{channel},{quantity},{value:g}\n"


def make(folder: Path, days: int = 21, seed: int = 1) -> Path:
    """Write the venue file, a log a day and a service log; returns the venue file."""
    rng = random.Random(seed)
    (folder / "logs").mkdir(parents=True)
    for number in range(days):
        day = FIRST + timedelta(days=number)
        rows = []
        for minute in range(0, 600, 10):
            rows.append((day + timedelta(hours=9, minutes=minute), "rail-a", "volts",
                         12 + rng.random() / 5))
        for game in range(8):
            at = day + timedelta(hours=9 + game, minutes=rng.randrange(50))
            for after, channel, quantity, value in (
                (0, "north/q1", "command", 1), (60 + rng.random() * 10, "north/i1", "contact", 0),
                (60.0, "rail-a", "volts", 11.5), (400, "north/q1", "command", 0),
                (9000, "north/i1", "contact", 1),
            ):
                rows.append((at + timedelta(milliseconds=after), channel, quantity, value))
        text = "time,channel,quantity,value\n" + "".join(_line(*row) for row in sorted(rows))
        (folder / "logs" / f"{day:%Y-%m-%d}.csv").write_text(text + "rubbish\n")
    (folder / "service.csv").write_text(
        "date,lock,action,part,note\n2026-11-04,chart-drawer,inspected,,ok\n")
    path = folder / "venue.toml"
    path.write_text(HARBOUR)
    return path
