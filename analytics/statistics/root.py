"""Where a rising function is nought: Newton's steps, and halving where they leave the bracket."""

from __future__ import annotations

from collections.abc import Callable

MOST_STEPS = 200
"""Halving alone needs some 60 steps for a bracket of any size."""


def rising_root(
    value_and_slope: Callable[[float], tuple[float, float]], low: float, high: float,
    start: float | None = None, within: float = 1e-9,
) -> float:
    """The place between ``low`` and ``high`` at which a rising function is nought.

    In place of ``scipy.optimize.brentq``, which takes three times as many values of the function
    where its slope is known, and whose package takes as long to load as all of SciPy's others here.

    Parameters
    ----------
    value_and_slope : function
        Gives the function's value and slope.
    low, high : float
        The function is not above nought at ``low``, nor below it at ``high``.
    start : float, optional
        A guess; default: the middle.
    within : float, default 1e-9
        How near the true place is to be.

    Returns
    -------
    float

    Notes
    -----
    Newton's method within a bracket (Press et al., Numerical Recipes, 3rd ed. (2007), 9.4). It ends
    where a step is so small that the next one, by its quadratic convergence, changes nothing.
    """
    at = (low + high) / 2 if start is None else min(max(start, low), high)
    for _ in range(MOST_STEPS):
        value, slope = value_and_slope(at)
        if value == 0:
            return at
        low, high = (low, at) if value > 0 else (at, high)
        step = value / slope if slope > 0 else high - low
        after = at - step
        if not low < after < high:
            after = (low + high) / 2
        if abs(after - at) <= within:
            return after
        at = after
    return at
