"""Volts and amps of some stretch of time, channel by channel."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

import numpy as np
import polars as pl

from remanence.analytics.pairing.wiring import Wiring
from remanence.analytics.statistics.arrays import Ints, Reals
from remanence.shared.venue import controller_of

Key = tuple[str, str]
"""Quantity (``amps`` or ``volts``) and channel."""


class Readings(NamedTuple):
    """Records of one channel and quantity, in the order of time; of one stamp, as logged."""

    time: Ints
    value: Reals
    run: Ints
    """Of every record, or a single number if all have the same."""

    def within(self, begin: int, end: int) -> Readings:
        """Those from ``begin`` up to ``end``."""
        low, high = np.searchsorted(self.time, [begin, end])
        return Readings(self.time[low:high], self.value[low:high],
                        self.run if self.run.size == 1 else self.run[low:high])

    def samples(self) -> Readings:
        """Without what is no number, and without repeats under one stamp; of no run."""
        time, value, good = self.time, self.value, np.isfinite(self.value)
        if not good.all():
            time, value = time[good], value[good]
        if not (time[1:] > time[:-1]).all():
            new = np.append(True, (time[1:] != time[:-1]) | (value[1:] != value[:-1]))
            time, value = time[new[:time.size]], value[new[:time.size]]
        return Readings(time, value, NOTHING.run)


def in_turn(keys: Iterable[Key]) -> list[Key]:
    """The channels of a controller together: its times are not held while others are read."""
    return sorted(keys, key=lambda key: (controller_of(key[1]), key))


NOTHING = Readings(np.empty(0, np.int64), np.empty(0), np.zeros(1, np.int64))


class Stretch(NamedTuple):
    """All levels of some whole hours."""

    begin: int
    end: int
    levels: Iterable[tuple[Key, Readings]]
    """One channel after the other, :func:`in_turn`, each with its last
    :data:`remanence.analytics.pairing.look.LOOKS_BACK_US` before ``begin``. An iterator may read
    one when it is asked for it, so that no two need be held at a time."""


def levels_of(signals: pl.DataFrame, wiring: Wiring) -> Iterator[tuple[Key, Readings]]:
    """Volts of the rails and amps of the coils out of SIGNALS, any order.

    Without ``place``, readings of one stamp are put in order of their value.
    """
    place = pl.col("place") if "place" in signals.columns else pl.lit(0)
    frame = signals.select("quantity", "channel", pl.col("time").to_physical(), "value",
                           pl.col("run").fill_null(0), place=place)
    parts = frame.sort("time", "place", "value").partition_by(
        "quantity", "channel", as_dict=True, maintain_order=True)
    for quantity, channel in in_turn(wiring.levels & parts.keys()):
        yield (quantity, channel), Readings(*(
            parts[quantity, channel][name].to_numpy() for name in ("time", "value", "run")))
