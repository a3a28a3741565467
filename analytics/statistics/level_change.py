"""Has a level that is measured once a day moved, by how much, and since when?"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from remanence.analytics.statistics.intervals import robust_deviation
from remanence.analytics.statistics.onset import Onset, onset_of_level

Reals = NDArray[np.float64]
_MEMORY = 0.5
"""Correlation of neighbouring days that is allowed for: days have a memory."""


@dataclass(frozen=True)
class LevelChange:
    """``shift`` is now minus before; ``z`` counts it in its own standard errors.

    ``error`` is never less than what the caller's ``floor`` leaves: it decides what is told.
    ``seen_error`` is what the days' own scatter and memory say, and bounds the figure.
    """

    before: float
    now: float
    shift: float
    error: float
    z: float
    days_before: int
    days_now: int
    since: date
    low: date | None
    high: date | None
    seen_error: float

    @property
    def limits(self) -> tuple[float, float]:
        """Bounds of 95 % for the shift."""
        freedom = min(self.days_before, 30) / 2 + min(self.days_now, 10) / 2
        half = float(stats.t.ppf(0.975, max(freedom, 3.0))) * self.seen_error
        return self.shift - half, self.shift + half

    def score(self, gate: float) -> float:
        """Probability that the shift is beyond half of ``gate``, in the gate's direction."""
        # Days have a memory that is not wholly known: tails of few degrees of freedom.
        beyond = (self.shift * np.sign(gate) - abs(gate) / 2) / max(self.error, 1e-9)
        return float(np.clip(stats.t.cdf(beyond, 4), 0.01, 0.99))


def level_change(
    days: NDArray[np.int64], values: Reals, monday: int, *, fewest_before: int = 7,
    fewest_now: int = 2, floor: float = 0.0,
) -> LevelChange | None:
    """Compare the week from ``monday`` on with what was before the latest change of level.

    Parameters
    ----------
    days : array of int, shape (n,)
        Day ordinals, strictly increasing.
    values : array of float, shape (n,)
        One level a day; NaN is passed over.
    monday : int
        First day of the week asked for.
    fewest_before, fewest_now : int
        Days needed on either side.
    floor : float, default 0.0
        Least day-to-day deviation that is believed; keeps a short quiet past from making
        everything significant.

    Returns
    -------
    LevelChange or None
        None where either side has too few days.

    Notes
    -----
    Medians of days, compared with standard errors that allow for a correlation of 0.5
    between neighbouring days: variance of a mean of n days times (1 + r) / (1 - r) at most.
    """
    known = np.isfinite(values)
    days, values = days[known], values[known]
    now = days >= monday
    if now.sum() < fewest_now:
        return None
    onset = onset_of_level(days, values)
    index = int(np.argmax(now))
    dated = onset is not None and onset.log_odds > 2 and onset.index <= index + 5
    sharp = _sharp_step(values, index)
    if sharp is not None and sharp >= fewest_before and not (
        dated and onset is not None and abs(onset.index - sharp) <= 3
    ):
        # A clear step that is only days old, which a season's slow wave would outweigh.
        low, high = (date.fromordinal(int(days[place])) for place in (sharp - 1, sharp))
        onset, dated = Onset(high, low, high, sharp, np.inf), True
    if dated and onset is not None and onset.index >= fewest_before:
        split = onset.index
    else:
        split, dated = index, False
    before, after = values[:split], values[max(split, index):]
    if before.size < fewest_before or after.size < fewest_now:
        return None
    spread = max(robust_deviation(before), floor)
    if after.size >= 4:
        spread = max(spread, 0.7 * robust_deviation(after))
    inflation = (1 + _MEMORY) / (1 - _MEMORY)
    error = spread * np.sqrt(
        inflation * (1.25**2) * (1 / max(before.size, 1) + 1 / after.size)
    )
    level_before, level_now = float(np.median(before)), float(np.median(after))
    shift = level_now - level_before
    since = onset.since if dated and onset else date.fromordinal(int(days[split]))
    return LevelChange(
        level_before, level_now, shift, float(max(error, 1e-9)),
        float(shift / max(error, 1e-9)), int(before.size), int(after.size), since,
        onset.low if dated and onset else None, onset.high if dated and onset else None,
        _seen_error(before, after, floor),
    )


def _seen_error(before: Reals, after: Reals, floor: float) -> float:
    """Standard error of the difference of two medians, by the days' own scatter and memory."""
    spread = max(robust_deviation(before[-90:]), floor / 8)
    if after.size >= 4:
        spread = max(spread, 0.7 * robust_deviation(after))
    memory = memory_of(before[-90:])
    total = 0.0
    for part in (before[-90:], after):
        lag = np.abs(np.subtract.outer(np.arange(part.size), np.arange(part.size)))
        total += float((memory**lag).mean())
    return float(np.sqrt(1.25**2 * spread**2 * total))


def memory_of(values: Reals) -> float:
    """Correlation of neighbouring days about their slow course, drawn towards what is allowed for.

    From the mean square of successive differences (von Neumann, Annals of Mathematical
    Statistics 12 (1941), 367): half of it over the variance is 1 - r. Stragglers are drawn in.
    """
    if values.size < 5:
        return _MEMORY
    middle, spread = float(np.median(values)), robust_deviation(values)
    if spread <= 0:
        return _MEMORY
    near = np.clip(values, middle - 3 * spread, middle + 3 * spread)
    seen = 1.0 - float(np.mean(np.diff(near) ** 2)) / (2 * float(np.var(near)) + 1e-18)
    weight = values.size / (values.size + 15.0)
    return float(np.clip(weight * seen + (1 - weight) * _MEMORY, 0.0, 0.9))


def level_of_days(now: Reals, past: Reals, floor: float) -> tuple[float, float]:
    """Mean of consecutive days that have a memory, and its standard deviation.

    Parameters
    ----------
    now : array of float, shape (n,)
        One value a day.
    past : array of float, shape (m,)
        The days before, whose scatter and memory are taken for those of now as well; the
        longest stretch of them on one level counts.
    floor : float
        Least day-to-day deviation that is believed.
    """
    count = now.size
    memory = memory_of(past)
    spread = robust_deviation(past) if past.size >= 7 else 0.0
    own = float(np.std(now, ddof=1)) if count >= 4 else 0.0
    spread = max(spread, 0.7 * own, floor)
    lag = np.abs(np.subtract.outer(np.arange(count), np.arange(count)))
    variance = spread**2 * float((memory**lag).mean())
    return float(np.mean(now)), float(np.sqrt(variance))


def _sharp_step(values: Reals, index: int) -> int | None:
    """Where the days up to the last stand on another level than all but the last few before.

    None unless the latest level is reached within a day and far from where it was: at
    least ten of the earlier days' own deviations, all of the later days beyond half way.
    """
    if index < 5:
        return None
    before, level = float(np.median(values[:index])), float(np.median(values[index:][-3:]))
    beyond = (values - before) / (level - before) > 0.5 if level != before else None
    if beyond is None or not beyond[-1] or beyond.all():
        return None
    place = int(np.flatnonzero(~beyond)[-1]) + 1
    earlier, later = values[:place], values[place:]
    if later.size < 2 or earlier.size < 5:
        return None
    spread = max(robust_deviation(earlier), 1e-9)
    jump = float(np.median(later) - np.median(earlier))
    if abs(jump) < 10 * spread:
        return None
    creeping = float(np.median(earlier[-5:]) - np.median(earlier)) / jump
    if abs(creeping) > 0.25:
        return None
    return place
