"""Edges of a command that are one command: a program, or a relay, that switches twice at once."""

from __future__ import annotations

import numpy as np

from remanence.analytics.history import Flags, Ints

SAME_COMMAND_US = 100_000
"""No lock answers sooner and no person presses twice so soon (common practice: a button bounces for
some ten milliseconds, a repeated message comes within a hundred)."""


def whole_commands(time_us: Ints, outcome: np.ndarray) -> Flags:
    """Which rows of one lock stand for a command of their own.

    Parameters
    ----------
    time_us : array of int, shape (n,)
        Times of its commands in microseconds, not decreasing.
    outcome : array of str, shape (n,)
        Their outcomes.

    Returns
    -------
    array of bool, shape (n,)
        Of commands within 100 ms of the one before only one stays: the first that released, else
        the last.
    """
    keep = np.ones(time_us.size, dtype=np.bool_)
    joined = np.diff(time_us) <= SAME_COMMAND_US
    if not joined.any():
        return keep
    group = np.concatenate([[0], np.cumsum(~joined)])
    for number in np.unique(group[1:][joined]):
        rows = np.flatnonzero(group == number)
        released = rows[outcome[rows] == "released"]
        keep[rows] = False
        keep[released[0] if released.size else rows[-1]] = True
    return keep
