"""From actuations to one number a day: each lock's latency, made comparable between days.

What is taken out here is what is known of single releases: the middle of the
polling interval, the first release after a long rest, single stragglers. What
acts on whole days (rail volts, warmth, the season) is handed on as a covariate,
so that the test of a change can carry its uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from remanence.analytics.history import day_ordinals
from remanence.analytics.statistics.arrays import Reals
from remanence.analytics.statistics.intervals import robust_deviation
from remanence.shared.venue import Lock

LEAST_DAILY_SCATTER = 0.03
"""No lock's releases scatter by less than this share (common practice: 3 to 12 %)."""

_HARMONICS = np.arange(1, 21)


def rounding_error(scatter: float) -> float:
    """The most that a mean of values rounded up to whole polls is off, beside half a poll.

    Parameters
    ----------
    scatter : float
        Standard deviation of the values before rounding, in polls; 0 or more.

    Returns
    -------
    float
        In polls: half a poll without any scatter, soon nothing with it.

    Notes
    -----
    The error is a saw tooth over the place between two polls, which normal scatter smooths:
    its k-th harmonic by exp(-2 (pi k scatter)^2) (characteristic function of the normal
    distribution; B. Widrow and I. Kollar, Quantization Noise, 2008, chapter 5).
    """
    if scatter <= 0.0:
        return 0.5
    height = np.exp(-2.0 * (np.pi * _HARMONICS * scatter) ** 2) / (np.pi * _HARMONICS)
    place = np.linspace(0.0, 0.5, 101)
    return float(min((height * np.sin(2 * np.pi * np.outer(place, _HARMONICS))).sum(1).max(), 0.5))


def least_change_ms(reference_ms: float, resolution_ms: float, beyond_ms: float) -> float:
    """Change of a mean that no place between two polls can feign, and ``beyond_ms`` more. [ms]

    A change of a whole poll is one in any case.
    """
    off = 2 * rounding_error(LEAST_DAILY_SCATTER * reference_ms / resolution_ms) * resolution_ms
    return min(off + beyond_ms, resolution_ms)


LINEAR_ABOVE = 0.25
"""Polled coarser than this share of the latency, values are averaged as they are: the mean of
polled latencies is true to half a poll, the mean of their logarithms is not."""

REST_HOURS = 6.0
"""A release after so long a rest counts as the first of the day."""

LEAST_BELOW_NOISES = 2.0
"""The least of some twenty readings lies about this many deviations below their level."""

HEAT_MEMORY_S = 540.0
"""Slow thermal time constant of a small latch, calculated from a two-mass model."""

HEAT_KELVIN_PER_S = 0.5
"""Warming of coil and frame together per second of pulse at rated volts, same model."""


@dataclass(frozen=True)
class LockDays:
    """One lock's releases, as they are and day by day.

    Arrays of the first group have one entry a release, of the second one a day
    with releases. ``level`` is the natural log of a day's latency against ``reference_ms``;
    ``value`` and ``centre`` are that of single releases (relative difference if ``linear``).
    """

    lock: Lock
    reference_ms: float
    linear: bool
    resolution_ms: float
    phase_tied: bool
    deviation: float
    time_s: Reals
    release_day: Reals
    latency_ms: Reals
    value: Reals
    centre: Reals
    after_rest: np.ndarray
    command_volts: Reals
    day: Reals
    level: Reals
    releases: Reals
    log_volts: Reals
    rated_log_volts: float
    volts_known: Reals
    others: Reals
    warmth_kelvin: Reals

    def as_ms(self, level: float) -> float:
        """A level back in milliseconds."""
        return self.reference_ms * float(np.exp(level))

    def as_share(self, shift: float) -> float:
        """A shift of the level as a relative change of the latency."""
        return float(np.exp(shift)) - 1.0

    def moved(self, quantile: float, before: Reals, after: Reals) -> float:
        """By what share a quantile of single releases' values has moved."""
        first, then = (float(np.quantile(part, quantile)) for part in (before, after))
        if self.linear:
            return (then - first) / max(1.0 + first, 0.2)
        return float(np.exp(then - first)) - 1.0


def rolling_median(values: Reals, half_width: int = 7) -> Reals:
    """Median of each value and so many neighbours on either side; the ends take what there is."""
    count = values.size
    if count == 0:
        return values
    window = min(2 * half_width + 1, count)
    views = np.lib.stride_tricks.sliding_window_view(values, window)
    medians = np.median(views, axis=1)
    starts = np.clip(np.arange(count) - window // 2, 0, count - window)
    out: Reals = medians[starts]
    return out


def _scatter(value: Reals, day: Reals, floor: float) -> float:
    """Scatter of single releases about their day, blind to slow change and to stragglers."""
    if value.size < 6:
        return float("nan")
    steps = np.diff(value)[np.diff(day) == 0]
    if steps.size < 8:
        steps = np.diff(value)
    robust = robust_deviation(steps) / np.sqrt(2)
    if floor > 0:
        # Polled values sit on few levels, where the median of differences may be nought.
        cap = max(4 * robust, 4 * floor)
        robust = max(robust, float(np.sqrt(np.mean(np.clip(steps, -cap, cap) ** 2) / 2)))
    return float(max(robust, floor, 1e-3))


def _phase_tied(latency: Reals, resolution: float) -> bool:
    """Whether latencies are whole multiples of the poll, so that its phase follows the command."""
    if resolution < 2.0 or latency.size < 8:
        return False
    off = np.abs(latency / resolution - np.round(latency / resolution))
    return bool(np.mean(off < 0.04) > 0.8)


def lock_days(lock: Lock, rows: pl.DataFrame, epoch_day: int) -> LockDays | None:
    """Prepare one lock's rows.

    Parameters
    ----------
    lock : Lock
        Whose.
    rows : polars.DataFrame
        Its actuations with ``day`` (:func:`remanence.analytics.history.with_weeks`), in
        order of time, and (optional) ``rail_sag_factor``, by how much more than
        before the whole rail sags. The lock's own sag is never a covariate: it
        is evidence. Only answered first attempts of the lock's own kind of
        feedback are looked at.
    epoch_day : int
        The proleptic ordinal that becomes day 0.

    Returns
    -------
    LockDays or None
        None where nothing was released.
    """
    kind = lock.latency_kind
    rows = rows.with_columns(command_volts=pl.Series(command_volts(rows), dtype=pl.Float64))
    frame = rows.filter(
        (pl.col("outcome") == "released") & (pl.col("latency_ms") > 0)
        & (pl.col("attempt").fill_null(1) == 1)
        & (pl.col("latency_from").fill_null(kind or "") == (kind or ""))
    )
    if frame.is_empty():
        return None
    time_s = frame["command_time"].dt.epoch("us").to_numpy().astype(float) / 1e6
    ordinal = (day_ordinals(frame["day"]) - epoch_day).astype(float)
    latency = frame["latency_ms"].to_numpy().astype(float)
    resolution = frame["resolution_ms"].fill_null(0.0).to_numpy().astype(float)
    # A poll's period is a controller's and lasts: one odd day must not shift that day's latencies.
    resolution = rolling_median(np.clip(resolution, 0.0, None), 60)
    middle = np.maximum(latency - resolution / 2, latency * 0.25)
    head = middle[: max(40, middle.size // 3)]
    reference = float(np.median(head))
    typical = float(np.median(resolution))
    linear = typical > LINEAR_ABOVE * reference
    value: Reals = middle / reference - 1.0 if linear else np.log(middle / reference)
    deviation = _scatter(value, ordinal, typical / reference / np.sqrt(12))
    every = rows.filter(pl.col("pulse_ms").is_not_null() | (pl.col("attempt") >= 1))
    every_s = every["command_time"].dt.epoch("us").to_numpy().astype(float) / 1e6
    rest = _rest_hours(every_s, time_s)
    after_rest = rest > REST_HOURS
    centre = rolling_median(value)
    width = 2.0 * (deviation if np.isfinite(deviation) else 0.1)
    excess = np.clip(value - centre, -width, width)
    first = 0.0
    if lock.pulsed and after_rest.any() and (~after_rest).any():
        count = int(after_rest.sum())
        difference = float(excess[after_rest].mean() - excess[~after_rest].mean())
        first = (count * difference + 10 * 0.05) / (count + 10)
        first = float(np.clip(first, -0.05, 0.6))
        value = value - first * after_rest
        centre = rolling_median(value)
        excess = np.clip(value - centre, -width, width)
    kept = centre + excess
    lattice = typical > (deviation if np.isfinite(deviation) else 0.1) * reference
    day, start, releases = np.unique(ordinal, return_index=True, return_counts=True)
    level = np.add.reduceat(kept, start) / releases - _lopsided(value, centre, excess, lattice)
    if linear:
        # Averaged as they are, then told as logarithms: what acts on a latency multiplies it.
        level = np.log(np.maximum(1.0 + level, 0.05))

    def daily(column: Reals) -> Reals:
        known = np.isfinite(column)
        total = np.add.reduceat(np.where(known, column, 0.0), start)
        number = np.add.reduceat(known.astype(float), start)
        return np.where(number > 0, total / np.maximum(number, 1), np.nan)

    before = frame["volts_before"].cast(pl.Float64).to_numpy().astype(float)
    factor = (
        frame["rail_sag_factor"].fill_null(1.0).to_numpy().astype(float)
        if "rail_sag_factor" in frame.columns else np.ones(before.size)
    )
    sag = frame["sag_volts"].cast(pl.Float64).to_numpy().astype(float) / np.maximum(factor, 0.2)
    own = _own_sag(frame, sag, before)
    loaded = before - own * factor
    ratio = np.where(before > 0.3 * lock.rated_volts, loaded / lock.rated_volts, np.nan)
    ratio = np.clip(ratio, 0.2, 2.0)
    rated = float(np.log(max(1.0 - own / lock.rated_volts, 0.2)))
    volts = daily(np.log(ratio))
    known = np.isfinite(volts)
    fill = float(np.median(volts[known])) if known.any() else rated
    others = frame["others_on"].cast(pl.Float64).to_numpy().astype(float)
    others = others - (np.nanmedian(others) if np.isfinite(others).any() else 0.0)
    warmth = _warmth(every, every_s, time_s) if lock.pulsed and not lock.self_cut else None
    return LockDays(
        lock=lock, reference_ms=reference, linear=linear, resolution_ms=typical,
        phase_tied=_phase_tied(latency, typical), deviation=deviation,
        time_s=time_s, release_day=ordinal, latency_ms=latency, value=value, centre=centre,
        after_rest=after_rest, command_volts=frame["command_volts"].to_numpy(),
        day=day.astype(float), level=level,
        releases=releases.astype(float), log_volts=np.where(known, volts, fill),
        rated_log_volts=rated, volts_known=known.astype(float),
        others=np.nan_to_num(daily(np.clip(others, -3, 3))),
        warmth_kelvin=np.zeros(day.size) if warmth is None else np.nan_to_num(daily(warmth)),
    )


def _own_sag(frame: pl.DataFrame, sag: Reals, before: Reals) -> float:
    """What the lock's own coil takes off its rail as the rail was at first. [V]

    ``sag`` has what the rail alone did taken out. A coil that cuts itself soon leaves no level
    to read; then it is the fall to the least reading, less what noise adds to that.
    """
    first = sag[: max(40, sag.size // 3)]
    for told in (first, sag):
        if np.isfinite(told).any():
            return float(np.nanmedian(told))
    least = frame["volts_min"].cast(pl.Float64).to_numpy().astype(float)
    noise = frame["volts_noise"].cast(pl.Float64).to_numpy().astype(float)
    fall = (before - least - LEAST_BELOW_NOISES * np.nan_to_num(noise))[: first.size]
    return max(float(np.nanmedian(fall)), 0.0) if np.isfinite(fall).any() else 0.0


def command_volts(rows: pl.DataFrame) -> Reals:
    """Volts that each command had to pull with: the least of its pulse, or those before it.

    Parameters
    ----------
    rows : polars.DataFrame
        Actuations.

    Returns
    -------
    array, shape (n,)
        NaN where neither is known.
    """
    out: Reals = rows.select(
        pl.coalesce(pl.col("volts_min"), pl.col("volts_before")).cast(pl.Float64)
    ).to_series().to_numpy().astype(float)
    return out


def _lopsided(value: Reals, centre: Reals, excess: Reals, lattice: bool) -> float:
    """By how much the mean of single releases lies above their median.

    Stragglers all lie on one side. Where releases sit on few polled values the median says
    less than the mean, and nothing is taken off.
    """
    if lattice or value.size < 20:
        return 0.0
    return float(excess.mean() - np.median(value - centre))


def _rest_hours(every_s: Reals, time_s: Reals) -> Reals:
    """Hours since the command before, of any outcome."""
    place = np.searchsorted(every_s, time_s, side="left")
    rest = np.full(time_s.size, 24.0)
    later = place > 0
    rest[later] = (time_s[later] - every_s[place[later] - 1]) / 3600.0
    return rest


def _warmth(every: pl.DataFrame, every_s: Reals, time_s: Reals) -> Reals:
    """Warming left over from earlier pulses at each release, kelvin; slow part only."""
    pulse_s = np.clip(every["pulse_ms"].fill_null(0.0).to_numpy().astype(float), 0, 60_000) / 1000
    left = np.zeros(every_s.size)
    warm = 0.0
    last = every_s[0] if every_s.size else 0.0
    for index in range(every_s.size):
        warm *= np.exp(-(every_s[index] - last) / HEAT_MEMORY_S)
        left[index] = warm
        warm = min(warm + HEAT_KELVIN_PER_S * pulse_s[index], 100.0)
        last = every_s[index]
    place = np.clip(np.searchsorted(every_s, time_s), 0, max(every_s.size - 1, 0))
    return left[place] if every_s.size else np.zeros(time_s.size)
