"""Since when has a lock behaved as it does now? Only that is a guide to tomorrow.

A lock that began to stick three weeks ago is not described by the half year before. The
commands are cut (at a week's border first, then at the day) where the share of silent ones, the
share of slow ones or the level of the latency changed most; each by a test that a healthy lock
passes, days taken as the independent things. A cut too many costs data and widens the bounds; it
makes none of them wrong.
"""

from __future__ import annotations

import numpy as np

from remanence.analytics.statistics.arrays import Flags, Ints, Reals
from remanence.analytics.statistics.change import Change, Side
from remanence.analytics.statistics.medians import grouped_medians, median
from remanence.analytics.timing.tail import design_effect

FEWEST_RECENT = 30
"""Commands on either side of a cut."""

LIKELIHOOD = 18.0
"""Twice the log likelihood ratio that two shares differ: chance exceeds it once in 45,000 times
(chi-square, one degree of freedom), so once in some 900 locks of 25 weeks and two tests."""

LEVEL_ERRORS = 6.0
"""Standard errors of the shift that are asked for; wide, since neighbouring days are alike."""

SLOW_RELEASE = 1.5
"""A release is slow beyond this many times the median."""

LEAST_DAYS = 4
"""Days on either side of a cut before their medians say anything of a level."""

ROUNDS = 3
"""How often a cut is looked for, each time in what is left: a drift changes again."""


def present_since(
    day: Ints, silent: Flags, latency: Reals, volts_factor: Reals, *, least_shift: float,
) -> Change | None:
    """Since when the lock behaves as it does now.

    Parameters
    ----------
    day : numpy.ndarray of int, shape (n,)
        Day number of each first command, rising.
    silent : numpy.ndarray of bool, shape (n,)
        Whether it went unanswered.
    latency : numpy.ndarray, shape (n,)
        Latency where answered.
    volts_factor : numpy.ndarray, shape (n,)
        What to multiply a latency by to take the rail's volts out; 1 where not known.
    least_shift : float
        No shift of the level below this (log scale) counts: the venue's ``drift_gate_percent``, or
        what the clock can tell.

    Returns
    -------
    Change or None
        What changed last (``silent``, ``slow`` or ``level``; the level is a natural log); ``since``
        is the first day of the present behaviour, without interval. None: the lock behaves as it
        did as far back as the commands go.

    Notes
    -----
    Likelihood ratio of two shares over the design effect, and a shift of the days' medians over
    its error; thresholds calculated for a false cut in some 900 locks of 25 weeks.
    """
    log = np.log(np.maximum(latency * volts_factor, 1e-6))
    start: Change | None = None
    use = np.ones(day.size, dtype=bool)
    for _ in range(ROUNDS):
        cut = _strongest(day[use], silent[use], log[use], least_shift)
        if cut is None:
            break
        start = cut
        use = day >= cut.since
    return start


def _strongest(day: Ints, silent: Flags, log: Reals, gate: float) -> Change | None:
    """What changed most, and on which day; None where nothing did."""
    if day.size < 2 * FEWEST_RECENT:
        return None
    answered = ~silent
    slow = np.zeros(day.size, dtype=bool)
    if answered.sum() >= FEWEST_RECENT:
        slow = answered & (log > np.median(log[answered]) + np.log(SLOW_RELEASE))
    # A cut lies between days, so no day's median hangs on it.
    days, levels = grouped_medians(log[answered], day[answered])

    def strength(cut: int) -> tuple[float, int, str]:
        after = day >= cut
        if min(int(after.sum()), int((~after).sum())) < FEWEST_RECENT:
            return 0.0, cut, ""
        shares = (
            (_share_change(mark, after, day) / LIKELIHOOD, cut, what)
            for what, mark in (("silent", silent), ("slow", slow)))
        level = _level_change(levels[days >= cut], levels[days < cut], gate), cut, "level"
        return max(*shares, level)

    best, cut, _ = max(strength(c) for c in range(int(day[-1]) - 6, int(day[0]) - 7, -7))
    if best <= 1:
        return None
    best, cut, what = max(strength(c) for c in range(cut - 6, cut + 7))
    if what == "level":
        old, new = (Side(float(np.median(part)), n=part.size)
                    for part in (levels[days < cut], levels[days >= cut]))
    else:
        mark = silent if what == "silent" else slow
        old, new = (Side(float(np.mean(part)), n=part.size)
                    for part in (mark[day < cut], mark[day >= cut]))
    return Change(what, best * LIKELIHOOD / 2, float(cut), None, None, old, new)


def _share_change(mark: Flags, after: Flags, day: Ints) -> float:
    """Twice the log likelihood ratio of two shares against one, over the design effect."""
    if not mark.any():
        return 0.0
    effect = 1.0
    total = _entropy(mark)
    split = 0.0
    for side in (after, ~after):
        split += _entropy(mark[side])
        effect = max(effect, design_effect(mark[side], day[side]))
    return 2 * (total - split) / effect


def _entropy(mark: Flags) -> float:
    """Minus the log likelihood of the marks under their own share."""
    count, share = mark.size, float(mark.mean()) if mark.size else 0.0
    if share in (0.0, 1.0):
        return 0.0
    return -count * (share * float(np.log(share)) + (1 - share) * float(np.log(1 - share)))


def _level_change(new: Reals, old: Reals, gate: float) -> float:
    """The smaller of shift over gate and shift over its error over what is asked for."""
    if min(new.size, old.size) < LEAST_DAYS:
        return 0.0
    shift = abs(median(new) - median(old))
    error = float(np.sqrt(np.var(new, ddof=1) / new.size + np.var(old, ddof=1) / old.size))
    return min(shift / gate, shift / max(error, 1e-9) / LEVEL_ERRORS)
