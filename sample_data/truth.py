"""What was put into a generated venue: the faults, and which of them were mended."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path


@dataclass(frozen=True)
class Fault:
    """One condition put into the venue, from its first to its last day.

    ``until`` is null while it stands; otherwise the day it was mended. ``kind``
    is ``step`` or ``slow``; ``size`` says in words how bad it got.
    """

    subject: str
    subject_kind: str
    condition: str
    since: date
    until: date | None
    kind: str
    size: str


@dataclass(frozen=True)
class Truth:
    """All of them, with the span of the log and the seed that made it."""

    venue: str
    seed: int
    start: date
    end: date
    faults: tuple[Fault, ...]
    records: int

    def standing(self, day: date) -> tuple[Fault, ...]:
        """The faults that were there on ``day``."""
        return tuple(
            fault for fault in self.faults
            if fault.since <= day and (fault.until is None or day < fault.until)
        )

    def write(self, path: Path) -> None:
        """Write it as JSON, dates as ISO 8601."""
        text = json.dumps(asdict(self), indent=1, default=str)
        path.write_text(text + "\n", encoding="utf-8")
