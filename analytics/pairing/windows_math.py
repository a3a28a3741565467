"""Figures over many short stretches of one long array at once.

A stretch is ``values[low:high]``; ``low`` and ``high`` are arrays with one entry a
stretch. Empty stretches give NaN (or -1 where an index is asked for).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from remanence.analytics.pairing.edges import Flags, Ints, Reals, segment_starts

_CELLS = 4_000_000
_SOON = 6


def flatten(low: Ints, high: Ints) -> tuple[Ints, Ints]:
    """Every index of every stretch, and which stretch it belongs to."""
    count = np.maximum(high - low, 0)
    owner = np.repeat(np.arange(low.size), count)
    begin = np.cumsum(count) - count
    return np.arange(owner.size) + np.repeat(low - begin, count), owner


def _reduced(ufunc: np.ufunc, values: Reals, low: Ints, high: Ints) -> Reals:
    found = np.full(low.size, np.nan)
    some = np.flatnonzero(high > low)
    if some.size:
        count = high[some] - low[some]
        begin = np.cumsum(count) - count
        index = np.arange(int(count.sum())) + np.repeat(low[some] - begin, count)
        found[some] = ufunc.reduceat(values.take(index), begin)
    return found


def lowest(values: Reals, low: Ints, high: Ints) -> Reals:
    """The smallest value of each stretch."""
    return _reduced(np.minimum, values, low, high)


def highest(values: Reals, low: Ints, high: Ints) -> Reals:
    """The largest value of each stretch."""
    return _reduced(np.maximum, values, low, high)


def first_where(
    holds: Callable[[Ints, Ints], Flags], low: Ints, high: Ints
) -> Ints:
    """The first index of each stretch at which ``holds``, or -1.

    ``holds`` is asked for some indices and the stretches (by number) that they are in.
    Where it soon holds, little is looked at.
    """
    found = np.full(low.size, -1)
    left, at = np.flatnonzero(high > low), low
    for _ in range(_SOON):
        if not left.size:
            return found
        here = at[left]
        good = holds(here, left)
        found[left[good]] = here[good]
        at = at + 1
        left = left[~good]
        left = left[at[left] < high[left]]
    index, owner = flatten(at[left], high[left])
    rest = first_true(holds(index, left[owner]), index, owner, left.size)
    found[left] = rest
    return found


def first_true(flags: Flags, index: Ints, owner: Ints, size: int) -> Ints:
    """The first flagged index of each stretch (out of :func:`flatten`), or -1."""
    return _end_true(flags, index, owner, size, segment_starts)


def last_true(flags: Flags, index: Ints, owner: Ints, size: int) -> Ints:
    """The last flagged index of each stretch, or -1."""
    return _end_true(flags, index, owner, size, lambda of: np.append(segment_starts(of)[1:], True))


def _end_true(
    flags: Flags, index: Ints, owner: Ints, size: int, ends: Callable[[Ints], Flags]
) -> Ints:
    found = np.full(size, -1)
    marked = np.flatnonzero(flags)
    if marked.size:
        of = owner[marked]
        end = np.flatnonzero(ends(of))
        found[of[end]] = index[marked[end]]
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
        cells = values.take(low[rows][:, None] + np.arange(width), mode="clip")
        if count[rows[0]] < width:
            np.copyto(cells, np.inf, where=np.arange(width) >= count[rows][:, None])
        cells.sort(axis=1)
        found[rows] = what(cells, count[rows])
        start = stop
    return found
