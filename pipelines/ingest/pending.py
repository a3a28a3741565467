"""What has been read and is not in the store yet."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

from remanence.pipelines.ingest.file_state import Reading
from remanence.shared.column_numbers import ticks_of
from remanence.shared.tables import REJECTS

COMMIT_ROWS = 1_000_000
"""Records that are gathered before they are put into the store; bounds the memory."""

BACK_TIMES = 4
"""So many times that where a file goes back to what the store has of it already: each commit of
such a stretch writes anew what lies there, so that fewer and larger ones cost less."""

COMMIT_TEXT = 64 << 20
"""Bytes of rejected lines that are gathered."""

HOLD_S = 10.0
"""The latest seconds of a file that goes on wait for the next commit: lines a little out of
order must not make every commit write the end of the last one anew."""


@dataclass
class Pending:
    """Records, rejects and clock events of some files, and the files by name.

    ``rows``: of records and rejects; ``text``: bytes of rejected lines; ``goes_back``: whether a
    file goes back to what the store has of it already.
    """

    signals: list[pl.DataFrame] = field(default_factory=list)
    rejects: list[pl.DataFrame] = field(default_factory=list)
    events: list[pl.DataFrame] = field(default_factory=list)
    readings: dict[str, Reading] = field(default_factory=dict)
    rows: int = 0
    text: int = 0
    goes_back: bool = False

    def take(self, reading: Reading, signals: pl.DataFrame) -> None:
        """Add coded records of a file."""
        if signals.is_empty():
            return
        self.signals.append(signals)
        self.rows += signals.height
        if reading.kept_until is not None and _ticks(signals).min() < reading.kept_until:
            self.goes_back = True

    def reject(self, reading: Reading, rejects: pl.DataFrame) -> None:
        """Add lines of a file that are no records."""
        self.rejects.append(rejects.with_columns(file=pl.lit(reading.source.name)).select(
            REJECTS.schema.names()))
        self.rows += rejects.height
        self.text += int(rejects["text"].str.len_bytes().sum())

    def is_full(self) -> bool:
        """Whether it is time to put it into the store."""
        most = COMMIT_ROWS * (BACK_TIMES if self.goes_back else 1)
        return self.rows > most or self.text > COMMIT_TEXT

    def held_back(self, reading: Reading) -> list[pl.DataFrame]:
        """Take out the latest seconds of a file that goes on; they are to wait.

        None are taken out where that would be the greater part of the file.
        """
        own = [part for part in self.signals if part["file"][0] == reading.source.name]
        if not own:
            return []
        others = [part for part in self.signals if part["file"][0] != reading.source.name]
        cut = max(int(_ticks(part).max()) for part in own) - int(HOLD_S * 1e6)
        now: list[pl.DataFrame] = []
        waits: list[pl.DataFrame] = []
        for part in own:
            late = _ticks(part) > cut
            if not late.any():
                now.append(part)
                continue
            now.append(part.filter(pl.Series(~late)))
            waits.append(part.filter(pl.Series(late)))
        if 2 * sum(part.height for part in waits) > sum(part.height for part in own):
            now, waits = own, []
        self.signals = [*others, *(part for part in now if part.height)]
        ends = [int(_ticks(part).max()) for part in now if part.height]
        reading.kept_until = max([*ends, reading.kept_until or 0])
        return waits


def _ticks(signals: pl.DataFrame) -> NDArray[np.int64]:
    """Times. [UTC, microseconds]"""
    return ticks_of(signals["time"])
