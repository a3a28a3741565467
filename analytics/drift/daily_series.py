"""From actuations to one number a day: each lock's latency, made comparable between days.

What is taken out here is what is known of single releases: the middle of the
polling interval, the first release after a long rest, single stragglers. What
acts on whole days (rail volts, warmth, the season) is handed on as a covariate,
so that the test of a change can carry its uncertainty.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import polars as pl

from remanence.analytics.drift.polls import (
    LEAST_VALUE_DEVIATION,
    offset_deviation,
    polls,
    release_variance,
)
from remanence.analytics.history import day_ordinals
from remanence.analytics.physics.clock_step import too_coarse
from remanence.analytics.statistics.arrays import Ints, Reals
from remanence.analytics.statistics.polled import polls_in_step
from remanence.shared.venue import Lock

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

HEAT_MOST_KELVIN, HEAT_LONGEST_PULSE_MS = 100.0, 60_000
"""No coil is taken to be warmer than this by earlier pulses, and none of them to be longer: beyond,
the model does not hold (assumption)."""

LEAST_RELATIVE_LEVEL = 0.2
"""Least level, against the reference, that a moved quantile is a share of (assumption)."""

CENTRE_HALF_WIDTH = 7
"""Releases on either side whose median is a release's centre: fifteen in all (assumption)."""

MOST_MEAN_VARIANCE = 0.2
"""Variance of a day's mean up to which what its logarithm is too low by is made good
(calculated to second order)."""
LEAST_MIDDLE_SHARE = 0.25
"""A latency of less than a poll is taken for this share of what is logged at least: the half poll
that is taken off must leave something (assumption)."""
HEAD_RELEASES, HEAD_PARTS = 40, 3
"""The first of a lock's releases, its reference: so many, or one part of so many (assumption)."""
DOUBTFUL_DEVIATION = 0.1
"""Scatter of releases (natural log) where too few show it (common practice: 3 to 12 %)."""
CLIPPED_DEVIATIONS = 2.0
"""Deviations from its centre beyond which a straggler counts as no more than that (Huber's kind of
mean; common practice)."""
FIRST_SLOWER, FIRST_SLOWER_WEIGHT = 0.05, 10
"""By how much the first release after a rest is slower (natural log), and how many such releases
this assumption weighs as much as."""
FIRST_BOUNDS = (-0.05, 0.6)
"""Bounds of what the first releases are found to be slower by (assumption)."""
LEAST_LINEAR_LEVEL = 0.05
"""Least daily mean, against the reference, of which a logarithm is taken."""
LEAST_SAG_FACTOR = 0.2
"""Least factor of a rail's sag that a lock's sag is divided by (assumption)."""
LEAST_BEFORE_SHARE = 0.3
"""Volts before a command, as a share of rated, below which they are no rail's (assumption)."""
VOLTS_BOUNDS = (0.2, 2.0)
"""Bounds of the loaded volts as a share of rated: a reading beyond is none (assumption)."""
MOST_OTHERS_ON = 3
"""So many more or fewer locks on the rail than usual count at most (assumption)."""
FEWEST_FOR_LOPSIDED = 20
"""Releases that show by how much their mean lies above their median (assumption)."""
UNKNOWN_REST_HOURS = 24.0
"""Rest before the first command that is known: a night and more."""


@dataclass(frozen=True)
class LockDays:
    """One lock's releases, as they are and day by day.

    Arrays of the first group have one entry a release, of the second one a day
    with releases. ``level`` is the natural log of a day's latency against ``reference_ms``;
    ``value`` and ``centre`` are that of single releases (relative difference if ``linear``).

    A day is measured as its ``regime`` says: by another poll than the days of another regime.
    ``deviation``, ``resolution_ms`` and ``phase_tied`` are those of the present regime;
    ``more_variance`` is by how much more single releases of each day scatter than now, and
    ``offset_deviation`` how far a regime's levels may be off, all alike.
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
    release_variance: Reals
    release_regime: Ints
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
    regime: Ints
    more_variance: Reals
    offset_deviation: Reals

    @property
    def noise(self) -> Reals:
        """Variance of each day's level by the scatter of its releases and by its poll."""
        least = LEAST_VALUE_DEVIATION**2
        out: Reals = np.maximum(self.deviation**2 + self.more_variance, least) / self.releases
        return out

    @property
    def offset(self) -> Reals | None:
        """Covariance of what all days of one regime may be off by; None where there is but one."""
        if not self.offset_deviation.any():
            return None
        alike = self.regime[:, None] == self.regime[None, :]
        out: Reals = np.where(alike, self.offset_deviation[:, None] ** 2, 0.0)
        return out

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
            return (then - first) / max(1.0 + first, LEAST_RELATIVE_LEVEL)
        return float(np.exp(then - first)) - 1.0


def rolling_median(values: Reals, half_width: int = CENTRE_HALF_WIDTH) -> Reals:
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


DAYS_READ = (
    "lock", "day", "command_time", "outcome", "latency_ms", "attempt", "latency_from",
    "resolution_ms", "pulse_ms", "volts_before", "volts_min", "volts_noise", "sag_volts",
    "others_on", "clock_ms",
)
"""Columns that :func:`lock_days` looks at: each small step costs by the columns it carries."""


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
    rows = rows.with_columns(pl.Series("command_volts", command_volts(rows), dtype=pl.Float64))
    frame = rows.filter(
        (pl.col("outcome") == "released") & (pl.col("latency_ms") > 0)
        & (pl.col("attempt").fill_null(1) == 1)
        & (pl.col("latency_from").fill_null(kind or "") == (kind or ""))
    )
    frame = _finely_stamped(lock, frame)
    if frame.is_empty():
        return None
    time_s = frame["command_time"].to_physical().to_numpy().astype(float) / 1e6
    ordinal = (day_ordinals(frame["day"]) - epoch_day).astype(float)
    latency = frame["latency_ms"].to_numpy().astype(float)
    regime, resolution = polls(frame["resolution_ms"].fill_null(0.0).to_numpy(), ordinal)
    middle = np.maximum(latency - resolution / 2, latency * LEAST_MIDDLE_SHARE)
    head = middle[: _head(middle.size)]
    reference = float(np.median(head))
    linear = float(resolution.max()) > LINEAR_ABOVE * reference
    if linear:  # A mean needs no positive values.
        middle = latency - resolution / 2
    value: Reals = middle / reference - 1.0 if linear else np.log(middle / reference)
    variance = release_variance(value, ordinal, regime, resolution / reference)
    deviation = float(np.sqrt(variance[-1]))
    every = rows.filter(pl.col("pulse_ms").is_not_null() | (pl.col("attempt") >= 1))
    every_s = every["command_time"].to_physical().to_numpy().astype(float) / 1e6
    rest = _rest_hours(every_s, time_s)
    after_rest = rest > REST_HOURS
    centre = by_regime(rolling_median, value, regime)
    scatter = np.where(np.isfinite(variance), np.sqrt(variance), DOUBTFUL_DEVIATION)
    width = CLIPPED_DEVIATIONS * scatter
    excess = np.clip(value - centre, -width, width)
    first = 0.0
    if lock.pulsed and after_rest.any() and (~after_rest).any():
        count = int(after_rest.sum())
        difference = float(excess[after_rest].mean() - excess[~after_rest].mean())
        first = (count * difference + FIRST_SLOWER_WEIGHT * FIRST_SLOWER) / (
            count + FIRST_SLOWER_WEIGHT)
        first = float(np.clip(first, *FIRST_BOUNDS))
        value = value - first * after_rest
        centre = by_regime(rolling_median, value, regime)
        excess = np.clip(value - centre, -width, width)
    kept = centre + excess
    for one in np.unique(regime):
        mine = regime == one
        lattice = bool(resolution[mine][0] > scatter[mine][0] * reference)
        kept[mine] -= _lopsided(value[mine], centre[mine], excess[mine], lattice)
    day, start, releases = np.unique(ordinal, return_index=True, return_counts=True)
    level = np.add.reduceat(kept, start) / releases
    if linear:
        # Averaged as they are, then told as logarithms: what acts on a latency multiplies it.
        level = np.log(np.maximum(1.0 + level, LEAST_LINEAR_LEVEL)) + np.minimum(
            scatter[start] ** 2 / releases, MOST_MEAN_VARIANCE) / 2

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
    sag = frame["sag_volts"].cast(pl.Float64).to_numpy().astype(float)
    sag = sag / np.maximum(factor, LEAST_SAG_FACTOR)
    own = _own_sag(frame, sag, before)
    loaded = before - own * factor
    credible = before > LEAST_BEFORE_SHARE * lock.rated_volts
    ratio = np.where(credible, loaded / lock.rated_volts, np.nan)
    ratio = np.clip(ratio, *VOLTS_BOUNDS)
    rated = float(np.log(max(1.0 - own / lock.rated_volts, VOLTS_BOUNDS[0])))
    volts = daily(np.log(ratio))
    known = np.isfinite(volts)
    fill = float(np.median(volts[known])) if known.any() else rated
    others = frame["others_on"].cast(pl.Float64).to_numpy().astype(float)
    others = others - (np.nanmedian(others) if np.isfinite(others).any() else 0.0)
    warmth = _warmth(every, every_s, time_s) if lock.pulsed and not lock.self_cut else None
    tied = np.zeros(latency.size, dtype=np.bool_)
    for one in np.unique(regime):
        mine = regime == one
        tied[mine] = polls_in_step(latency[mine], float(resolution[mine][0]))
    return LockDays(
        lock=lock, reference_ms=reference, linear=linear, resolution_ms=float(resolution[-1]),
        phase_tied=bool(tied[-1]), deviation=deviation,
        time_s=time_s, release_day=ordinal, latency_ms=latency, value=value, centre=centre,
        release_variance=variance, release_regime=regime, after_rest=after_rest,
        command_volts=frame["command_volts"].to_numpy(),
        day=day.astype(float), level=level,
        releases=releases.astype(float), log_volts=np.where(known, volts, fill),
        rated_log_volts=rated, volts_known=known.astype(float),
        others=np.nan_to_num(daily(np.clip(others, -MOST_OTHERS_ON, MOST_OTHERS_ON))),
        warmth_kelvin=np.zeros(day.size) if warmth is None else np.nan_to_num(daily(warmth)),
        regime=regime[start],
        more_variance=np.nan_to_num(variance[start] - variance[-1]),
        offset_deviation=offset_deviation(
            regime, resolution / reference, tied, np.nan_to_num(variance, nan=0.0))[start],
    )


def _finely_stamped(lock: Lock, frame: pl.DataFrame) -> pl.DataFrame:
    """Releases without those of days whose clock was too coarse for them, where it once was finer.

    Stamped in whole seconds a time of 0.4 s is none or a second: no level comes of it, and none of
    what it was before and will be when the clock is set right.
    """
    clock = frame["clock_ms"]
    finest = clock.min()
    if finest is None or clock.max() == finest:
        return frame
    lasts = frame.filter(clock == finest)["latency_ms" if lock.is_magnet else "pulse_ms"].median()
    coarse = [step for step in clock.unique().drop_nulls()
              if too_coarse(step, lasts, magnet=lock.is_magnet)]  # type: ignore[arg-type]
    return frame.filter(~pl.col("clock_ms").is_in(coarse).fill_null(value=False))


def by_regime(what: Callable[[Reals], Reals], value: Reals, regime: Ints) -> Reals:
    """What a function makes of the values, of each regime by itself."""
    kinds = np.unique(regime)
    if kinds.size == 1:
        return what(value)
    out = np.empty(value.size)
    for one in kinds:
        mine = regime == one
        out[mine] = what(value[mine])
    return out


def _head(count: int) -> int:
    """How many of so many releases are the first ones, which the lock is held against."""
    return max(HEAD_RELEASES, count // HEAD_PARTS)


def _own_sag(frame: pl.DataFrame, sag: Reals, before: Reals) -> float:
    """What the lock's own coil takes off its rail as the rail was at first. [V]

    ``sag`` has what the rail alone did taken out. A coil that cuts itself soon leaves no level
    to read; then it is the fall to the least reading, less what noise adds to that.
    """
    first = sag[: _head(sag.size)]
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
    if lattice or value.size < FEWEST_FOR_LOPSIDED:
        return 0.0
    return float(excess.mean() - np.median(value - centre))


def _rest_hours(every_s: Reals, time_s: Reals) -> Reals:
    """Hours since the command before, of any outcome."""
    place = np.searchsorted(every_s, time_s, side="left")
    rest = np.full(time_s.size, UNKNOWN_REST_HOURS)
    later = place > 0
    rest[later] = (time_s[later] - every_s[place[later] - 1]) / 3600.0
    return rest


def _warmth(every: pl.DataFrame, every_s: Reals, time_s: Reals) -> Reals:
    """Warming left over from earlier pulses at each release, kelvin; slow part only."""
    pulse_ms = every["pulse_ms"].fill_null(0.0).to_numpy().astype(float)
    pulse_s = np.clip(pulse_ms, 0, HEAT_LONGEST_PULSE_MS) / 1000
    left = np.zeros(every_s.size)
    warm = 0.0
    kept = np.exp(-np.diff(every_s, prepend=every_s[:1]) / HEAT_MEMORY_S)
    more = HEAT_KELVIN_PER_S * pulse_s
    for index, (share, rise) in enumerate(zip(kept.tolist(), more.tolist(), strict=True)):
        warm *= share
        left[index] = warm
        warm = min(warm + rise, HEAT_MOST_KELVIN)
    place = np.clip(np.searchsorted(every_s, time_s), 0, max(every_s.size - 1, 0))
    return left[place] if every_s.size else np.zeros(time_s.size)
