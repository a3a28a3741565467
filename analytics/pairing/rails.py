"""What the supply shows of each command: sag, its end, recovery, switch-off spike.

A latch loads its rail from the command on; a magnet unloads it at the command.
Levels are medians of readings in which no other coil on the rail was switched, so
a neighbour's command makes a figure null rather than wrong. All figures hold for
readings at any rate, regular or not.

Definitions (c command edge, e its end, a and b the last other command edge on the
rail before c and the first at or after c):

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
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields

import numpy as np
import polars as pl

from remanence.analytics.pairing.readings import Records
from remanence.analytics.pairing.stretches import (
    first_true,
    first_where,
    flatten,
    last_true,
    medians,
    reduced,
    trimmed_means,
)
from remanence.analytics.statistics.arrays import Flags, Ints, Reals

C = pl.col
NEVER = 1 << 61
EARLY = -NEVER

BEFORE_US = 2_000_000
"""How far back volts_before looks: long enough for a median, short enough for a slow drift."""
NOISE_US = 60_000_000
"""How far back volts_noise looks."""
NOISE_SAMPLES = 64
"""Only the last so many of these readings are asked: their scatter is known to a tenth, and what a
logger at a high rate says more of is the same."""
FEWEST_OF_NOISE = 6
"""Differences below which no noise is told: of five, the trimmed mean would rest on four."""
LONGEST_US = 60_000_000
"""Of a longer pulse only this much is looked at."""
REACH_US = 2_000_000
"""How far the rail is looked at after a pulse's end, or after a magnet's cut."""
BLUR_US = 200_000
"""How long a neighbour's switching may still move the rail: a magnet's current rising."""
SELF_CUT_BLUR_US = 1_000_000
"""How long a neighbour that cuts its own coil may still be about to do so."""
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
TRIMMED_NORMAL = 0.5586
"""Mean of the smallest four fifths of |Z|, Z standard normal: the integral of 2 z phi(z) from 0
to 1.2816 (its 90 % point), over 0.8."""
LOADED, BACK = 0.5, 0.35
"""Deeper than the first share of the deepest is loaded, less deep than the second has come back:
half way, and apart, so that noise at the half does not turn the state to and fro."""
UNSETTLED = 0.4
"""First part of a loaded stretch that its level is not taken from: the current still rises."""
RECOVERED, RECOVERED_NOISES = 0.1, 2.0
"""A rail has recovered within this share of the sag, or so many times its noise, of the level
before: the 90 % point of a rise, common practice."""
SOON = 16
"""Readings after a command within which its sag has mostly ended."""

TASK = ("lock", "start", "end", "done_at", "rail", "rail_logged", "command", "pulsed", "self_cut")

MEASURED = (
    "volts_before", "volts_min", "sag_volts", "end_sag_volts", "off_spike_volts", "sag_ms",
    "sag_pulses", "sag_outlasts_ms", "volts_noise", "volts_samples", "sample_ms", "recovery_ms",
    "cut_ms", "cut_gap_ms", "held", "amps",
)
"""Figures by the names of ACTUATIONS; ``cut_gap_ms``, from the last loaded reading to the one that
shows the lock's own cut; ``held``, 1 where the coil was seen loaded up to its command's end."""


@dataclass(frozen=True)
class Windows:
    """Commands on one rail, in the order of their start, and what else was switched there."""

    start: Ints
    end: Ints
    """NEVER while it lasts."""
    pulsed: Flags
    self_cut: Flags
    quiet_from: Ints
    """Last command edge of another lock on the rail before start; EARLY if none."""
    clear: Ints
    """First one at or after start, NEVER if none; start itself where a neighbour that cuts its own
    coil may have been about to do so."""

    @classmethod
    def of(cls, tasks: pl.DataFrame, edges: pl.DataFrame) -> Windows:
        """Of some commands (by start) and the command edges of all locks on the rail (by time)."""
        lock, start = tasks["lock"].to_physical().to_numpy(), tasks["start"].to_numpy()
        whose, time = edges["lock"].to_physical().to_numpy(), edges["time"].to_numpy()
        quiet_from, clear = np.full(start.size, EARLY), np.full(start.size, NEVER)
        place = np.searchsorted(time, start, "left")
        if time.size:
            # The nearest edge may be the lock's own: then that before, or after, its own row.
            index = np.arange(time.size)
            turns = whose[1:] != whose[:-1]
            head = np.maximum.accumulate(np.where(np.append(True, turns), index, 0))
            tail = np.minimum.accumulate(
                np.where(np.append(turns, True), index, time.size)[::-1])[::-1]
            near = np.maximum(place - 1, 0)
            earlier = np.where(whose[near] == lock, head[near] - 1, place - 1)
            earlier = np.where(place > 0, earlier, -1)
            quiet_from = np.where(earlier >= 0, time[np.maximum(earlier, 0)], EARLY)
            near = np.minimum(place, time.size - 1)
            after = np.where(whose[near] == lock, tail[near] + 1, place)
            after = np.where(place < time.size, after, time.size)
            clear = np.where(after < time.size, time[np.minimum(after, time.size - 1)], NEVER)
        cutting = edges.filter("self_cut", "pulsed").sort(
            "lock", "time", maintain_order=True).select(
            "on", "time", end=pl.when(C.lock == C.lock.shift(-1)).then(C.time.shift(-1)))
        cutting = cutting.filter("on").select(
            "time", end=pl.min_horizontal("end", C.time + SELF_CUT_BLUR_US))
        begun = np.searchsorted(cutting["time"].sort().to_numpy(), start, "left")
        over = np.searchsorted(cutting["end"].sort().to_numpy(), start, "right")
        # (The row's own earlier pulse has ended by its start, so it is never counted.)
        return cls(start, tasks["end"].fill_null(NEVER).to_numpy(), tasks["pulsed"].to_numpy(),
                   tasks["self_cut"].to_numpy(), quiet_from,
                   np.where(begun > over, start, clear))

    def take(self, rows: Ints) -> Windows:
        """Some of them."""
        return Windows(*(getattr(self, item.name)[rows] for item in fields(self)))

    @property
    def last(self) -> Ints:
        """Up to when the readings are those of the command."""
        longest = np.where(self.pulsed, LONGEST_US, REACH_US)
        return np.minimum(self.end, self.start + longest)


def rail_figures(
    tasks: pl.DataFrame, edges: pl.DataFrame, volts: Sequence[Records],
    amps: Mapping[str, Sequence[Records]],
) -> pl.DataFrame:
    """Read a rail, and the coils' currents, around some commands.

    Parameters
    ----------
    tasks : polars.DataFrame
        Commands on the rail by ``start``, out of
        :func:`remanence.analytics.pairing.commands.pulses`: TASK, times as stamped.
    edges : polars.DataFrame
        ``lock``, ``time``, ``on``, ``pulsed`` and ``self_cut`` of the command edges of all locks
        on the rail around them, by time as stamped.
    volts : sequence of Records
        Its readings, each once, from a minute before the first command on, in parts one after the
        other.
    amps : mapping of str to sequence of Records
        By command channel: coil currents likewise.

    Returns
    -------
    polars.DataFrame
        ``lock``, ``start`` and MEASURED; null where the readings cannot support a figure.
    """
    windows = Windows.of(tasks, edges)
    figures = _figures(windows, _near(tasks, volts))
    if tasks["rail_logged"][0]:
        figures["volts_samples"] = np.nan_to_num(figures["volts_samples"])
    figures["amps"] = _amps(tasks, windows, figures["cut_ms"], amps)
    return tasks.select("lock", "start").hstack(
        pl.DataFrame(figures, nan_to_null=True).select(MEASURED))


def _near(tasks: pl.DataFrame, parts: Sequence[Records]) -> Records:
    """The readings that the figures of some commands may rest on; the others are never looked at.

    A stretch that a figure is taken from lies within its command's window, so what lies outside all
    windows can be left out.
    """
    begin, stop = tasks["start"].to_numpy() - NOISE_US, tasks["done_at"].to_numpy()
    stop = np.maximum.accumulate(stop)
    apart = np.append(True, begin[1:] > stop[:-1])
    begin, stop = begin[apart], stop[np.append(apart[1:], True)]
    times, values = [], []
    for part in parts:
        low = np.searchsorted(part.time, begin, "left")
        high = np.searchsorted(part.time, stop, "right")
        for at, until in zip(low.tolist(), high.tolist(), strict=True):
            times.append(part.time[at:until])
            values.append(part.value[at:until])
    return Records(np.concatenate(times), np.concatenate(values), np.zeros(1, np.int64)) \
        if times else Records.none()


def _amps(
    tasks: pl.DataFrame, windows: Windows, cut_ms: Reals, amps: Mapping[str, Sequence[Records]]
) -> Reals:
    """Settled coil current: the last 60 % of a latch's pulse, or a magnet's 2 s before the cut."""
    found = np.full(tasks.height, np.nan)
    for channel in tasks["command"].unique().to_list():
        if channel in amps:
            rows = np.flatnonzero((tasks["command"] == channel).to_numpy())
            readings = _near(tasks[rows], amps[channel])
            some = windows.take(rows)
            cut = np.where(np.isnan(cut_ms[rows]), NEVER,
                           some.start + np.nan_to_num(cut_ms[rows] * 1000).astype(np.int64))
            stop = np.where(some.pulsed, np.minimum(some.last, cut), some.start)
            begin = np.where(some.pulsed, _last_part(some.start, stop), some.start - BEFORE_US)
            low = np.searchsorted(readings.time, begin, "left")
            high = np.searchsorted(readings.time, stop, "left")
            found[rows] = medians(readings.value, low, np.maximum(high, low))
    return found


def _last_part(start: Ints, stop: Ints) -> Ints:
    """Where the last 60 % of each stretch of time begin."""
    return start + ((stop - start) * UNSETTLED).astype(np.int64)


def _figures(w: Windows, rail: Records) -> dict[str, Reals]:
    """MEASURED of commands on one rail, but for ``amps``; NaN for null."""
    found = {name: np.full(w.start.size, np.nan) for name in MEASURED}
    if not rail.time.size:
        return found
    time, volts = rail.time, rail.value
    gaps = np.diff(time).astype(np.float64)
    at_start, stop = np.searchsorted(time, w.start), np.searchsorted(time, w.last, "right")
    quiet = np.searchsorted(time, np.maximum(w.start - BEFORE_US, w.quiet_from + BLUR_US))
    found["volts_before"] = medians(volts, np.minimum(quiet, at_start), at_start)
    found["volts_noise"] = _noise(volts, np.searchsorted(time, w.start - NOISE_US), at_start)
    _rest_after(found, w, rail, at_start)
    found["volts_min"] = reduced(np.minimum, volts, at_start, stop)
    found["volts_samples"] = np.maximum(stop - at_start, 0).astype(np.float64)
    found["sample_ms"] = medians(gaps, at_start, stop - 1) / 1000.0
    for rows, look in ((np.flatnonzero(~w.pulsed), _magnets), (np.flatnonzero(w.pulsed), _latches)):
        if rows.size:
            known = {name: column[rows] for name, column in found.items()}
            for name, column in look(w.take(rows), rail, gaps, known).items():
                found[name][rows] = column
    return found


def _rest_after(found: dict[str, Reals], w: Windows, rail: Records, at_start: Ints) -> None:
    """The level at rest, and its noise, from after the pulse, where it was not read before it."""
    lone = w.pulsed & (w.last == w.end) & (
        np.searchsorted(rail.time, w.start - BEFORE_US) == at_start)
    if not lone.any():
        return
    low = np.searchsorted(rail.time, w.last + RISE_US, "right")
    high = np.searchsorted(rail.time, np.minimum(w.last + REACH_US, w.clear), "left")
    high = np.where(lone, np.maximum(high, low), low)
    found["volts_before"] = np.where(lone, medians(rail.value, low, high), found["volts_before"])
    quiet = lone & np.isnan(found["volts_noise"])
    found["volts_noise"] = np.where(quiet, _noise(rail.value, low, high), found["volts_noise"])


def _noise(volts: Reals, low: Ints, high: Ints) -> Reals:
    """Robust standard deviation from neighbouring differences; NaN below six of them.

    A mean and not a median, as readings come in steps of 4 to 15 mV and a median of their
    differences can only be a whole number of them.
    """
    low = np.maximum(low, high - NOISE_SAMPLES)
    noise = trimmed_means(np.abs(np.diff(volts)), low, high - 1) / TRIMMED_NORMAL / np.sqrt(2.0)
    return np.where(high - 1 - low >= FEWEST_OF_NOISE, noise, np.nan)


def _magnets(w: Windows, rail: Records, gaps: Reals, known: dict[str, Reals]) -> dict[str, Reals]:
    """The unloaded level after the cut, and the over-voltage there."""
    low = np.searchsorted(rail.time, w.start + AFTER_CUT_US, "right")
    high = np.searchsorted(rail.time, np.minimum(w.last, w.clear), "left")
    before = known["volts_before"]
    return {"sag_volts": medians(rail.value, low, np.maximum(high, low)) - before,
            "off_spike_volts": _spike(rail, gaps, w.start, w.clear) - before}


def _spike(rail: Records, gaps: Reals, off: Ints, clear: Ints) -> Reals:
    """Highest in the 20 ms from ``off`` on; NaN unless sampled finely there."""
    low = np.searchsorted(rail.time, off, "left")
    high = np.searchsorted(rail.time, off + SPIKE_US, "right")
    first = np.append(rail.time, NEVER)[low] - off
    fine = (high - low >= FEWEST_OF_SPIKE) & (first <= SPIKE_GAP_US) & (
        reduced(np.maximum, gaps, low, high - 1) <= SPIKE_GAP_US)
    fine &= (clear > off + SPIKE_US) | (clear < off)
    return np.where(fine, reduced(np.maximum, rail.value, low, high), np.nan)


def _latches(w: Windows, rail: Records, gaps: Reals, known: dict[str, Reals]) -> dict[str, Reals]:
    """The sag, its end, and what follows."""
    time, volts, last, clear = rail.time, rail.value, w.last, w.clear
    before, noise, spacing = (known[k] for k in ("volts_before", "volts_noise", "sample_ms"))
    coarse = ~(spacing <= RISE_US / 1000)
    # Loaded readings are looked for while the command lasts and no neighbour switches.
    # (A reading stamped at the command itself was taken before the current could rise.)
    low = np.searchsorted(time, w.start, "right")
    high = np.where(clear <= last, np.searchsorted(time, clear, "left"),
                    np.searchsorted(time, last, "right"))
    high = np.maximum(high, low)
    deepest = before - reduced(np.minimum, volts, low, high)
    seen = deepest >= SIX_NOISE * np.maximum(noise, NOISE_FLOOR)
    told = np.isfinite(deepest) & np.isfinite(noise)
    sags = _Sags.of(w, rail, before, np.where(seen, deepest, np.nan), low, high)

    # The plateau: without a visible sag the same share of the pulse.
    sagged = sags.first >= 0
    first_time = sags.time(time, sags.first)
    final_time = np.minimum(sags.time(time, sags.final), last)
    quiet_end = np.minimum(last, np.maximum(clear, w.start))
    settled = np.where(sagged, _last_part(first_time, final_time), _last_part(w.start, quiet_end))
    settled = np.where(coarse & ~w.self_cut, np.maximum(settled, w.start + RISE_US), settled)
    plateau = np.searchsorted(time, settled, "left")
    plateau_end = np.where(sagged, np.searchsorted(time, final_time, "right"), high)
    sag = before - medians(volts, plateau, np.maximum(plateau_end, plateau))
    sag[w.self_cut & ~sagged] = np.nan
    late = np.searchsorted(time, _last_part(w.start, last), "left")
    end_sag = before - medians(volts, late, np.maximum(high, late))

    # Its end: the lock's own cut where it comes while the command lasts.
    over_time = np.where(sags.over >= 0, sags.time(time, sags.over), NEVER)
    last_loaded = np.where(sags.final >= 0, sags.time(time, sags.final), EARLY)
    gap = np.where(sags.over >= 0, over_time - last_loaded, NEVER)
    resolved = sagged & (gap <= COARSEST_US)
    cut = resolved & (over_time + gap < last) & (sags.over < high)
    whole = w.end <= w.start + LONGEST_US
    held = sagged & ~cut & whole & (clear > last) & (last - last_loaded <= COARSEST_US)
    pulses = np.where(sagged, sags.turns, np.where(told & ~seen, 0.0, np.nan))
    lasted = (over_time - w.start) / 1000.0
    found = {
        "sag_volts": sag, "end_sag_volts": np.where(clear > last, end_sag, np.nan),
        "sag_ms": np.where(resolved, lasted, np.nan), "cut_ms": np.where(cut, lasted, np.nan),
        "cut_gap_ms": np.where(cut, gap / 1000.0, np.nan),
        "held": np.where(told, held.astype(np.float64), np.nan),
        "sag_pulses": np.where(spacing <= FINE_US / 1000, pulses, np.nan),
    }
    off = np.where(cut, last_loaded, last)
    switched = (whole | cut) & (clear > off)
    spike = _spike(rail, gaps, off, clear) - before
    return found | {"off_spike_volts": np.where(switched, spike, np.nan)} | _afterwards(
        w, rail, before, sag, noise, off, switched & sagged)


@dataclass(frozen=True)
class _Sags:
    """Where the sags of some commands begin and end, as places among the readings; -1 for none."""

    first: Ints
    """The first loaded reading while the command lasts."""
    over: Ints
    """The first after it that has come back."""
    final: Ints
    """The last loaded one before that."""
    turns: Reals
    """How often the readings turned to loaded while the command lasted."""

    @classmethod
    def of(
        cls, w: Windows, rail: Records, before: Reals, deepest: Reals, low: Ints, high: Ints
    ) -> _Sags:
        """Look from ``low`` to 2 s past the command's end, up to a neighbour's switching.

        Loaded is what lies deeper than half of ``deepest``, come back what lies less deep than
        35 % of it; where ``deepest`` is NaN nothing is.
        """
        after = np.minimum(w.last + REACH_US, np.maximum(w.clear, w.start))
        reach = np.maximum(np.searchsorted(rail.time, after, "left"), low)
        # Mostly the sag ends with the command: only where it does not is it looked for further on.
        found = cls._within(rail.value, before, deepest, low, high, np.minimum(reach, high + SOON))
        on = np.flatnonzero((found.first >= 0) & (found.over < 0) & (reach > high + SOON))
        if on.size:
            further = cls._within(
                rail.value, before[on], deepest[on], low[on], high[on], reach[on])
            found.over[on], found.final[on] = further.over, further.final
        return found

    @classmethod
    def _within(
        cls, volts: Reals, before: Reals, deepest: Reals, low: Ints, high: Ints, reach: Ints
    ) -> _Sags:
        size = low.size
        index, owner = flatten(low, reach)
        depth = before[owner] - volts[index]
        loaded, back = depth > (LOADED * deepest)[owner], depth < (BACK * deepest)[owner]
        inside = index < high[owner]
        first = first_true(loaded & inside, index, owner, size)
        begun = np.where(first >= 0, first, volts.size)
        over = first_true(back & (index > begun[owner]), index, owner, size)
        bound = np.where(over >= 0, over, np.maximum(reach, 1))
        final = last_true(loaded & (index < bound[owner]), index, owner, size)
        told = np.flatnonzero((loaded | back) & inside)
        state, whose = loaded[told], owner[told]
        turned = state.copy()
        turned[1:] &= ~(state[:-1] & (whose[1:] == whose[:-1]))
        turns = np.bincount(whose[turned], minlength=size).astype(np.float64)
        return cls(first, over, final, turns)

    @staticmethod
    def time(times: Ints, place: Ints) -> Ints:
        """When that was; anything where it was not."""
        return times[np.maximum(place, 0)]


def _afterwards(
    w: Windows, rail: Records, before: Reals, sag: Reals, noise: Reals, off: Ints, usable: Flags
) -> dict[str, Reals]:
    """What follows the switch-off at ``off``: recovery, and a load that outlasts the command."""
    time, volts = rail.time, rail.value
    level = before - np.maximum(
        RECOVERED * sag, RECOVERED_NOISES * np.maximum(noise, NOISE_FLOOR))
    low = np.searchsorted(time, off, "right")
    high = np.maximum(np.searchsorted(time, np.minimum(off + REACH_US, w.clear), "left"), low)
    recovered = first_where(lambda at, of: volts[at] >= level[of], low, high)
    when = time[np.maximum(recovered, 0)]
    spaced = when - time[np.maximum(recovered - 1, 0)] <= COARSEST_US
    recovery = np.where(usable & (recovered >= 0) & spaced, (when - off) / 1000.0, np.nan)

    # Still loaded after the command ended? Only where it was loaded at all.
    half = before - LOADED * sag
    low = np.searchsorted(time, w.last, "right")
    high = np.maximum(np.searchsorted(time, np.minimum(w.last + REACH_US, w.clear), "left"), low)
    returned = first_where(lambda at, of: volts[at] > half[of], low, high)
    end = np.where(returned >= 0, returned, np.maximum(high - 1, 0))
    outlasts = np.where(returned == low, 0, time[end] - w.last)
    some = usable & (high > low) & (w.clear > w.last) & np.isfinite(sag)
    return {"recovery_ms": recovery, "sag_outlasts_ms": np.where(some, outlasts / 1000.0, np.nan)}
