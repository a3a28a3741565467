"""Records of two-valued channels turned into edges: where a level really changes.

All locks are treated in one go. Times are UTC microseconds; arrays that belong to
several locks are sorted by lock, then time, and searched by one joint key.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Reals = NDArray[np.float64]
Columns = dict[str, Any]
"""Columns of equal length, by name: numpy arrays."""

NEVER = 1 << 61
"""A time later than any record's."""

EARLY = -(1 << 61)
"""A time before any record's."""


@dataclass(frozen=True)
class Keys:
    """Joint keys of (lock, time): one sorted array can then be searched for all locks."""

    origin: int
    span: int

    @classmethod
    def over(cls, *times: Ints) -> Keys:
        """Keys that hold for every one of ``times``, with room on both sides."""
        filled = [t for t in times if t.size]
        low = min((int(t.min()) for t in filled), default=0)
        high = max((int(t.max()) for t in filled), default=0)
        return cls(low - 1, high - low + 3)

    def of(self, lock: Ints, time: Ints) -> Ints:
        """The key of each (lock, time); times outside are taken to the nearest end."""
        return lock * self.span + np.minimum(np.maximum(time - self.origin, 0), self.span - 1)


@dataclass(frozen=True)
class Samples:
    """One channel's readings in time order, each once."""

    time: Ints
    value: Reals

    @classmethod
    def none(cls) -> Samples:
        """No readings."""
        return cls(np.empty(0, np.int64), np.empty(0, np.float64))


@dataclass(frozen=True)
class Edges:
    """Changes of level, sorted by lock and time; ``on`` is the level after the change."""

    lock: Ints
    time: Ints
    on: Flags
    run: Ints

    @property
    def size(self) -> int:
        """How many."""
        return int(self.time.size)

    @classmethod
    def none(cls) -> Edges:
        """No edges."""
        empty = np.empty(0, np.int64)
        return cls(empty, empty, np.empty(0, np.bool_), empty)

    def take(self, which: Flags | Ints) -> Edges:
        """Those that ``which`` selects."""
        return Edges(self.lock[which], self.time[which], self.on[which], self.run[which])

    def joined(self, later: Edges) -> Edges:
        """These and ``later`` ones, sorted again by lock and time."""
        lock = np.concatenate([self.lock, later.lock])
        time = np.concatenate([self.time, later.time])
        order = np.lexsort((time, lock))
        return Edges(
            lock[order], time[order], np.concatenate([self.on, later.on])[order],
            np.concatenate([self.run, later.run])[order],
        )


def segment_starts(lock: Ints) -> Flags:
    """Where another lock's rows begin."""
    first = np.ones(lock.size, np.bool_)
    first[1:] = lock[1:] != lock[:-1]
    return first


def edges_of(lock: Ints, time: Ints, on: Flags, run: Ints, before: Flags) -> Edges:
    """Keep the records that change a level.

    Parameters
    ----------
    lock, time, on, run : arrays of one length
        Records in any order, repeats allowed.
    before : array of bool, shape (n_locks,)
        The level of each lock's channel before the first of them.

    Returns
    -------
    Edges

    Notes
    -----
    Repeated levels carry nothing. Where one channel says both at the same instant,
    the two are put in that order which leaves the level changed.
    """
    if not time.size:
        return Edges.none()
    order = np.lexsort((run, time, lock))
    lock, time, on, run = lock[order], time[order], on[order], run[order]
    instant = segment_starts(lock)
    instant[1:] |= time[1:] != time[:-1]
    at = np.flatnonzero(instant)
    highs = np.add.reduceat(on.astype(np.int64), at)
    counts = np.diff(np.append(at, time.size))
    lock, time, run = lock[at], time[at], run[at]
    both = (highs > 0) & (highs < counts)
    after = highs == counts
    first = segment_starts(lock)
    if both.any():
        after = _resolved(lock, first, both, after, before)
    previous = np.empty_like(after)
    previous[1:] = after[:-1]
    previous[first] = before[lock[first]]
    change = after != previous
    return Edges(lock[change], time[change], after[change], run[change])


def _resolved(lock: Ints, first: Flags, both: Flags, value: Flags, before: Flags) -> Flags:
    """Level after each instant, where some instants (``both``) turn the level over."""
    index = np.arange(lock.size)
    start = np.maximum.accumulate(np.where(first, index, 0))
    told = np.maximum.accumulate(np.where(both, -1, index))
    known = told >= start
    turns = np.cumsum(both)
    base = np.where(known, told, start)
    # Turns since the last instant that told its level (or since the segment's start).
    since = turns - turns[base] + np.where(known, 0, both[base].astype(np.int64))
    level = np.where(known, value[base], before[lock])
    return np.asarray(level ^ (since % 2 == 1))
