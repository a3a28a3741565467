"""Which stretches of which rail belong to which command, and the figures read there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from remanence.analytics.pairing.edges import (
    EARLY,
    NEVER,
    Columns,
    Edges,
    Flags,
    Ints,
    Reals,
    Samples,
    segment_starts,
)
from remanence.analytics.pairing.rail_windows import (
    BEFORE_US,
    LONGEST_US,
    SELF_CUT_BLUR_US,
    Figures,
    Task,
    done_at,
    figures,
    looked_at_from,
)
from remanence.analytics.pairing.setup import Setup
from remanence.analytics.pairing.windows_math import medians

RAIL_COLUMNS = (*Figures.names(), "amps")


@dataclass(frozen=True)
class RailTasks:
    """Commands whose rail is to be looked at, and the command edges of all locks around them."""

    lock: Ints
    start: Ints
    end: Ints
    recent: Edges
    """By time."""


def rail_figures(
    setup: Setup, tasks: RailTasks, rails: Sequence[Mapping[int, Samples]],
    amps: Sequence[Mapping[int, Samples]],
) -> Columns:
    """Read the rails around some commands.

    Parameters
    ----------
    setup : Setup
        The locks.
    tasks : RailTasks
        The commands.
    rails : sequence of mappings of int to Samples
        Volts by supply: neighbouring stretches of time, in order.
    amps : sequence of mappings of int to Samples
        Coil current by lock, likewise.

    Returns
    -------
    dict of str to array
        ``lock`` (its place), ``start`` (microseconds) and RAIL_COLUMNS, NaN where the
        readings cannot support a figure. In the order of the tasks.
    """
    lock, start, end, recent = tasks.lock, tasks.start, tasks.end, tasks.recent
    found = Figures.nothing(lock.size)
    logged = set(setup.rail_of.values())
    for supply in np.unique(setup.supply[lock]).tolist():
        if supply not in logged:
            continue
        rows = np.flatnonzero(setup.supply[lock] == supply)
        rows = rows[np.argsort(start[rows])]  # in time order they are found faster
        rail = _near(setup, lock[rows], start[rows], end[rows], [
            part[supply] for part in rails if supply in part])
        if not rail.time.size:
            found.volts_samples[rows] = 0
            continue
        edges = recent.take(setup.supply[recent.lock] == supply)
        of_rail = figures(_task(setup, lock[rows], start[rows], end[rows], edges), rail)
        for name in Figures.names():
            getattr(found, name)[rows] = getattr(of_rail, name)
    columns: Columns = {"lock": lock, "start": start}
    columns |= {name: getattr(found, name) for name in Figures.names()}
    columns["amps"] = _amps(setup, lock, start, end, found.cut_ms, amps)
    return columns


def _near(
    setup: Setup, lock: Ints, start: Ints, end: Ints, parts: Sequence[Samples]
) -> Samples:
    """The readings that the figures of some commands may rest on, ``start`` in order.

    A stretch that a figure is taken from lies within its command's window, so what lies
    outside all windows can be left out.
    """
    if not start.size:
        return Samples.none()
    begin, stop = looked_at_from(start), done_at(start, end, setup.pulsed[lock])
    stop = np.maximum.accumulate(stop)
    apart = np.append(True, begin[1:] > stop[:-1])
    begin, stop = begin[apart], stop[np.append(apart[1:], True)]
    times, values = [], []
    for part in parts:
        low = np.searchsorted(part.time, begin, "left")
        high = np.searchsorted(part.time, stop, "right")
        for at, until in zip(low.tolist(), high.tolist(), strict=True):
            if until > at:
                times.append(part.time[at:until])
                values.append(part.value[at:until])
    return Samples(np.concatenate(times), np.concatenate(values)) if times else Samples.none()


def _task(setup: Setup, lock: Ints, start: Ints, end: Ints, edges: Edges) -> Task:
    place = np.searchsorted(edges.time, start, "left")
    quiet_from = np.full(start.size, EARLY)
    quiet_until = np.full(start.size, NEVER)
    if edges.size:
        index = np.arange(edges.size)
        heads = segment_starts(edges.lock)
        run_head = np.maximum.accumulate(np.where(heads, index, 0))
        tails = np.append(heads[1:], True)
        run_tail = np.minimum.accumulate(np.where(tails, index, edges.size)[::-1])[::-1]
        earlier = place - 1
        own = (earlier >= 0) & (edges.lock[np.maximum(earlier, 0)] == lock)
        earlier = np.where(own, run_head[np.maximum(earlier, 0)] - 1, earlier)
        quiet_from = np.where(earlier >= 0, edges.time[np.maximum(earlier, 0)], EARLY)
        later = np.minimum(place, edges.size - 1)
        own = (place < edges.size) & (edges.lock[later] == lock)
        next_one = np.where(own, run_tail[later] + 1, place)
        there = next_one < edges.size
        quiet_until = np.where(there, edges.time[np.where(there, next_one, 0)], NEVER)
    return Task(
        start, end, setup.pulsed[lock], setup.self_cut[lock], quiet_from, quiet_until,
        _blurred(setup, start, edges),
    )


def _blurred(setup: Setup, start: Ints, edges: Edges) -> Flags:
    """Whether a neighbour may be about to cut its own coil at each command."""
    cutters = edges.take(setup.self_cut[edges.lock] & setup.pulsed[edges.lock])
    if not cutters.size:
        return np.zeros(start.size, np.bool_)
    order = np.lexsort((cutters.time, cutters.lock))
    lock, time, on = cutters.lock[order], cutters.time[order], cutters.on[order]
    begin = np.flatnonzero(on)
    after = np.minimum(begin + 1, lock.size - 1)
    ended = (begin + 1 < lock.size) & (lock[after] == lock[begin])
    finish = np.minimum(np.where(ended, time[after], NEVER), time[begin] + SELF_CUT_BLUR_US)
    started = np.searchsorted(np.sort(time[begin]), start, "left")
    # A row's own earlier pulse has ended by its start, so it is never counted.
    return started - np.searchsorted(np.sort(finish), start, "right") > 0


def _amps(
    setup: Setup, lock: Ints, start: Ints, end: Ints, cut_ms: Reals,
    amps: Sequence[Mapping[int, Samples]],
) -> Reals:
    """Settled coil current: the last 60 % of a latch's pulse, or a magnet's 2 s before the cut."""
    found = np.full(lock.size, np.nan)
    known = {place for part in amps for place in part}
    for place in sorted(known.intersection(lock.tolist())):
        rows = np.flatnonzero(lock == place)
        rows = rows[np.argsort(start[rows])]
        samples = _near(setup, lock[rows], start[rows], end[rows], [
            part[place] for part in amps if place in part])
        if setup.pulsed[place]:
            cut = np.where(np.isnan(cut_ms[rows]), NEVER,
                           start[rows] + np.nan_to_num(cut_ms[rows] * 1000).astype(np.int64))
            stop = np.minimum(np.minimum(end[rows], start[rows] + LONGEST_US), cut)
            begin = start[rows] + ((stop - start[rows]) * 0.4).astype(np.int64)
        else:
            begin, stop = start[rows] - BEFORE_US, start[rows]
        low = np.searchsorted(samples.time, begin, "left")
        high = np.searchsorted(samples.time, stop, "left")
        found[rows] = medians(samples.value, low, np.maximum(high, low))
    return found

