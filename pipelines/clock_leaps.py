"""A clock that leaps ahead: told from a silence by the other controllers that write beside it."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

LEAP_S = 60.0
"""A smaller lead is what buffering and slow networks make."""

NEAR = 400
"""Lines before and after that are looked at."""

WITNESSES = 5
"""Records of other controllers on either side, and of its own after, that must agree."""

MOST = 200
"""Gaps looked at in a chunk; a log with more of them is no steady one."""


def leaps(frame: pl.DataFrame) -> list[tuple[str, int, float, int]]:
    """Where a controller's time leaps ahead while the others' goes on as before.

    Parameters
    ----------
    frame : polars.DataFrame
        ``controller``, ``utc`` (no nulls) and ``line``, in the order of the file.

    Returns
    -------
    list of (controller, microseconds UTC before the leap, seconds, line)
    """
    names = frame["controller"].unique(maintain_order=True).to_list()
    if len(names) < 2:
        return []
    ticks = frame["utc"].to_physical().to_numpy()
    owner = frame["controller"].replace_strict(
        names, list(range(len(names))), return_dtype=pl.Int32).to_numpy()
    lines = frame["line"]
    found = []
    for code, name in enumerate(names):
        own = np.flatnonzero(owner == code)
        gaps = np.flatnonzero(np.diff(ticks[own]) > LEAP_S * 1e6)[:MOST]
        for gap in gaps.tolist():
            ahead = _lead(ticks, owner, code, own, gap)
            if ahead is not None:
                line = int(lines[int(own[gap + 1])])
                found.append((name, int(ticks[own[gap]]), ahead / 1e6, line))
    return found


def _lead(
    ticks: NDArray[np.int64], owner: NDArray[np.int32], code: int, own: NDArray[np.int64], gap: int
) -> int | None:
    """How far ahead it is after the gap, in microseconds; None if it is not."""
    last, first = int(own[gap]), int(own[gap + 1])
    size = int(ticks[first] - ticks[last])
    before = _others(owner, code, max(last - NEAR, 0), last)[-WITNESSES:]
    after = _others(owner, code, first, first + NEAR)[:WITNESSES]
    mine = own[gap + 1 : gap + 1 + WITNESSES]
    if min(len(before), len(after), len(mine)) < WITNESSES:
        return None
    then, now = int(np.median(ticks[before])), int(np.median(ticks[after]))
    if abs(int(ticks[last]) - then) > size // 4 or now - then > size // 4:
        return None  # it was not with the others before, or they went on as far as it did
    later = _others(owner, code, max(int(mine[-1]) - NEAR, first), int(mine[-1]) + 1)
    if len(later) and int(ticks[mine[-1]] - ticks[later[-1]]) < size // 2:
        return None  # it came back: lines out of order
    ahead = int(ticks[first]) - now
    return ahead if ahead > max(LEAP_S * 1e6, size // 2) else None


def _others(
    owner: NDArray[np.int32], code: int, start: int, stop: int
) -> NDArray[np.int64]:
    return np.flatnonzero(owner[start:stop] != code) + start
