"""What the supply shows of each command: sag, its end, recovery, switch-off spike.

A latch loads its rail from the command on; a magnet unloads it at the command.
Levels are medians of readings in which no other coil on the rail was switched, so
a neighbour's command makes a figure null rather than wrong. All figures hold for
readings at any rate, regular or not.

Definitions (c command edge, e its end, a the last command edge of any lock on the rail
before c, b the first of another lock at or after c):

- ``volts_before``: median from 2 s before c (and 0.2 s after a) up to c. Of a latch whose
  rail was not read at all in these 2 s, as by loggers that read around commands only: median
  from 50 ms to 2 s after e (up to b), when the rail is at rest again; and the noise from
  these readings, where none were taken in the minute before c.
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

NumPy and not Polars: commands' windows overlap, and a table with a row for every reading of every
window takes some four times as long to make and to group.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from remanence.analytics.pairing.commands import REACH_US
from remanence.analytics.pairing.readings import Readings
from remanence.analytics.pairing.windows import NEVER
from remanence.analytics.statistics.arrays import Flags, Ints, Reals

BEFORE_US = 2_000_000
"""How far back volts_before looks: long enough for a median, short enough for a slow drift."""
NOISE_US = 60_000_000
"""How far back volts_noise looks."""
NOISE_SAMPLES = 64
"""Only the last so many of these readings are asked: their scatter is known to a tenth, and what a
logger at a high rate says more of is the same."""
FEWEST_OF_NOISE = 6
"""Differences below which no noise is told: of five, the trimmed mean would rest on four."""
BLUR_US = 200_000
"""How long a neighbour's switching may still move the rail: a magnet's current rising."""
SPIKE_US, SPIKE_GAP_US, FEWEST_OF_SPIKE = 20_000, 10_000, 2
"""How long after the switch-off a spike is looked for (a coil's current has died away by then); no
gap among the readings there may be longer than half of it, which 100 Hz just keep, and so many
there must be."""
FINE_US = 20_000
"""Readings further apart than this do not resolve how long a sag lasted."""
COARSEST_US = 2 * FINE_US
"""The gap at an event may be so long: where one reading in between is missing."""
RISE_US = 50_000
"""Where readings are too far apart to see the rise, those this soon after it are left out."""
AFTER_CUT_US = 20_000
"""A magnet's current has died away so long after its cut, and the rail stands at its new level."""
SIX_NOISE = 6.0
"""So many times the rail's scatter a sag must be to be read: of the thousands of readings in a
long pulse, none lies so deep by chance."""
NOISE_FLOOR = 1e-3
"""Volts; a quantised rail at rest shows no noise at all."""
KEPT_FIFTHS, TRIMMED_NORMAL = 4, 0.5586
"""Fifths of the differences that the noise is taken from (a step or a pulse is in the largest one),
and the mean of the smallest four fifths of |Z|, Z standard normal: the integral of 2 z phi(z) from
0 to 1.2816 (its 90 % point), over 0.8."""
LOADED, BACK = 0.5, 0.35
"""Deeper than the first share of the deepest is loaded, less deep than the second has come back:
half way, and apart, so that noise at the half does not turn the state to and fro."""
UNSETTLED = 0.4
"""First part of a loaded stretch that its level is not taken from: the current still rises."""
RECOVERED, RECOVERED_NOISES = 0.1, 2.0
"""A rail has recovered within this share of the sag, or so many times its noise, of the level
before: the 90 % point of a rise, common practice."""
CELLS = 1 << 16
"""About so many readings are looked at at a time: what is made of them stays in the cache."""

Windows = Any
"""Columns of :func:`remanence.analytics.pairing.windows.rail_windows`, as a recarray."""

MEASURED = (
    "volts_before", "volts_min", "sag_volts", "end_sag_volts", "off_spike_volts", "sag_ms",
    "sag_pulses", "sag_outlasts_ms", "volts_noise", "volts_samples", "sample_ms", "recovery_ms",
    "cut_ms", "cut_gap_ms", "held", "amps",
)
"""Figures by the names of ACTUATIONS; ``cut_gap_ms``, from the last loaded reading to the one that
shows the lock's own cut; ``held``, 1 where the coil was seen loaded up to its command's end."""


def rail_figures(tasks: pl.DataFrame, volts: Readings) -> dict[str, Reals]:
    """MEASURED but for ``amps`` of commands on one rail, NaN where its readings cannot support one.

    ``tasks`` are its :func:`rail_windows <remanence.analytics.pairing.windows.rail_windows>`,
    ``volts`` its readings from a minute before the first command on.
    """
    found = {name: np.full(tasks.height, np.nan) for name in MEASURED[:-1]}
    w = _windows(tasks)
    if volts.time.size:
        width = np.searchsorted(volts.time, w.last + REACH_US, "right") \
            - np.searchsorted(volts.time, w.start)
        order = np.argsort(width, kind="stable")
        while order.size:
            # Windows of about one length together: their readings are rows of one matrix.
            rows = order[:np.searchsorted(
                np.arange(1, order.size + 1) * np.maximum(width[order], 1), CELLS, "right") or 1]
            order = order[rows.size:]
            for name, figures in _figures(w[rows], volts).items():
                found[name][rows] = figures
    elif tasks.height and tasks["rail_logged"][0]:
        found["volts_samples"][:] = 0
    return found


def settled_amps(tasks: pl.DataFrame, cut_ms: Reals, amps: Mapping[str, Readings]) -> Reals:
    """Settled coil currents: the last 60 % of a latch's pulse, or a magnet's 2 s before the cut.

    ``cut_ms``: when a latch cut its own coil; ``amps``: the current by command channel.
    """
    w = _windows(tasks)
    cut = np.where(np.isnan(cut_ms), NEVER, w.start + np.nan_to_num(cut_ms * 1000).astype(np.int64))
    stop = np.where(w.pulsed, np.minimum(w.last, cut), w.start)
    begin = np.where(w.pulsed, _last_part(w.start, stop), w.start - BEFORE_US)
    found = np.full(stop.size, np.nan)
    for channel in amps.keys() & set(tasks["command"]):
        rows = np.flatnonzero((tasks["command"] == channel).to_numpy())
        found[rows] = _medians(amps[channel], begin[rows], stop[rows])
    return found


def _windows(tasks: pl.DataFrame) -> Windows:
    """A record for each command, so that some of them are taken at once."""
    told = tasks.select("start", "end", "last", "quiet_from", "clear", "pulsed", "self_cut")
    return told.to_numpy(structured=True).view(np.recarray)


def _figures(w: Windows, rail: Readings) -> dict[str, Reals]:
    """MEASURED of some commands on one rail, but for ``amps``.

    A row of a matrix is a command, a column the nth reading from its start on.
    """
    start, last, clear, pulsed = w.start, w.last, w.clear, w.pulsed
    t, v = _read(rail, start, last + REACH_US + 1)
    during = t <= last[:, None]
    samples = during.sum(axis=1)
    spacing = _median(np.where(during[:, 1:], np.diff(t, axis=1), np.nan)) / 1000.0
    before, noise = _rest(w, rail)

    # Loaded readings are looked for while the command lasts and no neighbour switches.
    # (A reading stamped at the command itself was taken before the current could rise.)
    alone = (t > start[:, None]) & (t < clear[:, None])
    pulse = alone & during
    depth = before[:, None] - v
    deepest = np.fmax.reduce(np.where(pulse, depth, np.nan), axis=1)
    told = np.isfinite(deepest) & np.isfinite(noise)
    seen = deepest >= SIX_NOISE * np.maximum(noise, NOISE_FLOOR)
    deep = np.where(seen & pulsed, deepest, np.nan)[:, None]
    alone &= t < (last + REACH_US)[:, None]
    loaded, back = alone & (depth > LOADED * deep), alone & (depth < BACK * deep)
    place = np.arange(t.shape[1])
    first = _first(loaded & pulse)
    sagged = first >= 0
    over = _first(back & (place > first[:, None]) & sagged[:, None])
    final = _last(loaded & (place < np.where(over >= 0, over, place.size)[:, None]))
    over_time = np.where(over >= 0, _at(t, over), NEVER)
    final_time = np.where(final >= 0, _at(t, final), -NEVER)

    # The plateau: without a visible sag the same share of the pulse; of a magnet what follows.
    quiet_end = np.minimum(last, np.maximum(clear, start))
    # Up to the last reading in it, not to its end: of few readings the last 60 % of the time hold
    # none, and where a coil stays on there are loaded ones after it.
    within = _last(loaded & pulse & (place <= final[:, None]))
    loaded_end = np.where(within >= 0, _at(t, within), -NEVER)
    settled = np.where(
        sagged, _last_part(_at(t, first), loaded_end), _last_part(start, quiet_end))
    coarse = ~(spacing <= RISE_US / 1000)
    settled = np.where(coarse & ~w.self_cut, np.maximum(settled, start + RISE_US), settled)
    plateau = (t >= settled[:, None]) & np.where(sagged[:, None], t <= loaded_end[:, None], pulse)
    after = (t > (start + AFTER_CUT_US)[:, None]) & (t < np.minimum(last, clear)[:, None])
    level = _median(np.where(np.where(pulsed[:, None], plateau, after), v, np.nan))
    sag = np.where(pulsed, before - level, level - before)
    sag[pulsed & w.self_cut & ~sagged] = np.nan
    late = pulse & (t >= _last_part(start, last)[:, None])
    end_sag = before - _median(np.where(late, v, np.nan))

    # Its end: the lock's own cut where it comes while the command lasts.
    gap = np.where(over >= 0, over_time - final_time, NEVER)
    resolved = sagged & (gap <= COARSEST_US)
    cut = resolved & (over_time + gap < last)
    whole = w.end <= last
    held = sagged & ~cut & whole & (clear > last) & (last - final_time <= COARSEST_US)
    turns = np.where(sagged, _turns(loaded & pulse, back & pulse), 0.0)
    lasted = (over_time - start) / 1000.0
    off = np.where(pulsed, np.where(cut, final_time, last), start)
    switched = pulsed & (whole | cut) & (clear > off)
    spike = np.where(switched | ~pulsed, _spike(rail, off, clear), np.nan)
    recovery, outlasts = _afterwards(w, rail, t, v, before, sag, noise, off)
    usable = switched & sagged
    return {
        "volts_before": before, "volts_min": np.fmin.reduce(np.where(during, v, np.nan), axis=1),
        "sag_volts": sag, "off_spike_volts": spike - before, "volts_noise": noise,
        "volts_samples": samples, "sample_ms": spacing,
        "end_sag_volts": np.where(pulsed & (clear > last), end_sag, np.nan),
        "sag_ms": np.where(resolved, lasted, np.nan), "cut_ms": np.where(cut, lasted, np.nan),
        "cut_gap_ms": np.where(cut, gap / 1000.0, np.nan),
        "held": np.where(told & pulsed, held, np.nan),
        "sag_pulses": np.where(pulsed & (spacing <= FINE_US / 1000) & (sagged | told & ~seen),
                               turns, np.nan),
        "recovery_ms": np.where(usable, recovery, np.nan),
        "sag_outlasts_ms": np.where(usable & (clear > last), outlasts, np.nan),
    }


def _rest(w: Windows, rail: Readings) -> tuple[Reals, Reals]:
    """The level at rest and its noise: from before the command, or else from after the pulse."""
    since = np.maximum(w.start - BEFORE_US, w.quiet_from + BLUR_US)
    before = _medians(rail, np.minimum(since, w.start), w.start)
    noise = _noise(rail, w.start - NOISE_US, w.start)
    read = np.searchsorted(rail.time, w.start) > np.searchsorted(rail.time, w.start - BEFORE_US)
    lone = w.pulsed & (w.last == w.end) & ~read
    if lone.any():
        begin, stop = w.last + RISE_US + 1, np.minimum(w.last + REACH_US, w.clear)
        before = np.where(lone, _medians(rail, begin, stop), before)
        noise = np.where(lone & np.isnan(noise), _noise(rail, begin, stop), noise)
    untold = np.flatnonzero(np.isnan(noise))
    if untold.size:
        # A logger that reads the rail around each command only: its steps at either end of the
        # load are among the largest fifth.
        one = w[untold]
        noise[untold] = _noise(
            rail, one.start - BEFORE_US, np.minimum(one.last + REACH_US, one.clear))
    return before, noise


def _noise(rail: Readings, begin: Ints, stop: Ints) -> Reals:
    """Robust standard deviation from neighbouring differences; NaN below six of them.

    A mean and not a median, as readings come in steps of 4 to 15 mV and a median of their
    differences can only be a whole number of them.
    """
    high = np.searchsorted(rail.time, stop)
    low = np.maximum(np.searchsorted(rail.time, begin), high - NOISE_SAMPLES)
    steps = np.abs(np.diff(_cells(rail.value, low, high, np.nan, NOISE_SAMPLES), axis=1))
    steps.sort(axis=1)
    count = np.maximum(high - low - 1, 0)
    kept = np.maximum(count * KEPT_FIFTHS // 5, 1)
    inside = np.arange(steps.shape[1]) < kept[:, None]
    mean = np.where(inside, steps, 0.0).sum(axis=1) / kept
    return np.where(count >= FEWEST_OF_NOISE, mean / TRIMMED_NORMAL / np.sqrt(2.0), np.nan)


def _spike(rail: Readings, off: Ints, clear: Ints) -> Reals:
    """Highest in the 20 ms from ``off`` on; NaN unless sampled finely there."""
    t, v = _read(rail, off, off + SPIKE_US + 1)
    there = t < NEVER
    gap = np.where(there[:, 1:], np.diff(t, axis=1), 0).max(axis=1)
    fine = (there.sum(axis=1) >= FEWEST_OF_SPIKE) & (gap <= SPIKE_GAP_US) & (
        t[:, 0] - off <= SPIKE_GAP_US) & ((clear > off + SPIKE_US) | (clear < off))
    return np.where(fine, np.fmax.reduce(v, axis=1), np.nan)


def _turns(loaded: Flags, back: Flags) -> Ints:
    """How often the readings of each row turned to loaded, those that are neither left out."""
    row, place = np.nonzero(loaded | back)
    state = loaded[row, place]
    turned = state.copy()
    turned[1:] &= ~(state[:-1] & (row[1:] == row[:-1]))
    return np.bincount(row[turned], minlength=loaded.shape[0])


def _afterwards(
    w: Windows, rail: Readings, t: Ints, v: Reals, before: Reals, sag: Reals, noise: Reals,
    off: Ints,
) -> tuple[Reals, Reals]:
    """What follows the switch-off at ``off``: recovery, and a load that outlasts the command.

    In milliseconds.
    """
    level = before - np.maximum(
        RECOVERED * sag, RECOVERED_NOISES * np.maximum(noise, NOISE_FLOOR))
    until = np.minimum(off + REACH_US, w.clear)
    recovered = _first((t > off[:, None]) & (t < until[:, None]) & (v >= level[:, None]))
    when = _at(t, recovered)
    earlier = np.maximum(np.searchsorted(rail.time, when) - 1, 0)
    spaced = when - rail.time[earlier] <= COARSEST_US
    recovery = np.where((recovered >= 0) & spaced, (when - off) / 1000.0, np.nan)

    # Still loaded after the command ended? Only where it was loaded at all.
    past = (t > w.last[:, None]) & (t < np.minimum(w.last + REACH_US, w.clear)[:, None])
    returned = _first(past & (v > (before - LOADED * sag)[:, None]))
    end = np.where(returned >= 0, returned, _last(past))
    outlasts = np.where(returned == _first(past), 0, _at(t, end) - w.last) / 1000.0
    return recovery, np.where(past.any(axis=1) & np.isfinite(sag), outlasts, np.nan)


def _last_part(start: Ints, stop: Ints) -> Ints:
    """Where the last 60 % of each stretch of time begin."""
    return start + ((stop - start) * UNSETTLED).astype(np.int64)


def _read(rail: Readings, begin: Ints, stop: Ints) -> tuple[Ints, Reals]:
    """Times and values of the readings from each ``begin`` up to each ``stop``: rows of cells."""
    low, high = np.searchsorted(rail.time, begin), np.searchsorted(rail.time, stop)
    return _cells(rail.time, low, high, NEVER), _cells(rail.value, low, high, np.nan)


def _cells(
    values: NDArray[Any], low: Ints, high: Ints, pad: float, width: int = 2
) -> NDArray[Any]:
    """Rows of ``values[low:high]``, padded to the longest (or ``width``)."""
    place = low[:, None] + np.arange(max(int((high - low).max()), width))
    if not values.size:
        return np.full(place.shape, pad)
    cells = values.take(place, mode="clip")
    np.copyto(cells, pad, where=place >= high[:, None])
    return cells


def _median(cells: Reals) -> Reals:
    """The median of each row, NaN left out."""
    count = np.isfinite(cells).sum(axis=1)
    cells.sort(axis=1)
    low, high = (np.take_along_axis(cells, np.maximum(place, 0)[:, None], axis=1)[:, 0]
                 for place in ((count - 1) // 2, count // 2))
    found: Reals = np.where(count, low + (high - low) * 0.5, np.nan)
    return found


def _medians(rail: Readings, begin: Ints, stop: Ints) -> Reals:
    """The median of the readings from each ``begin`` up to each ``stop``."""
    low, high = np.searchsorted(rail.time, begin), np.searchsorted(rail.time, stop)
    return _median(_cells(rail.value, low, high, np.nan))


def _first(flags: Flags) -> Ints:
    """The first flagged column of each row, or -1."""
    place = flags.argmax(axis=1)
    return np.where(flags[np.arange(place.size), place], place, -1)


def _last(flags: Flags) -> Ints:
    """The last one."""
    place = _first(flags[:, ::-1])
    return np.where(place >= 0, flags.shape[1] - 1 - place, -1)


def _at(cells: Ints, place: Ints) -> Ints:
    """One cell of each row; any where ``place`` is -1."""
    return cells[np.arange(place.size), np.maximum(place, 0)]
