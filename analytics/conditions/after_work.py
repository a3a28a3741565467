"""Did the last work on a lock help? The first days after it tell, not the weeks that follow."""

from __future__ import annotations

import numpy as np

from remanence.analytics.statistics.arrays import Flags, Ints, Reals
from remanence.analytics.statistics.rates import chance_of_at_least

FIRST_DAYS = 7
LEAST_ROWS = 5
"""The first days after the work, and the least commands that they are judged on."""
BY_CHANCE = 0.05
"""So few faulty ones would come with the fault unmended less often than this."""


def came_back_after(day: Reals | Ints, faulty: Flags, share_before: float) -> int | None:
    """After how many weeks a fault came back that the work had mended.

    Parameters
    ----------
    day : array, shape (n,)
        Days from the work to each command after it, not decreasing.
    faulty : array of bool, shape (n,)
        Whether the command shows the fault.
    share_before : float
        Share of commands that showed it before the work, between 0 and 1.

    Returns
    -------
    int or None
        Whole weeks, at least 1; None where the first days were as bad as before, cannot tell, or
        nothing came back.

    Notes
    -----
    One-sided binomial test of the first seven days, or the first five commands where these are
    more; the return is where the run up to the end that is faulty at half that share or more
    begins. Textbook test; the choices are this program's own.
    """
    first = max(int((day <= FIRST_DAYS).sum()), LEAST_ROWS)
    early, late = faulty[:first], faulty[first:]
    if early.size < LEAST_ROWS or not late.any():
        return None
    share = min(max(share_before, 0.0), 1.0)
    if 1.0 - chance_of_at_least(int(early.sum()) + 1, early.size, share) >= BY_CHANCE:
        return None
    # The best start of a run that reaches the end, of commands faulty at half that share or more.
    run = np.cumsum((late - 0.5 * share)[::-1])[::-1]
    back = int(np.argmax(run))
    return max(1, round(float(day[first + back]) / 7)) if run[back] > 0 else None
