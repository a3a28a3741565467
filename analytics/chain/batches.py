"""A bad batch: units of one part fitted within some weeks that fail far oftener than the others."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from remanence.analytics.chain.model import Member, Unit
from remanence.analytics.statistics import LifePosterior, Reals

BATCH_DAYS = 92
"""Units of one delivery are fitted within a quarter (trade practice)."""
BATCH_SHARE = 0.5
"""No more than half of all units are a batch: beyond that the part itself is bad (Kulldorff)."""
LEAST_FAILED = 3
"""With fewer failures nothing is named: two can be chance anywhere (trade practice)."""
SHUFFLES, SHUFFLE_SEED = 1999, 20260711
"""Random orders that the most striking window is held against: p down to 0.0005."""
BATCH_P = 0.01
"""A window as striking as this turns up by chance in one chain of a hundred, for one part."""


@dataclass(frozen=True)
class Batch:
    """Units of one part, fitted within some days, that fail far oftener.

    Attributes
    ----------
    part : str
        Which.
    first, last : date
        They were fitted from this day to that.
    units, failed : int
        How many, and how many of them failed.
    expected : float
        How many failures their use would have brought, had they been like all units of the part.
    p : float
        Chance of a window as striking where no batch is bad.
    running : tuple of (str, str)
        Venue and lock where units of it still run.
    """

    part: str
    first: date
    last: date
    units: int
    failed: int
    expected: float
    p: float
    running: tuple[tuple[str, str], ...]


def bad_batch(
    part: str, members: Sequence[Member], life: LifePosterior
) -> Batch | None:
    """The most striking stretch of installation dates of one part, where it is no chance.

    Parameters
    ----------
    part : str
        Its id.
    members : sequence of Member
        All venues.
    life : LifePosterior
        Of the part over all venues: what its units are held against.

    Returns
    -------
    Batch or None
        None where nothing stands out, or hardly any day of fitting is known.

    Notes
    -----
    A scan statistic over the days of fitting: of all windows of up to :data:`BATCH_DAYS`, the one
    with the highest likelihood ratio of failures within against failures without, each unit
    expected to fail as often as its cycles bring under the pooled life. Its p is the share of
    random orders of the days whose best window is as high, so it allows for all windows looked at.

    References
    ----------
    .. [1] Kulldorff, M. (1997). A spatial scan statistic. Communications in Statistics: Theory and
       Methods 26(6), 1481-1496.
    """
    placed = [(unit, member.week.venue, lock.lock)
              for member in members if member.week
              for lock in member.week.locks if lock.part == part
              for unit in lock.units if unit.fitted is not None and unit.cycles > unit.entry]
    placed.sort(key=lambda item: (item[0].fitted, item[1], item[2]))
    units = [unit for unit, _, _ in placed]
    failed = np.array([unit.failed for unit in units], dtype=np.float64)
    if failed.sum() < LEAST_FAILED:
        return None
    expected = expected_failures(units, life)
    expected *= failed.sum() / expected.sum()
    days = np.array([unit.fitted.toordinal() for unit in units if unit.fitted])
    _, starts = np.unique(days, return_index=True)
    edges = np.append(starts, days.size)
    windows = _windows(days, edges)
    height, best = _highest(failed, expected, windows)
    if best is None:
        return None
    rng = np.random.default_rng(SHUFFLE_SEED)
    as_high = 0
    for _ in range(SHUFFLES):
        order = rng.permutation(days.size)
        as_high += _highest(failed[order], expected[order], windows)[0] >= height - 1e-12
    p = (1 + as_high) / (1 + SHUFFLES)
    first, end = windows[best]
    inside = placed[first:end]
    count = int(failed[first:end].sum())
    if p > BATCH_P or count < LEAST_FAILED:
        return None
    return Batch(
        part, date.fromordinal(int(days[first])), date.fromordinal(int(days[end - 1])),
        len(inside), count, float(expected[first:end].sum()), p,
        tuple((venue, lock) for unit, venue, lock in inside if unit.running),
    )


def expected_failures(units: Sequence[Unit], life: LifePosterior) -> Reals:
    """How often each unit's use would have brought a failure, under what is held of the life.

    Parameters
    ----------
    units : sequence of Unit
        n of them.
    life : LifePosterior
        Averaged over.

    Returns
    -------
    numpy.ndarray, shape (n,)
        The mean of the cumulative hazard between entry and cycles.
    """
    done = np.array([unit.cycles for unit in units])[:, None]
    entry = np.array([unit.entry for unit in units])[:, None]
    hazard = (done / life.scale) ** life.shape - (entry / life.scale) ** life.shape
    return np.asarray(np.maximum(hazard @ life.probability, 1e-9))


def _windows(days: Reals, edges: Reals) -> np.ndarray:
    """First and end position of every window of whole days of fitting."""
    pairs = [
        (int(first), int(edges[end]))
        for at, first in enumerate(edges[:-1]) for end in range(at + 1, edges.size)
        if days[edges[end] - 1] - days[first] < BATCH_DAYS
        and edges[end] - first <= BATCH_SHARE * days.size
    ]
    return np.array(pairs, dtype=np.int64).reshape(-1, 2)


def _highest(
    failed: Reals, expected: Reals, windows: np.ndarray
) -> tuple[float, int | None]:
    """The highest log likelihood ratio of a window with too many failures, and which it is."""
    if not len(windows):
        return 0.0, None
    sums = np.concatenate([[0.0], np.cumsum(failed)])
    means = np.concatenate([[0.0], np.cumsum(expected)])
    inside = sums[windows[:, 1]] - sums[windows[:, 0]]
    due = np.maximum(means[windows[:, 1]] - means[windows[:, 0]], 1e-12)
    total = sums[-1]
    outside, left = total - inside, np.maximum(total - due, 1e-12)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(inside > 0, inside * np.log(inside / due), 0.0) + np.where(
            outside > 0, outside * np.log(outside / left), 0.0)
    ratio = np.where(inside > due, ratio, 0.0)
    best = int(np.argmax(ratio))
    return float(ratio[best]), best if ratio[best] > 0 else None
