"""A lock's own share of slow releases, where it has few and the locks of its part have many.

The locks of a part lend the scatter of what is usual. A lock that now and then sticks has a second
mode beside it that none of them need have. How often it does is a share of the lock's own, drawn
from the part's (the model of :mod:`remanence.analytics.timing.misses`); what can be promised in
spite of it rests on the lock's own releases alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from remanence.analytics.statistics.arrays import Reals
from remanence.analytics.timing.borrow import Pool
from remanence.analytics.timing.misses import MissRate, miss_rate
from remanence.analytics.timing.recent import SLOW_RELEASE

USUAL_SHARE = 0.999
"""Releases of the other locks that are usual; what takes longer may be of another mode."""
SLOW_CONFIDENCE = 0.99
"""Of the slowest of a mode that only a few releases show."""
STATED_CONFIDENCE = 0.95
"""Of what a lock's own commands promise, one-sided."""


@dataclass(frozen=True)
class SlowMode:
    """Releases that take far longer than is usual.

    Attributes
    ----------
    rate : MissRate
        How often, of the lock's own and with what the others lend.
    bound_ms : float or None
        How long such a release takes at most, at reference volts; None where none was seen.
    seen : bool
        Whether any of the lock's own releases was of this mode.
    """

    rate: MissRate
    bound_ms: float | None
    seen: bool


def slow_mode(own: Reals, pool: Pool) -> SlowMode:
    """How often the lock is slow, and how slow, beside what the others lend.

    Parameters
    ----------
    own : numpy.ndarray
        What the lock's own commands needed, at reference volts. [ms]
    pool : Pool
        What is lent (:func:`remanence.analytics.timing.borrow.lent_pool`).

    Returns
    -------
    SlowMode
        Slow is beyond 1.5 times the middle, and beyond what 99.9 % of the others' releases take.
    """
    lent = np.concatenate(pool.apart)
    slow = max(float(np.log(SLOW_RELEASE)), float(np.quantile(lent, USUAL_SHARE)))
    mine = np.log(own) - pool.centre
    late = mine[mine > slow]
    rate = miss_rate(late.size, mine.size, [
        (int((part > slow).sum()), part.size) for part in pool.apart], confidence=SLOW_CONFIDENCE)
    told = late if late.size else lent[lent > slow]
    if not told.size:
        return SlowMode(rate, None, False)
    # Another mode is taken to scatter as the usual one does.
    reach = special.ndtri(SLOW_CONFIDENCE) * float(np.std(lent[lent <= slow]))
    bound = float(np.mean(told)) + reach * np.sqrt(1 + 1 / told.size)
    return SlowMode(rate, float(np.exp(pool.centre + max(bound, float(told.max())))),
                    bool(late.size))


def least_shares(commands: int) -> tuple[float, ...]:
    """What so many commands of its own promise, by how many of them a pulse did not release.

    Parameters
    ----------
    commands : int
        First commands of the lock.

    Returns
    -------
    tuple of float
        One-sided 95 % lower bounds of the share released, for 0, 1, ... not released. Also true
        where the pulse was chosen by these commands' longest need (Wilks 1941).

    References
    ----------
    C. J. Clopper, E. S. Pearson, Biometrika 26 (1934), 404-413.
    """
    if not commands:
        return ()
    lost = np.arange(commands)
    upper = special.betaincinv(lost + 1, commands - lost, STATED_CONFIDENCE)
    return (*(float(1 - share) for share in upper), 0.0)
