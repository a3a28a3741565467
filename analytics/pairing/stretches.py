"""Figures over many short stretches of one long array at once.

A stretch is ``values[low:high]``; ``low`` and ``high`` are arrays with one entry a stretch. Empty
stretches give NaN (or -1 where an index is asked for). NumPy and not Polars: the stretches overlap,
and a table with a row for every reading of every one of them takes several times as long to make
as all that is asked of it here.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from remanence.analytics.statistics.arrays import Flags, Ints, Reals

Columns = dict[str, NDArray[Any]]
"""Columns of one length, by name."""

_CELLS = 1_000_000
"""At most this many readings are sorted at a time, which bounds the memory that it takes."""

_LONG = 512
"""A row of this many readings or more is copied whole, which is faster than index by index."""

_PADDED, _LEAST_WIDTH = 2, 16
"""Rows up to so many times as long as the shortest, or so long, are sorted together: fewer turns,
and at most half of what is sorted is padding."""

_EIGHTS = 8
"""numpy sums a row up in so many partial sums: a row padded to a multiple of it gives one sum,
however long its neighbours are."""

KEPT_FIFTHS = 4
"""A trimmed mean leaves out the largest fifth: a step or a pulse among the values is there."""

_SOON = 6
"""Nearly every search ends within this many readings of its beginning."""


def flatten(low: Ints, high: Ints) -> tuple[Ints, Ints]:
    """Every index of every stretch, and which stretch it belongs to."""
    count = np.maximum(high - low, 0)
    owner = np.repeat(np.arange(low.size), count)
    begin = np.cumsum(count) - count
    return np.arange(owner.size) + np.repeat(low - begin, count), owner


def reduced(ufunc: np.ufunc, values: Reals, low: Ints, high: Ints) -> Reals:
    """The ufunc (np.minimum, np.maximum) over each stretch."""
    found = np.full(low.size, np.nan)
    some = np.flatnonzero(high > low)
    if some.size:
        index, owner = flatten(low[some], high[some])
        found[some] = ufunc.reduceat(
            values.take(index), np.flatnonzero(np.diff(owner, prepend=-1)))
    return found


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


def first_where(holds: Callable[[Ints, Ints], Flags], low: Ints, high: Ints) -> Ints:
    """The first index of each stretch at which ``holds``, or -1.

    ``holds`` is given indices and the number of the stretch that each is in. Mostly it holds soon,
    so the first few readings are looked at before the rest.
    """
    found = np.full(low.size, -1)
    left = np.arange(low.size)
    for begin, end in ((low, np.minimum(low + _SOON, high)), (np.minimum(low + _SOON, high), high)):
        index, owner = flatten(begin[left], end[left])
        found[left] = first_true(holds(index, left[owner]), index, owner, left.size)
        left = left[found[left] < 0]
    return found


def medians(values: Reals, low: Ints, high: Ints) -> Reals:
    """The median of each stretch."""
    return of_sorted(values, low, high, lambda cells, count: quantiles(cells, count, 0.5))[0]


def trimmed_means(values: Reals, low: Ints, high: Ints) -> Reals:
    """The mean of the smallest four fifths of each stretch (one value at least)."""
    return of_sorted(values, low, high, _trimmed_mean)[0]


def quantiles(cells: Reals, count: Ints, *shares: float) -> tuple[Reals, ...]:
    """Quantiles of sorted rows, linear between order statistics (numpy.quantile's default)."""
    row = np.arange(count.size)
    found = []
    for share in shares:
        place = share * (count - 1)
        low = place.astype(np.int64)
        below = cells[row, low]
        above = cells[row, np.minimum(low + 1, count - 1)]
        found.append(below + (above - below) * (place - low))
    return tuple(found)


def _trimmed_mean(cells: Reals, count: Ints) -> tuple[Reals, ...]:
    kept = np.maximum(count * KEPT_FIFTHS // 5, 1)
    inside = np.arange(cells.shape[1]) < kept[:, None]
    return (np.where(inside, cells, 0.0).sum(axis=1) / kept,)


def of_sorted(
    values: Reals, low: Ints, high: Ints, what: Callable[[Reals, Ints], tuple[Reals, ...]],
    width: int = 1,
) -> tuple[Reals, ...]:
    """Figures of each stretch; NaN where it is empty.

    ``what`` is given the stretches as sorted rows, padded with infinity, and how many readings each
    has; ``width`` is how many figures it gives.
    """
    count = np.maximum(high - low, 0)
    found = tuple(np.full(low.size, np.nan) for _ in range(width))
    order = np.argsort(count, kind="stable")
    order = order[count[order] > 0]
    start = 0
    while start < order.size:
        # Stretches of about one length together, so that little is padded.
        most = max(_PADDED * int(count[order[start]]), _LEAST_WIDTH)
        stop = int(np.searchsorted(count[order], most, "right"))
        stop = min(stop, start + max(_CELLS // most, 1))
        rows = order[start:stop]
        # (Whole eights, so that a row's sum does not depend on how long its neighbours are.)
        longest = -(-int(count[rows[-1]]) // _EIGHTS) * _EIGHTS
        if longest < _LONG:
            cells = values.take(low[rows][:, None] + np.arange(longest), mode="clip")
            if count[rows[0]] < longest:
                np.copyto(cells, np.inf, where=np.arange(longest) >= count[rows][:, None])
        else:
            cells = np.full((rows.size, longest), np.inf)
            for cell, at, size in zip(cells, low[rows], count[rows], strict=True):
                cell[:size] = values[at:at + size]
        cells.sort(axis=1)
        for column, figures in zip(found, what(cells, count[rows]), strict=True):
            column[rows] = figures
        start = stop
    return found
