"""Figures over many short stretches of one long array at once.

A stretch is ``values[low:high]``; ``low`` and ``high`` are arrays with one entry a
stretch. Empty stretches give NaN (or -1 where an index is asked for).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from analytics.pairing_levels import Flags, Ints, Reals

_CELLS = 4_000_000


def flatten(low: Ints, high: Ints) -> tuple[Ints, Ints]:
    """Every index of every stretch, and which stretch it belongs to."""
    count = np.maximum(high - low, 0)
    owner = np.repeat(np.arange(low.size), count)
    begin = np.cumsum(count) - count
    return np.arange(int(count.sum())) - begin[owner] + low[owner], owner


def differences(values: np.ndarray, low: Ints, high: Ints) -> tuple[Reals, Ints, Ints]:
    """From each value of each stretch to the next one in it: one array, and its own stretches."""
    count = np.maximum(high - low - 1, 0)
    index, _ = flatten(low, low + count)
    ends = np.cumsum(count)
    return (values[index + 1] - values[index]).astype(np.float64), ends - count, ends


def _reduced(
    ufunc: np.ufunc, values: np.ndarray, low: Ints, high: Ints, empty: float
) -> np.ndarray:
    found = np.full(low.size, empty, values.dtype)
    some = np.flatnonzero(high > low)
    if some.size:
        index, _ = flatten(low[some], high[some])
        count = (high - low)[some]
        found[some] = ufunc.reduceat(values[index], np.cumsum(count) - count)
    return found


def lowest(values: Reals, low: Ints, high: Ints) -> Reals:
    """The smallest value of each stretch."""
    return _reduced(np.minimum, values, low, high, np.nan)


def highest(values: Reals, low: Ints, high: Ints) -> Reals:
    """The largest value of each stretch."""
    return _reduced(np.maximum, values, low, high, np.nan)


def first_true(flags: Flags, index: Ints, owner: Ints, size: int) -> Ints:
    """The first flagged index of each stretch (out of :func:`flatten`), or -1."""
    found = np.full(size, -1)
    marked = np.flatnonzero(flags)[::-1]
    found[owner[marked]] = index[marked]
    return found


def last_true(flags: Flags, index: Ints, owner: Ints, size: int) -> Ints:
    """The last flagged index of each stretch, or -1."""
    found = np.full(size, -1)
    marked = np.flatnonzero(flags)
    found[owner[marked]] = index[marked]
    return found


def medians(values: Reals, low: Ints, high: Ints) -> Reals:
    """The median of each stretch."""
    return _of_sorted(values, low, high, _median)


def trimmed_means(values: Reals, low: Ints, high: Ints) -> Reals:
    """The mean of the smallest four fifths of each stretch (one value at least)."""
    return _of_sorted(values, low, high, _trimmed_mean)


def _median(cells: Reals, count: Ints) -> Reals:
    at, half = np.arange(count.size), count // 2
    upper = cells[at, half]
    return np.where(count % 2 == 1, upper, (upper + cells[at, np.maximum(half - 1, 0)]) / 2)


def _trimmed_mean(cells: Reals, count: Ints) -> Reals:
    kept = np.maximum(count * 4 // 5, 1)
    inside = np.arange(cells.shape[1]) < kept[:, None]
    return np.asarray(np.where(inside, cells, 0.0).sum(axis=1) / kept)


def _of_sorted(
    values: Reals, low: Ints, high: Ints, what: Callable[[Reals, Ints], Reals]
) -> Reals:
    """``what`` of each stretch, put as a sorted row padded with infinity; NaN where empty."""
    count = np.maximum(high - low, 0)
    found = np.full(low.size, np.nan)
    order = np.argsort(count, kind="stable")
    order = order[count[order] > 0]
    start = 0
    while start < order.size:
        # Stretches of about one length together, so that little is padded.
        most = max(2 * int(count[order[start]]), 16)
        stop = int(np.searchsorted(count[order], most, "right"))
        stop = min(stop, start + max(_CELLS // most, 1))
        rows = order[start:stop]
        width = int(count[rows[-1]])
        index = low[rows][:, None] + np.arange(width)
        inside = np.arange(width) < count[rows][:, None]
        cells = np.where(inside, values[np.where(inside, index, 0)], np.inf)
        cells.sort(axis=1)
        found[rows] = what(cells, count[rows])
        start = stop
    return found
