"""Volts and amps of some stretch of time, channel by channel."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from remanence.analytics.pairing.wiring import Wiring
from remanence.analytics.statistics.arrays import Ints, Reals

C = pl.col


@dataclass(frozen=True)
class Records:
    """Records of one channel and quantity, in the order of time; of one stamp, as logged."""

    time: Ints
    value: Reals
    run: Ints
    """Of every record, or a single number if all have the same."""

    @classmethod
    def none(cls) -> Records:
        """No records."""
        return cls(np.empty(0, np.int64), np.empty(0), np.zeros(1, np.int64))

    def since(self, begin: int) -> Records:
        """Those from ``begin`` on."""
        at = int(np.searchsorted(self.time, begin))
        return Records(self.time[at:], self.value[at:],
                       self.run if self.run.size == 1 else self.run[at:])

    def copy(self) -> Records:
        """The same in memory of its own, so that what they were part of can be let go of."""
        return Records(self.time.copy(), self.value.copy(), self.run.copy())

    def then(self, later: Records) -> Records:
        """These and later ones."""
        same = self.run.size == later.run.size == 1 and self.run[0] == later.run[0]
        run = self.run if same else np.concatenate([self.runs(), later.runs()])
        return Records(np.concatenate([self.time, later.time]),
                       np.concatenate([self.value, later.value]), run)

    def runs(self) -> Ints:
        """The run of every record."""
        return np.broadcast_to(self.run, self.time.shape)

    def samples(self) -> Records:
        """Without repeats under one stamp. Only finite values.

        Their ``run`` means nothing.
        """
        good = np.isfinite(self.value)
        whole = bool(good.all())
        if whole and bool((self.time[1:] > self.time[:-1]).all()):
            return self
        time, value = (self.time, self.value) if whole else (self.time[good], self.value[good])
        new = np.ones(time.size, np.bool_)
        new[1:] = (time[1:] != time[:-1]) | (value[1:] != value[:-1])
        return replace(self, time=time[new], value=value[new], run=np.zeros(1, np.int64))


Levels = Mapping[tuple[str, str], Records]
"""Records by channel and quantity (``volts`` or ``amps``)."""


def levels_of(signals: pl.DataFrame, wiring: Wiring) -> dict[tuple[str, str], Records]:
    """Volts of the rails and amps of the coils out of SIGNALS, any order.

    Without ``place``, readings of one stamp are put in order of their value.
    """
    named = pl.DataFrame(
        [(channel, "volts") for channel in wiring.rails]
        + [(channel, "amps") for channel in wiring.locks["command"]],
        schema=["channel", "quantity"], orient="row")
    frame = signals.join(named, on=["channel", "quantity"], how="semi").select(
        "channel", "quantity", C.time.to_physical(), "value", C.run.fill_null(0),
        *(["place"] if "place" in signals.columns else []))
    order = ["time", "place", "value"] if "place" in signals.columns else ["time", "value"]
    return {
        (str(channel), str(quantity)): Records(
            part["time"].to_numpy(), part["value"].to_numpy(), part["run"].to_numpy())
        for (channel, quantity), part in frame.sort(order, maintain_order=True).partition_by(
            "channel", "quantity", as_dict=True).items()}
