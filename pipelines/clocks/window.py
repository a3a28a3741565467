"""A stretch of a log as numbers: what the watch for steps of a clock works on."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from remanence.analytics.statistics import Ints
from remanence.pipelines.clocks.step_evidence import NO_TIME, SET_US, STEP_US, Window
from remanence.shared.column_numbers import codes_of

Marks = NDArray[np.uint64]

FEW = 16
"""So many controllers are looked at one by one."""


def bare(frame: pl.DataFrame) -> pl.DataFrame:
    """What is needed of records, in types that go together."""
    return frame.select(
        "line", pl.col("channel").cast(pl.String), "utc",
        pl.col("value").cast(pl.String) if frame.schema["value"] == pl.String else "value",
        *(["receipt"] if "receipt" in frame.columns else []))


def mark(frame: pl.DataFrame) -> Marks:
    """Numbers that two records share only if they are the same one, near enough."""
    return frame.select(
        pl.col("utc").hash() ^ pl.col("channel").cast(pl.String).hash(1)
        ^ pl.col("value").cast(pl.Float64, strict=False).hash(2)).to_series().to_numpy()


def window_of(both: pl.DataFrame) -> tuple[Window, list[str]]:
    """A stretch as numbers, and the controllers' names by their numbers."""
    channel = both["channel"].fill_null("")
    channels = channel.unique().sort()
    of = channels.str.split_exact("/", 1).struct.field("field_0")
    names = of.unique().sort()
    codes = channel.cast(pl.Enum(channels)).to_physical().to_numpy().astype(np.int64)
    owner = np.searchsorted(names.to_numpy().astype(str), of.to_numpy().astype(str))
    receipt = None
    if "receipt" in both.columns:
        receipt = both["receipt"].to_physical().fill_null(0).to_numpy()
    ticks = both["utc"].to_physical().fill_null(NO_TIME).to_numpy().copy()
    return Window(ticks, both["line"].to_numpy(), owner[codes], codes, receipt), names.to_list()


class Order:
    """For every line of a window: the latest time up to it, and the earliest from it on.

    In a log that is in order the two tell at once that a leap ahead is a silence.
    """

    def __init__(self, window: Window) -> None:
        self.renew(window)

    def renew(self, window: Window) -> None:
        """Take the times of the window as they are now."""
        self._latest = np.maximum.accumulate(window.ticks)
        known = np.where(window.ticks == NO_TIME, np.iinfo(np.int64).max, window.ticks)
        self._earliest = np.minimum.accumulate(known[::-1])[::-1]

    def silences(self, window: Window, own: Ints) -> NDArray[np.bool_]:
        """Of a controller's records, those whose leap ahead nothing can show to be a step.

        Nobody was ahead of its time before the leap, and nobody is behind it afterwards: then
        no other controller went on across it as if nothing had happened.
        """
        silent = np.zeros(own.size, np.bool_)
        ticks = window.ticks[own]
        jump = np.diff(ticks)
        after = np.append(self._earliest[1:], np.iinfo(np.int64).max)[own[1:]]
        silent[1:] = (jump > 0) & (ticks[:-1] >= SET_US) & (
            self._latest[own[:-1]] <= ticks[:-1] + jump // 2) & (after >= ticks[1:] - STEP_US)
        return silent


def unlike_receipts(window: Window, own: Ints) -> NDArray[np.bool_] | None:
    """Where a time jumps against the time of receipt; None where the log has none."""
    if window.receipt is None:
        return None
    leads = window.ticks[own] - window.receipt[own]
    unlike = np.ones(own.size, np.bool_)
    unlike[1:] = (np.abs(np.diff(leads)) > STEP_US // 2) | (window.receipt[own][1:] == 0)
    return unlike


def nearest_shift(
    window: Window, mine: Ints, shift: Ints, rows: Ints
) -> tuple[Ints, Ints]:
    """By how much a clock was shifted beside other lines, and its mended time there.

    Between two of its lines that were shifted unlike, the one that fits better counts.
    """
    after = np.clip(np.searchsorted(mine, rows), 0, mine.size - 1)
    before = np.clip(after - 1, 0, None)
    misfit = [np.abs(window.ticks[rows] + shift[at] - window.ticks[mine[at]])
              for at in (before, after)]
    at = np.where(misfit[1] < misfit[0], after, before)
    return shift[at], window.ticks[mine[at]]


def spans_of(frame: pl.DataFrame, ticks: Ints) -> dict[str, tuple[int, int]]:
    """Each controller's first and last time of a stretch whose times can all be read."""
    channel = frame["channel"]
    if isinstance(channel.dtype, pl.Enum) and not channel.null_count():
        owners = [name.split("/", 1)[0] for name in channel.dtype.categories]
        names = sorted(set(owners))
        if len(names) <= FEW:
            owner = np.array([names.index(name) for name in owners], np.uint8).take(
                codes_of(channel))
            if (ticks[1:] >= ticks[:-1]).all():  # then the first line of each is its earliest
                codes = owner.tobytes()
                return {name: (int(ticks[codes.find(code)]), int(ticks[codes.rfind(code)]))
                        for code, name in enumerate(names) if code in codes}
            of = {name: ticks[owner == code] for code, name in enumerate(names)}
            return {name: (int(own.min()), int(own.max())) for name, own in of.items() if own.size}
    spans: dict[str, tuple[int, int]] = {}
    for label, first, last in frame.group_by("channel").agg(
        pl.col("utc").min().to_physical().alias("first"),
        pl.col("utc").max().to_physical().alias("last"),
    ).iter_rows():
        name = (label or "").split("/", 1)[0]
        low, high = spans.get(name, (first, last))
        spans[name] = min(first, low), max(last, high)
    return spans
