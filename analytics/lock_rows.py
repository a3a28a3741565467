"""One lock's rows of a table as plain arrays, with the venue's own days and weeks beside them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analytics.evidence import per_lock, with_weeks
from analytics.history import History
from shared.venue import Lock

Reals = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Rows:
    """Rows of one lock, oldest first.

    ``time_us`` are UTC microseconds, ``day`` proleptic ordinals of the venue's own
    calendar, ``ago`` weeks before the week asked for (0 is that week).
    """

    lock: Lock
    frame: pl.DataFrame
    time_us: Ints
    day: Ints
    ago: Ints

    @property
    def size(self) -> int:
        """How many."""
        return self.frame.height

    def real(self, column: str) -> Reals:
        """A column of numbers; NaN where null."""
        out: Reals = self.frame[column].cast(pl.Float64).fill_null(float("nan")).to_numpy()
        return out

    def text(self, column: str) -> NDArray[np.object_]:
        """A column of text; None where null."""
        return np.array(self.frame[column].to_list(), dtype=object)

    def flag(self, column: str) -> Flags:
        """A column of truths; false where null."""
        out: Flags = np.array(self.frame[column].fill_null(False).to_list(), dtype=np.bool_)
        return out

    @property
    def now(self) -> Flags:
        """Which rows fall into the week asked for."""
        out: Flags = self.ago == 0
        return out

    def take(self, which: Flags) -> Rows:
        """Those rows that ``which`` selects."""
        return Rows(self.lock, self.frame.filter(pl.Series(which)), self.time_us[which],
                    self.day[which], self.ago[which])


def rows_by_lock(frame: pl.DataFrame, time: str, history: History) -> dict[str, Rows]:
    """Each lock's rows of ``frame``, oldest first; unknown locks are left out."""
    known = history.venue.locks_by_id
    dated = with_weeks(frame, time, history).sort("lock", time)
    return {
        name: Rows(
            known[name], part,
            part[time].dt.epoch("us").to_numpy(),
            (part["day"].dt.epoch("d") + _EPOCH).to_numpy().astype(np.int64),
            part["weeks_ago"].to_numpy(),
        )
        for name, part in per_lock(dated).items() if name in known
    }


_EPOCH = date(1970, 1, 1).toordinal()
