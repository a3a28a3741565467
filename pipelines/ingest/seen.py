"""What a log was found to hold: its span, its channels, and names that the venue does not know."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl

from remanence.pipelines.store.days import by_name
from remanence.shared.column_numbers import ticks_of

MOST_STRANGERS = 300
"""So many unknown channels of a file are kept in mind; a file with more is the wrong file."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass
class Seen:
    """One file's. ``first`` and ``last`` in UTC microseconds; counts are of records."""

    first: int | None = None
    last: int | None = None
    channels: set[str] = field(default_factory=set)
    strangers: Counter[str] = field(default_factory=Counter)

    @classmethod
    def of(cls, state: Mapping[str, Any]) -> Seen | None:
        """Out of the state that the store keeps of a file; None where it was not kept yet."""
        kept = state.get("seen")
        if kept is None:
            return None
        return cls(kept["first"], kept["last"], set(kept["channels"]), Counter(kept["strangers"]))

    @classmethod
    def of_text(cls, state: str) -> Seen:
        """The same from its text (FILES.state); empty where it was not kept."""
        return cls.of(json.loads(state)) or cls()

    def kept(self) -> dict[str, Any]:
        """What :meth:`of` reads."""
        strangers = dict(self.strangers.most_common(MOST_STRANGERS))
        return {"first": self.first, "last": self.last, "channels": sorted(self.channels),
                "strangers": strangers}

    def take(self, signals: pl.DataFrame) -> None:
        """The records (SIGNALS, its names coded) that were taken of a stretch."""
        if signals.is_empty():
            return
        ticks = ticks_of(signals["time"])
        first, last = int(ticks.min()), int(ticks.max())
        self.first = first if self.first is None else min(first, self.first)
        self.last = last if self.last is None else max(last, self.last)
        self.channels.update(by_name(signals["channel"]))

    @property
    def span(self) -> tuple[datetime, datetime] | None:
        """First and last time of what was taken."""
        if self.first is None or self.last is None:
            return None
        return moment(self.first), moment(self.last)


def moment(ticks: int) -> datetime:
    """UTC microseconds as a time."""
    return _EPOCH + timedelta(microseconds=ticks)
