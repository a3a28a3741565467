"""Do commands go unanswered because the coil had too few volts, or whatever it had?"""

from __future__ import annotations

import numpy as np
from scipy import special

from remanence.analytics.statistics.arrays import Flags, Reals
from remanence.analytics.statistics.rates import betabinomial

STALLS_AT = np.arange(0.70, 0.925, 0.01)
"""Share of its rated volts at which a latch answers every second command: a solenoid model stalls
at 0.77 cold and at 0.88 warm, and side load adds a volt and more (calculated)."""
STALL_WIDTHS = np.array([0.01, 0.02, 0.04])
"""Standard deviation of that from one command to the next (share of rated volts): warmth and what
the catch bears (assumption)."""
SELDOM = 0.003
"""Share of commands that a sound latch leaves unanswered at any volts (usual: 0.01 to 0.1 %)."""
AT_ANY_VOLTS = (1.0, 5.0)
"""Beta prior of the share of a faulty one, whatever its volts: mean one in six (assumption)."""


def stall_log_odds(share: Reals, failed: Flags) -> float:
    """How much likelier failures are that come of too few volts than failures that ask for none.

    Parameters
    ----------
    share : array, shape (n,)
        Least volts of the rail while each command lasted, as a share of rated ones.
    failed : array of bool, shape (n,)
        Which commands were not answered.

    Returns
    -------
    float
        Natural log: a probit in volts, where it stalls and how sharply integrated out on a grid,
        against one rate for all commands (Bayes factor, textbook). Above 0 where the failures are
        the volts'.
    """
    low = special.ndtr((STALLS_AT[:, None, None] - share) / STALL_WIDTHS[:, None])
    chance = np.clip(SELDOM + (1 - SELDOM) * low, 0.0, 1 - SELDOM)
    story = np.where(failed, np.log(chance), np.log1p(-chance)).sum(axis=2)
    by_volts = float(special.logsumexp(story)) - float(np.log(story.size))
    return by_volts - float(betabinomial(int(failed.sum()), failed.size, *AT_ANY_VOLTS))
