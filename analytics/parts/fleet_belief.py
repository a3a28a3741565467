"""What the locks of one kind have in common: how they wear, learned from all of them at once.

One lock's weeks hardly tell whether its wear gathers pace, leaps or goes straight on; those of all
its kind do. What is believed of each trait before a lock's own weeks are looked at is therefore
what all others of its kind say of it, with a few locks' weight for what was believed before any
data (empirical Bayes; Morris, J. Am. Stat. Assoc. 78 (1983) 47). A lock by itself has the
beliefs of before.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy import special

from remanence.analytics.parts.path_figures import class_beliefs
from remanence.analytics.statistics.arrays import Ints, Reals

PRIOR_LOCKS = 3.0
"""Locks' worth of weight that the beliefs before any data have beside a kind's own locks."""
ROUNDS = 25
"""Times that the common beliefs and each lock's are made anew from one another (expectation and
maximisation): by then they hardly change."""


def shared_weights(log_weights: Sequence[Reals], classes: Sequence[Ints]) -> list[Reals]:
    """Each lock's weights, once the others of its kind have had their say.

    Parameters
    ----------
    log_weights : sequence of numpy.ndarray, shape (sets,)
        One a lock: logarithm of the weight of each set of figures, from its own weeks alone.
    classes : sequence of numpy.ndarray of int, shape (traits, sets)
        The class of each trait of each set
        (:func:`~remanence.analytics.parts.path_figures.classes`); -1 where the path never moves,
        which says nothing of how it would.

    Returns
    -------
    list of numpy.ndarray, shape (sets,)
        Logarithms of weights.
    """
    prior = class_beliefs()
    own = [_shares(log, of, prior) for log, of in zip(log_weights, classes, strict=True)]
    if len(own) < 2:
        return list(log_weights)
    now = list(log_weights)
    for _ in range(ROUNDS):
        sums = [sum(shares[k] for shares in own) for k in range(len(prior))]
        common = [(PRIOR_LOCKS * belief + total) for belief, total in zip(prior, sums, strict=True)]
        now, after = [], []
        for log, of, shares in zip(log_weights, classes, own, strict=True):
            # Without the lock itself, or its own weeks would count twice.
            others = [total - mine for total, mine in zip(common, shares, strict=True)]
            moving = of[0] >= 0
            told = log.copy()
            for k, belief in enumerate(others):
                ratio = np.log(belief / belief.sum() / prior[k])
                told[moving] += ratio[of[k][moving]]
            now.append(told)
            after.append(_shares(told, of, prior))
        own = after
    return now


def _shares(log_weight: Reals, classes: Ints, prior: Sequence[Reals]) -> list[Reals]:
    """How much of a lock's weight lies in each class of each trait."""
    weight = np.exp(log_weight - special.logsumexp(log_weight))
    moving = classes[0] >= 0
    return [np.bincount(of[moving], weight[moving], minlength=belief.size).astype(np.float64)
            for of, belief in zip(classes, prior, strict=True)]
