"""Control charts: the tabular CUSUM."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from remanence.analytics.statistics.arrays import Reals


def cusum(
    values: npt.ArrayLike, *, target: float, allowance: float, cap: float = np.inf
) -> tuple[Reals, Reals]:
    """Tabular CUSUM in both directions.

    Parameters
    ----------
    values : array-like, shape (n,)
        Finite values in order of time; a value that is no number spoils all after it.
    target, allowance : float
        In the unit of the values: what is aimed at, and the slack k.
    cap : float, default infinity
        Single values count for at most this much off the target.

    Returns
    -------
    tuple of numpy.ndarray, shape (n,)
        Sums above and below the target after each value, 0 or more; unit of the values. They
        begin at 0.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, sec. 6.3.2.3.
    """
    off = np.clip(np.asarray(values, dtype=float) - target, -cap, cap)
    high, low = np.zeros(off.size), np.zeros(off.size)
    above = below = 0.0
    for place, step in enumerate(off):
        above = max(0.0, above + step - allowance)
        below = max(0.0, below - step - allowance)
        high[place], low[place] = above, below
    return high, low
