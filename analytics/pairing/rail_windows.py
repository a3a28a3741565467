"""What the supply shows of each command: sag, its end, recovery, switch-off spike.

A latch loads its rail from the command on; a magnet unloads it at the command.
Levels are medians of readings in which no other coil on the rail was switched, so
a neighbour's command makes a figure null rather than wrong. All figures hold for
readings at any rate, regular or not.

Definitions (c command edge, e its end, a and b the last other command edge on the
rail before c and the first at or after c):

- ``volts_before``: median from 2 s before c (and 0.2 s after a) up to c.
- ``volts_noise``: from the differences of neighbouring readings in the minute
  before c, which a slow drift or a step does not touch: mean of the smallest four
  fifths of their sizes, scaled to a normal distribution's standard deviation.
- ``volts_min``, ``volts_samples``, ``sample_ms``: c to e for a latch (its first
  minute), c to e for a magnet (its first 2 s).
- latch: readings deeper than half the deepest are loaded; the sag ends at the first
  reading that has come back to within 35 % of it. The plateau is the median of the
  last 60 % of the loaded stretch, ``sag_volts`` is volts_before minus it. Where no
  reading lies 6 x noise under volts_before no sag is seen. The coil is loaded all the
  same for as long as its driver is on, so the last 60 % of the pulse are its loaded
  stretch; a coil that cuts itself was loaded nobody knows how long, and has no sag.
- ``end_sag_volts`` (latches): volts_before minus the median of the last 60 % of the
  pulse, sag or none; about zero where the lock has cut its coil by then.
- magnet: median after the cut (20 ms to 2 s, up to b and e) minus volts_before.
- a sag that is over before e, by more than the gap between the readings that show it,
  has been cut by the lock itself.

A neighbour that cuts its own coil does so unannounced, so its first second blurs.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from remanence.analytics.pairing.edges import EARLY, NEVER, Flags, Ints, Reals, Samples
from remanence.analytics.pairing.windows_math import (
    first_true,
    first_where,
    flatten,
    highest,
    last_true,
    lowest,
    medians,
    trimmed_means,
)

BEFORE_US = 2_000_000
"""How far back volts_before looks."""
NOISE_US = 60_000_000
"""How far back volts_noise looks."""
NOISE_SAMPLES = 64
LONGEST_US = 60_000_000
"""Of a longer pulse only this much is looked at."""
REACH_US = 2_000_000
"""How far the rail is looked at after a pulse's end, or after a magnet's cut."""
BLUR_US = 200_000
"""How long a neighbour's switching may still move the rail: a magnet's current rising."""
SELF_CUT_BLUR_US = 1_000_000
"""How long a neighbour that cuts its own coil may still be about to do so."""
SPIKE_US = 20_000
SPIKE_GAP_US = 10_000
FINE_US = 20_000
"""Readings further apart than this do not resolve how long a sag lasted."""
RISE_US = 50_000
"""Where readings are too far apart to see the rise, those this soon after it are left out."""
AFTER_CUT_US = 20_000
SIX_NOISE = 6.0
NOISE_FLOOR = 1e-3
"""Volts; a quantised rail at rest shows no noise at all."""
TRIMMED_NORMAL = 0.5586
"""Mean of the smallest four fifths of |Z|, Z standard normal: the integral of 2 z phi(z) from 0
to 1.2816 (its 90 % point), over 0.8."""
LOADED, BACK = 0.5, 0.35
SOON = 16
"""Readings after a command within which its sag has mostly ended."""


@dataclass(frozen=True)
class Task:
    """Commands whose rail is to be looked at, all on one rail; arrays of one length."""

    start: Ints
    end: Ints
    pulsed: Flags
    self_cut: Flags
    quiet_from: Ints
    """Last command edge of another lock on the rail before start; EARLY if none."""
    quiet_until: Ints
    """First one at or after start; NEVER if none."""
    blurred: Flags
    """A neighbour that cuts its own coil was on at start."""


@dataclass(frozen=True)
class Figures:
    """One row a command; NaN where the readings cannot support a figure. Volts and ms."""

    volts_before: Reals
    volts_min: Reals
    sag_volts: Reals
    end_sag_volts: Reals
    off_spike_volts: Reals
    sag_ms: Reals
    sag_pulses: Reals
    sag_outlasts_ms: Reals
    volts_noise: Reals
    volts_samples: Reals
    sample_ms: Reals
    recovery_ms: Reals
    cut_ms: Reals
    """When the lock cut its own coil: first reading that shows it, after start."""
    cut_gap_ms: Reals
    """From the last loaded reading to that one."""
    held: Reals
    """1 where the coil was seen loaded right up to the end of its command."""
    sag_seen: Reals
    """1 where a sag of 6 x noise or more was seen, 0 where it would have been, else NaN."""

    @classmethod
    def names(cls) -> tuple[str, ...]:
        """Column names in order."""
        return tuple(item.name for item in fields(cls))

    @classmethod
    def nothing(cls, size: int) -> Figures:
        """No figures for ``size`` commands."""
        return cls(*(np.full(size, np.nan) for _ in fields(cls)))


def done_at(start: Ints, end: Ints, pulsed: Flags) -> Ints:
    """When all readings that a command's figures rest on have come in."""
    return np.where(
        pulsed, np.minimum(end, start + LONGEST_US) + REACH_US, start + REACH_US)


def looked_at_from(start: Ints) -> Ints:
    """The first reading that a command's figures may rest on."""
    return start - NOISE_US


def figures(task: Task, rail: Samples) -> Figures:
    """Read the rail around each command.

    Parameters
    ----------
    task : Task
        The commands, all on this rail.
    rail : Samples
        The rail's volts, at least from :func:`looked_at_from` to :func:`done_at`.

    Returns
    -------
    Figures
    """
    size = task.start.size
    if not size or not rail.time.size:
        return Figures.nothing(size)
    time, volts = rail.time, rail.value
    gaps = np.diff(time).astype(np.float64)

    def place(when: Ints, side: str = "left") -> Ints:
        return np.searchsorted(time, when, side)  # type: ignore[call-overload,no-any-return]

    start, end, pulsed = task.start, task.end, task.pulsed
    at_start = place(start)
    quiet = np.maximum(start - BEFORE_US, task.quiet_from + BLUR_US)
    before = medians(volts, np.minimum(place(quiet), at_start), at_start)
    noise = _noise(volts, place(start - NOISE_US), at_start)
    last = np.where(
        pulsed, np.minimum(end, start + LONGEST_US), np.minimum(end, start + REACH_US))
    stop = place(last, "right")
    volts_min = lowest(volts, at_start, stop)
    count = np.maximum(stop - at_start, 0)
    spacing = medians(gaps, at_start, stop - 1)
    found = Figures.nothing(size)
    found.volts_before[:] = before
    found.volts_min[:] = volts_min
    found.volts_noise[:] = noise
    found.volts_samples[:] = count
    found.sample_ms[:] = spacing / 1000.0
    clear = np.where(task.blurred, start, task.quiet_until)
    _magnets(task, rail, gaps, found, np.flatnonzero(~pulsed), clear)
    _latches(task, rail, gaps, found, np.flatnonzero(pulsed), clear, spacing)
    return found


def _noise(volts: Reals, low: Ints, high: Ints) -> Reals:
    """Robust standard deviation from neighbouring differences; NaN below six of them.

    A mean and not a median, as readings come in steps of 4 to 15 mV and a median of
    their differences can only be a whole number of them.
    """
    low = np.maximum(low, high - NOISE_SAMPLES)
    steps = np.diff(volts)
    noise = trimmed_means(np.abs(steps, out=steps), low, high - 1) / TRIMMED_NORMAL / np.sqrt(2.0)
    return np.where(high - 1 - low >= 6, noise, np.nan)


def _magnets(
    task: Task, rail: Samples, gaps: Reals, found: Figures, rows: Ints, clear: Ints
) -> None:
    if not rows.size:
        return
    time, volts = rail.time, rail.value
    start, end = task.start[rows], task.end[rows]
    before = found.volts_before[rows]
    low = np.searchsorted(time, start + AFTER_CUT_US, "right")
    limit = np.minimum(np.minimum(end, start + REACH_US), clear[rows])
    high = np.searchsorted(time, limit, "left")
    found.sag_volts[rows] = medians(volts, low, np.maximum(high, low)) - before
    found.off_spike_volts[rows] = _spike(rail, gaps, start, before, clear[rows])


def _spike(rail: Samples, gaps: Reals, off: Ints, before: Reals, clear: Ints) -> Reals:
    """Highest over ``before`` in the 20 ms from ``off`` on; NaN unless sampled finely there."""
    low = np.searchsorted(rail.time, off, "left")
    high = np.searchsorted(rail.time, off + SPIKE_US, "right")
    size = rail.time.size
    gap = highest(gaps, low, high - 1)
    first = np.where(low < size, rail.time[np.minimum(low, size - 1)], NEVER) - off
    fine = (high - low >= 3) & (gap < SPIKE_GAP_US) & (first < SPIKE_GAP_US)
    fine &= (clear > off + SPIKE_US) | (clear < off)
    return np.where(fine, highest(rail.value, low, high) - before, np.nan)


def _latches(
    task: Task, rail: Samples, gaps: Reals, found: Figures, rows: Ints, clear_all: Ints,
    spacing_all: Reals,
) -> None:
    if not rows.size:
        return
    time, volts = rail.time, rail.value
    start, end, clear = task.start[rows], task.end[rows], clear_all[rows]
    before, noise = found.volts_before[rows], found.volts_noise[rows]
    spacing = spacing_all[rows]
    last = np.minimum(end, start + LONGEST_US)
    whole = end <= start + LONGEST_US
    # Loaded readings are looked for while the command lasts and no neighbour switches.
    # (A reading stamped at the command itself was taken before the current could rise.)
    low = np.searchsorted(time, start, "right")
    high = np.searchsorted(time, last, "right")
    high = np.maximum(np.where(clear <= last, np.searchsorted(time, clear, "left"), high), low)
    deepest = before - lowest(volts, low, high)
    threshold = SIX_NOISE * np.maximum(noise, NOISE_FLOOR)
    seen = deepest >= threshold
    told = np.isfinite(deepest) & np.isfinite(noise)

    # From the command to 2 s past its end, up to a neighbour's switching.
    after = np.minimum(np.minimum(last + REACH_US, NEVER), np.where(clear > start, clear, start))
    reach = np.maximum(np.searchsorted(time, after, "left"), low)
    loaded_from = np.where(seen, LOADED * deepest, np.inf)
    back_from = np.where(seen, BACK * deepest, -np.inf)
    # Mostly the sag ends with the command: only where it does not is it looked for further on.
    first, over, final, buzz = _sags(
        volts, before, loaded_from, back_from, low, high, np.minimum(reach, high + SOON))
    on = np.flatnonzero((first >= 0) & (over < 0) & (reach > high + SOON))
    if on.size:
        _, over[on], final[on], _ = _sags(
            volts, before[on], loaded_from[on], back_from[on], low[on], high[on], reach[on])

    sagged = (first >= 0) & seen
    first_time = time[np.maximum(first, 0)]
    final_time = np.minimum(time[np.maximum(final, 0)], last)
    settled = first_time + ((final_time - first_time) * 0.4).astype(np.int64)
    # Without a visible sag: the same share of the pulse.
    quiet_end = np.minimum(last, np.where(clear > start, clear, start))
    settled = np.where(sagged, settled, start + ((quiet_end - start) * 0.4).astype(np.int64))
    coarse = ~(spacing <= RISE_US)
    settled = np.where(coarse & ~task.self_cut[rows], np.maximum(settled, start + RISE_US), settled)
    plateau_low = np.searchsorted(time, settled, "left")
    plateau_high = np.where(sagged, np.searchsorted(time, final_time, "right"), high)
    sag = before - medians(volts, plateau_low, np.maximum(plateau_high, plateau_low))
    sag = np.where(task.self_cut[rows] & ~sagged, np.nan, sag)
    found.sag_volts[rows] = sag
    late = np.searchsorted(time, start + ((last - start) * 0.4).astype(np.int64), "left")
    found.end_sag_volts[rows] = np.where(
        clear > last, before - medians(volts, late, np.maximum(high, late)), np.nan)
    found.sag_seen[rows] = np.where(told, seen.astype(np.float64), np.nan)

    over_time = np.where(over >= 0, time[np.maximum(over, 0)], NEVER)
    last_loaded = np.where(final >= 0, time[np.maximum(final, 0)], EARLY)
    gap = np.where(over >= 0, over_time - last_loaded, NEVER)
    resolved = sagged & (over >= 0) & (gap <= 2 * FINE_US)
    found.sag_ms[rows] = np.where(resolved, (over_time - start) / 1000.0, np.nan)
    cut = resolved & (over_time + gap < last) & (over < high)
    found.cut_ms[rows] = np.where(cut, (over_time - start) / 1000.0, np.nan)
    found.cut_gap_ms[rows] = np.where(cut, gap / 1000.0, np.nan)
    held = sagged & ~cut & whole & (clear > last) & (last - last_loaded <= 2 * FINE_US)
    found.held[rows] = np.where(told, held.astype(np.float64), np.nan)
    fine = sagged & (spacing <= FINE_US)
    found.sag_pulses[rows] = np.where(fine, buzz, np.where(told & ~seen & (spacing <= FINE_US),
                                                            0.0, np.nan))
    _afterwards(rail, gaps, found, rows, last, whole, sagged, cut, last_loaded, clear, sag)


def _sags(
    volts: Reals, before: Reals, loaded_from: Reals, back_from: Reals,
    low: Ints, high: Ints, reach: Ints,
) -> tuple[Ints, Ints, Ints, Reals]:
    """Where sags begin and end, in stretches from ``low`` to ``reach``.

    A reading is loaded where it lies deeper under ``before`` than ``loaded_from``, and has come
    back where it lies less deep than ``back_from``. Indices, or -1, of the first loaded
    reading while the command lasts (up to ``high``), the first after it that has come
    back, and the last loaded one before that; and how often it turned to loaded by ``high``.
    """
    size = low.size
    index, owner = flatten(low, reach)
    depth = before[owner] - volts[index]
    loaded, back = depth > loaded_from[owner], depth < back_from[owner]
    inside = index < high[owner]
    first = first_true(loaded & inside, index, owner, size)
    over = first_true(
        back & (index > np.where(first >= 0, first, volts.size)[owner]), index, owner, size)
    bound = np.where(over >= 0, over, np.maximum(reach, 1))
    final = last_true(loaded & (index < bound[owner]), index, owner, size)
    told = np.flatnonzero((loaded | back) & inside)
    state, whose = loaded[told], owner[told]
    previous = np.zeros(told.size, np.bool_)
    previous[1:] = state[:-1] & (whose[1:] == whose[:-1])
    return first, over, final, np.bincount(
        whose[state & ~previous], minlength=size).astype(np.float64)


def _afterwards(
    rail: Samples, gaps: Reals, found: Figures, rows: Ints, last: Ints, whole: Flags,
    sagged: Flags, cut: Flags, last_loaded: Ints, clear: Ints, sag: Reals,
) -> None:
    """What follows the switch-off: recovery, spike, and a load that outlasts the command."""
    time, volts = rail.time, rail.value
    before, noise = found.volts_before[rows], found.volts_noise[rows]
    off = np.where(cut, last_loaded, last)
    usable = (whole | cut) & sagged & (clear > off)
    low = np.searchsorted(time, off, "right")
    stop = np.minimum(off + REACH_US, clear)
    high = np.maximum(np.searchsorted(time, stop, "left"), low)
    level = before - np.maximum(0.1 * sag, 2.0 * np.maximum(noise, NOISE_FLOOR))
    recovered = first_where(lambda at, of: volts[at] >= level[of], low, high)
    good = usable & (recovered >= 0)
    when = time[np.maximum(recovered, 0)]
    spaced = when - time[np.maximum(recovered - 1, 0)] <= 2 * FINE_US
    found.recovery_ms[rows] = np.where(good & spaced, (when - off) / 1000.0, np.nan)
    spike = _spike(rail, gaps, off, before, clear)
    found.off_spike_volts[rows] = np.where((whole | cut) & (clear > off), spike, np.nan)

    # Still loaded after the command ended? Only where it was loaded at all.
    low = np.searchsorted(time, last, "right")
    high = np.maximum(np.searchsorted(time, np.minimum(last + REACH_US, clear), "left"), low)
    half = before - LOADED * sag
    returned = first_where(lambda at, of: volts[at] > half[of], low, high)
    end_index = np.where(returned >= 0, returned, np.maximum(high - 1, 0))
    outlasts = np.where(returned == low, 0, time[np.maximum(end_index, 0)] - last)
    some = usable & (high > low) & (clear > last) & np.isfinite(sag)
    found.sag_outlasts_ms[rows] = np.where(some, outlasts / 1000.0, np.nan)
