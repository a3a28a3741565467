"""Did the last work on a lock help? The first commands after it tell, not the weeks that follow."""

from __future__ import annotations

import numpy as np
from scipy import special

from remanence.analytics.statistics.arrays import Flags, Ints, Reals
from remanence.analytics.statistics.rates import betabinomial

LEAST_ROWS = 5
"""Fewer commands without the fault do not show that it had gone. Assumption."""
MENDED = (0.5, 5.0)
"""Beta prior of the share of faulty commands of a mended lock, which has bad moments too
(assumption)."""
LIKE_BEFORE = 10.0
"""How many commands' worth the share from before the work says of the share of the same fault
later. Assumption."""
HELPED_ODDS = 20.0
"""That the work helped must be so many times likelier than that it did not (assumption)."""


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
        Whole weeks, at least 1; None where the fault never went, where too few commands tell, or
        where nothing came back.

    Notes
    -----
    Marginal likelihood of a lock that was mended up to one of its commands, each as likely, and has
    shown the same fault since, against one that has shown it since the work (textbook; the priors
    are this program's own). It came back where that is likeliest.
    """
    if faulty.size <= LEAST_ROWS or not faulty.any():
        return None
    again = (0.5 + LIKE_BEFORE * share_before, 0.5 + LIKE_BEFORE * (1.0 - share_before))
    sound = np.arange(LEAST_ROWS, faulty.size)
    bad, every = np.cumsum(faulty)[sound - 1], int(faulty.sum())
    back = betabinomial(bad, sound, *MENDED) + betabinomial(
        every - bad, faulty.size - sound, *again)
    odds = special.logsumexp(back) - np.log(sound.size) - float(
        betabinomial(every, faulty.size, *again))
    return max(1, round(float(day[sound[np.argmax(back)]]) / 7)) if (
        odds > np.log(HELPED_ODDS)) else None
