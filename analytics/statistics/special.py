"""Special functions: those of :mod:`scipy.special` that the analyses call, under the same names.

Source of each: SciPy's reference, section "Special functions". Arguments broadcast.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from remanence.analytics.statistics.arrays import Reals
from remanence.analytics.statistics.compiled import compiled

_scipy = compiled("scipy.special", "_ufuncs", "scipy.special")

bdtr: Any = _scipy.bdtr
bdtrc: Any = _scipy.bdtrc
betainc: Any = _scipy.betainc
betaincc: Any = _scipy.betaincc
betaincinv: Any = _scipy.betaincinv
betaln: Any = _scipy.betaln
binom: Any = _scipy.binom
chdtrc: Any = _scipy.chdtrc
chdtri: Any = _scipy.chdtri
gammaincinv: Any = _scipy.gammaincinv
gammaln: Any = _scipy.gammaln
huber: Any = _scipy.huber
ndtr: Any = _scipy.ndtr
ndtri: Any = _scipy.ndtri
poch: Any = _scipy.poch
stdtr: Any = _scipy.stdtr
stdtrit: Any = _scipy.stdtrit


def logsumexp(log: Any, axis: int | None = None) -> Any:
    """Natural log of the sum of ``exp(log)``, without overflow.

    Parameters
    ----------
    log : array_like
        Real numbers; ``-inf`` adds nothing.
    axis : int, optional
        Along which the sum is taken; default: all of them.

    Returns
    -------
    float or array

    Notes
    -----
    The largest terms are taken out of the sum and told by ``log1p``, as SciPy does.
    """
    log = np.asarray(log, dtype=float)
    top = log.max(axis=axis, keepdims=True)
    largest = log == top
    count = largest.sum(axis=axis, keepdims=True, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        rest = np.exp(np.where(largest, -np.inf, log) - top).sum(axis=axis, keepdims=True)
        found = np.log1p(rest / count) + np.log(count) + top
        if not np.isfinite(found).all():
            plain = np.log(np.exp(log).sum(axis=axis, keepdims=True))
            found = np.where(np.isfinite(found), found, plain)
    return found.squeeze(axis=axis)[()]


def softmax(log: Reals, axis: int) -> Reals:
    """``exp(log)`` as a share of its sum along an axis, without overflow.

    Parameters
    ----------
    log : array
        Real numbers.
    axis : int
        Along which the shares add up to 1.

    Returns
    -------
    array, shaped as ``log``
    """
    shifted = np.exp(log - log.max(axis=axis, keepdims=True))
    out: Reals = shifted / shifted.sum(axis=axis, keepdims=True)
    return out
