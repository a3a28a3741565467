"""A setting that is read once a day: which value held when, odd days left out."""

from __future__ import annotations

import numpy as np

from remanence.analytics.statistics.arrays import Ints, Reals

ALIKE = 1.25
"""Values whose ratio is less than this are one setting: the next poll or sample rate that a person
chooses is further off (assumption)."""
SWITCH_COST = 1.5
"""Weight of days that must speak for another setting before it is believed: two days, or one with
plenty of readings at the end of the log (assumption)."""
MOST_WEIGHT = 2.0
"""One day never weighs more: an odd day between two of another setting stays an odd day."""


def settings(values: Reals, weight: Reals, alike: float = ALIKE) -> Ints:
    """Which setting held on each day, counted from 0 in order of time.

    Parameters
    ----------
    values : array of float, shape (n,)
        What each day reads, in order of time; NaN where nothing does.
    weight : array of float, shape (n,)
        How surely it reads it; 1 for a day with enough readings.
    alike : float, default 1.25
        Values whose ratio is less are one setting.

    Returns
    -------
    array of int, shape (n,)
        Rises by one where the setting changes; a setting that comes back has a new number.

    Notes
    -----
    The most likely course of a hidden state that seldom changes (A. J. Viterbi, IEEE Trans. Inf.
    Theory 13 (1967) 260): a day that disagrees costs its weight, a change a fixed price.
    """
    known = np.flatnonzero(np.isfinite(values) & (values > 0))
    out = np.zeros(values.size, dtype=np.int64)
    if known.size < 2:
        return out
    state_of, count = _clusters(values[known], alike)
    if count == 1:
        return out
    cost = np.minimum(weight[known], MOST_WEIGHT)
    best = np.where(np.arange(count) == state_of[0], 0.0, cost[0])
    came_from = np.zeros((known.size, count), dtype=np.int64)
    for place in range(1, known.size):
        cheapest = int(np.argmin(best))
        change = best[cheapest] + SWITCH_COST < best
        came_from[place] = np.where(change, cheapest, np.arange(count))
        best = np.where(change, best[cheapest] + SWITCH_COST, best)
        best = best + np.where(np.arange(count) == state_of[place], 0.0, cost[place])
    path = np.empty(known.size, dtype=np.int64)
    path[-1] = int(np.argmin(best))
    for place in range(known.size - 1, 0, -1):
        path[place - 1] = came_from[place, path[place]]
    begun = known[1:][np.diff(path) != 0]
    out[begun] = 1
    return np.cumsum(out).astype(np.int64)


def _clusters(values: Reals, alike: float) -> tuple[Ints, int]:
    """The setting that each value is one of, and how many settings there are."""
    order = np.argsort(values)
    apart = np.diff(np.log(values[order])) > np.log(alike)
    number = np.concatenate([[0], np.cumsum(apart)])
    state_of = np.empty(values.size, dtype=np.int64)
    state_of[order] = number
    return state_of, int(number[-1]) + 1
