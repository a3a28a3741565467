"""How finely a controller stamps its edges: the period it polls at, or the step of its clock.

A polled input is an interval, not an instant: the contact moved at some time in
the period before the stamp. The period shows in the differences between an edge
and the contact edges just after it, which are whole multiples of it. The step of
the clock shows in the stamps themselves. The coarser of the two is what a latency
can be trusted to. Programmed times (a pulse of exactly 500 ms) say nothing about
polling, so a difference always ends at a contact edge.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from analytics.pairing_levels import Ints

DAY_US = 86_400_000_000

PERIODS_MS = (
    2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 12.5, 15.0, 15.625, 16.0, 1000 / 60, 20.0, 24.0,
    25.0, 30.0, 32.0, 100 / 3, 40.0, 50.0, 60.0, 64.0, 75.0, 80.0, 100.0, 120.0, 125.0, 150.0,
    200.0, 250.0, 300.0, 400.0, 500.0, 1000.0,
)
"""Periods that controllers are programmed to. [ms] From memory of common scan times."""

_LONGEST_FIRST = np.array(sorted(PERIODS_MS, reverse=True))

STEPS_US = (1_000_000, 100_000, 10_000, 1_000, 100, 10, 4)
"""Steps that clocks count in, coarsest first. [us]"""

REACH_US = 1_000_000
"""Differences longer than this are left out: a resonator 0.5 % off blurs them."""

FEWEST = 12
"""Differences below which no period is claimed."""

MOST = 256
"""Differences looked at; more tell nothing new."""

OFTEN = 3
"""How often a multiple must be seen to count."""

CONCENTRATION = 0.95
"""Mean cosine of the differences' phase that shows a period."""


def clock_step_ms(times: Ints) -> float | None:
    """The coarsest step that 99 % of the stamps keep to.

    Parameters
    ----------
    times : array of int
        Stamps, any order. [us, UTC]

    Returns
    -------
    float or None
        Milliseconds: one of 1000, 100, 10, 1, 0.1, 0.01 and 0.004, else 0.001. None without
        stamps; with fewer than twelve nothing coarser than 1 ms is claimed.

    Notes
    -----
    Common practice, no source.
    """
    if not times.size:
        return None
    times = np.unique(times)  # states announced together are one stamp
    for step in STEPS_US:
        if np.count_nonzero(times % step == 0) >= 0.99 * times.size and (
            times.size >= FEWEST or step <= 1_000
        ):
            return step / 1000.0
    return 0.001


def polling_period_ms(differences: Ints, smallest_ms: float = 0.0) -> float | None:
    """The longest known period whose multiples the differences are.

    Parameters
    ----------
    differences : array of int
        Edge to later contact edge of one controller (:func:`contact_differences`). [us]
    smallest_ms : float, default 0.0
        Periods up to this are not looked for.

    Returns
    -------
    float or None
        A period of :data:`PERIODS_MS`. [ms] None where none shows, or with fewer than twelve
        differences.

    Notes
    -----
    The differences' phase must keep to the period (mean cosine 0.95 or more), and two multiples
    must be seen three times each. This program's own test, on the idea of a periodogram.
    """
    if differences.size < FEWEST:
        return None
    spread = differences[np.linspace(0, differences.size - 1, min(MOST, differences.size))
                         .astype(int)] / 1000.0
    turns = spread / _LONGEST_FIRST[:, None]
    # The differences' phase must keep to the period.
    keeps = np.cos(2 * np.pi * turns).mean(axis=1) >= CONCENTRATION
    for place in np.flatnonzero(keeps & (smallest_ms < _LONGEST_FIRST)):
        # Two multiples at least, each seen often: one value alone is a multiple of anything.
        _, seen = np.unique(np.round(turns[place]), return_counts=True)
        if np.count_nonzero(seen >= OFTEN) >= 2:
            return float(_LONGEST_FIRST[place])
    return None


def contact_differences(times: Ints, is_contact: Sequence[bool] | np.ndarray) -> Ints:
    """From each edge to the next one of its controller, where that is a contact's.

    Parameters
    ----------
    times : array of int, shape (n,)
        Edges of one controller (commands and contacts), in time order. [us]
    is_contact : array of bool, shape (n,)
        Which of them are a contact's.

    Returns
    -------
    numpy.ndarray of int
        Differences above 0 and up to one second; the others are left out. [us]
    """
    step = np.diff(times)
    good = np.asarray(is_contact, dtype=bool)[1:] & (step > 0) & (step <= REACH_US)
    return step[good]


def polling_rows(
    controllers: Sequence[str], whose: Ints, times: Ints, is_contact: np.ndarray
) -> pl.DataFrame:
    """POLLING of each controller and UTC day that has edges.

    Parameters
    ----------
    controllers : sequence of str
        Their names.
    whose : array of int, shape (n,)
        Which controller stamped each edge: its place in ``controllers``.
    times : array of int, shape (n,)
        Edges, any order, repeats allowed. [us, UTC]
    is_contact : array of bool, shape (n,)
        Which edges are a contact's; the others are commands.

    Returns
    -------
    polars.DataFrame
        Columns ``controller``, ``day``, ``resolution_ms`` and ``edges`` of POLLING, by controller
        and day. ``resolution_ms`` is the polling period where one shows, else the clock's step.
    """
    order = np.lexsort((is_contact, times, whose))
    whose, times, is_contact = whose[order], times[order], is_contact[order]
    day = times // DAY_US
    new = np.ones(whose.size, np.bool_)
    new[1:] = (whose[1:] != whose[:-1]) | (day[1:] != day[:-1])
    at = np.flatnonzero(new)
    rows: list[tuple[str, int, float | None, int]] = []
    for low, high in zip(at, np.append(at, whose.size)[1:], strict=True):
        stamps = times[low:high]
        step = clock_step_ms(stamps)
        period = polling_period_ms(contact_differences(stamps, is_contact[low:high]), step or 0.0)
        rows.append((
            controllers[whose[low]], int(day[low]), period or step, int(np.unique(stamps).size)))
    return pl.DataFrame(
        rows, schema={"controller": pl.String, "day": pl.Int32, "resolution_ms": pl.Float64,
                      "edges": pl.Int64}, orient="row",
    ).with_columns(pl.col("day").cast(pl.Date))
