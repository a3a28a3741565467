"""Has a level that is measured once a day moved, by how much, and since when?"""

from __future__ import annotations

import numpy as np
from scipy import special

from remanence.analytics.statistics.arrays import Ints, Reals
from remanence.analytics.statistics.change import Change, Side, Split, most_likely_split
from remanence.analytics.statistics.intervals import MEDIAN_ERROR, robust_deviation

_MEMORY = 0.5
"""Correlation of neighbouring days that is allowed for: days have a memory."""
_MEMORIES = {0.0: 0.3, 0.3: 0.3, 0.5: 0.25, 0.7: 0.15}
"""Correlations of neighbouring days that are tried, and how likely each is beforehand (assumption).
A longer one would explain every change that comes over weeks. Sound series of 60 days are called
changed in 0.3, 0.6, 3 and 7 % at correlations of 0, 0.5, 0.7 and 0.8 (measured); without any
memory in 0, 20, 50 and 67 %."""
_PAST_DAYS = 90
"""So many days before say how much days scatter: what lies further back is another season."""
_SCATTER_NOW = 0.7
"""Share of this week's own scatter that counts as the days' scatter: a few days overstate it."""
_LEAST_SCATTER = 4
"""Fewer days than this have no scatter of their own."""
_SURE_ODDS = 2.0
"""Log odds from which a change is dated by the series itself and not by the week's first day."""
_EARLY_DAYS = 5
"""A change this many days into the week still counts as one that the week shows."""
_STEP_DEVIATIONS = 10.0
"""A step of a few days is taken for one if it is so many of the earlier days' deviations."""
_STEP_CREEP = 0.25
"""And if the five days before it had not gone this share of the way: else it is a rise."""
_REACH = 8.0
"""Robust standard deviations from the median beyond which values are drawn in to there."""


def change_of_level(days: Ints, values: Reals) -> Change | None:
    """When a level moved to another one; the posterior over all days on which it may have.

    Parameters
    ----------
    days : array of int, shape (n,)
        Day ordinals, not decreasing. Give one value a day (its median): values of
        one day are not independent of each other.
    values : array of float, shape (n,)
        Finite. Those further than eight robust standard deviations from the median are
        drawn in to there: an outlier then counts for little, and a large step still for
        more than a season's slow wave, which ranks would make its equal.

    Returns
    -------
    Change or None
        None with fewer than five values or where all are equal. The sides are medians, without
        intervals; ``log_odds`` hold no prior: they are the Bayes factor for a change.

    Notes
    -----
    Normal errors that may remember (autoregression of first order, the memory averaged over by
    its likelihood), means and variance integrated out under flat and 1/variance priors.
    """
    split = _split(days, values)
    if split is None:
        return None
    before, now = values[:split.index], values[split.index:]
    return Change(
        "level", split.log_odds, split.since, split.low, split.high,
        Side(float(np.median(before)), n=before.size), Side(float(np.median(now)), n=now.size),
        index=split.index,
    )


def _split(days: Ints, values: Reals) -> Split | None:
    """Where the level moved; None with fewer than five values or where all are equal."""
    count = len(values)
    if count < 5 or np.ptp(values) == 0:
        return None
    middle = float(np.median(values))
    spread = robust_deviation(values)
    reach = _REACH * spread if spread > 0 else float(np.abs(values - middle).max())
    scores = (np.clip(values, middle - reach, middle + reach) - middle) / reach
    none, weights = [], []
    for memory, likely in _MEMORIES.items():
        without, cut = _with_memory(scores, memory)
        none.append(without + np.log(likely))
        weights.append(cut + np.log(likely))
    log_weight = special.logsumexp(np.array(weights), axis=0)
    log_none = special.logsumexp(np.array(none))
    return most_likely_split(days, log_weight, float(log_none))


def _with_memory(scores: Reals, memory: float) -> tuple[float, Reals]:
    """Log likelihood without a cut, and with one ahead of each value but the first.

    Values that remember (autoregression of first order) are made independent by taking the
    remembered part of the one before off each; constants and steps likewise.
    """
    count = scores.size
    root = np.sqrt(1.0 - memory**2)
    new = np.concatenate([[scores[0]], (scores[1:] - memory * scores[:-1]) / root])
    flat = (1.0 - memory) / root
    ones = np.concatenate([[1.0], np.full(count - 1, flat)])
    # A step ahead of value j is 0 before, 1 / root at j, and ``flat`` from then on.
    left = np.arange(count - 1, 0, -1, dtype=float) - 1.0
    after = np.cumsum(new[::-1])[::-1]
    step_step = 1.0 / root**2 + flat**2 * left
    step_one = flat / root + flat**2 * left
    step_new = new[1:] / root + flat * np.append(after[2:], 0.0)
    one_one, one_new, squares = ones @ ones, ones @ new, float(new @ new)
    least = 1e-6 * max(squares, 1e-12)
    whole = max(squares - one_new**2 / one_one, 1e-12)
    determinant = np.maximum(one_one * step_step - step_one**2, 1e-12)
    gain = (step_step * one_new**2 - 2 * step_one * one_new * step_new
            + one_one * step_new**2) / determinant
    residual = np.maximum(squares - gain, least)
    shrunk = -(count - 1) * np.log(root)
    # Two flat priors on means against one: a unit-information prior makes them comparable.
    cut = (-0.5 * np.log(determinant) - 0.5 * (count - 2) * np.log(residual)
           + 0.5 * np.log(2 * np.pi) - np.log(np.sqrt(2 * np.pi) * 3.0))
    none = -0.5 * np.log(one_one) - 0.5 * (count - 1) * np.log(whole)
    return float(none + shrunk), cut + shrunk


def level_change(
    days: Ints, values: Reals, monday: int, *, fewest_before: int = 7,
    fewest_now: int = 2, floor: float = 0.0,
) -> Change | None:
    """Compare the week from ``monday`` on with what was before the latest change of level.

    Parameters
    ----------
    days : array of int, shape (n,)
        Day ordinals, strictly increasing.
    values : array of float, shape (n,)
        One level a day; NaN is passed over.
    monday : int
        First day of the week asked for.
    fewest_before : int, default 7
        Days needed before the change.
    fewest_now : int, default 2
        Days needed since.
    floor : float, default 0.0
        Least day-to-day deviation that is believed; keeps a short quiet past from making
        everything significant.

    Returns
    -------
    Change or None
        None where either side has too few days. ``shift_deviation`` is never less than what
        ``floor`` leaves: it decides what is told. The intervals rest on what the days' own
        scatter and memory say. ``since`` has no interval where the series does not date it: it
        is the week's first day then.

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
    found = _split(days, values)
    index = int(np.argmax(now))
    if found is not None and (found.log_odds <= _SURE_ODDS or found.index > index + _EARLY_DAYS):
        found = None
    sharp = _sharp_step(values, index)
    if sharp is not None and sharp >= fewest_before and not (
        found is not None and abs(found.index - sharp) <= 3
    ):
        # A clear step that is only days old, which a season's slow wave would outweigh.
        last, first = float(days[sharp - 1]), float(days[sharp])
        found = Split(first, last, first, sharp, np.inf)
    if found is not None and found.index < fewest_before:
        found = None
    split = found.index if found else index
    before, after = values[:split], values[max(split, index):]
    if before.size < fewest_before or after.size < fewest_now:
        return None
    spread = max(robust_deviation(before), floor)
    if after.size >= _LEAST_SCATTER:
        spread = max(spread, _SCATTER_NOW * robust_deviation(after))
    inflation = (1 + _MEMORY) / (1 - _MEMORY)
    error = spread * np.sqrt(
        inflation * (MEDIAN_ERROR**2) * (1 / max(before.size, 1) + 1 / after.size)
    )
    level_before, level_now = float(np.median(before)), float(np.median(after))
    freedom = min(before.size, 30) / 2 + min(after.size, 10) / 2
    quantile = float(special.stdtrit(max(freedom, 3.0), 0.975))
    seen_before, seen_now = (quantile * item for item in _seen_errors(before, after, floor))
    half = float(np.hypot(seen_before, seen_now))
    shift = level_now - level_before
    return Change(
        "level", found.log_odds if found else -np.inf,
        found.since if found else float(days[split]),
        found.low if found else None, found.high if found else None,
        Side(level_before, level_before - seen_before, level_before + seen_before, before.size),
        Side(level_now, level_now - seen_now, level_now + seen_now, after.size),
        float(max(error, 1e-9)), shift - half, shift + half, index=split,
    )


def _seen_errors(before: Reals, after: Reals, floor: float) -> tuple[float, float]:
    """Standard errors of the two medians, by the days' own scatter and memory."""
    before = before[-_PAST_DAYS:]
    spread = max(robust_deviation(before), floor / 8)
    if after.size >= _LEAST_SCATTER:
        spread = max(spread, _SCATTER_NOW * robust_deviation(after))
    memory = memory_of(before)
    first, second = (
        MEDIAN_ERROR * spread * np.sqrt(_mean_memory(memory, part.size))
        for part in (before, after)
    )
    return float(first), float(second)


def _mean_memory(memory: float, count: int) -> float:
    """Variance of the mean of ``count`` days that have this memory, over that of one day."""
    lag = np.abs(np.subtract.outer(np.arange(count), np.arange(count)))
    return float((memory**lag).mean())


def memory_of(values: Reals) -> float:
    """Correlation of neighbouring days about their slow course, drawn towards what is allowed for.

    Parameters
    ----------
    values : array of float, shape (n,)
        One value a day, in order.

    Returns
    -------
    float
        Between 0 and 0.9; 0.5 with fewer than five days.

    Notes
    -----
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

    Returns
    -------
    tuple of (float, float)
        In the unit of the values.
    """
    count = now.size
    memory = memory_of(past)
    spread = robust_deviation(past) if past.size >= 7 else 0.0
    own = float(np.std(now, ddof=1)) if count >= _LEAST_SCATTER else 0.0
    spread = max(spread, _SCATTER_NOW * own, floor)
    variance = spread**2 * _mean_memory(memory, count)
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
    # Most days of a coarse meter are one and the same step, which leaves no robust deviation.
    spread = max(robust_deviation(earlier), float(np.std(earlier, ddof=1)), 1e-9)
    jump = float(np.median(later) - np.median(earlier))
    if abs(jump) < _STEP_DEVIATIONS * spread:
        return None
    creeping = float(np.median(earlier[-5:]) - np.median(earlier)) / jump
    if abs(creeping) > _STEP_CREEP:
        return None
    return place
