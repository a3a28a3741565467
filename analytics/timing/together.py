"""Locks fired at once: how far apart they open, whether the rail bears it, how to stagger them.

Where the log holds the locks fired together, the spread is read off those moments. For any
other group it is worked out from the single locks as if they were independent: not by chance
draws but by counting, over all combinations of their equally likely release times, so that
program and page agree to the digit. What is common to the locks of a moment (the rail) is put
in by what each takes off the rail.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from itertools import pairwise

import numpy as np
import polars as pl

from remanence.analytics.statistics.arrays import Ints
from remanence.analytics.statistics.survival import product_limit
from remanence.analytics.timing.answer import pulse_answer
from remanence.analytics.timing.model import LockModel, Settings, TimingRail
from remanence.analytics.timing.scale import round_up, tenths
from remanence.shared.column_numbers import ticks_of
from remanence.shared.table import reals

_JUST = 1e-9

FEWEST_MOMENTS = 3
"""Moments in which all opened, below which their spread is only counted."""

MOST_SHARE = 0.95
"""Share of the moments that the wide spread holds."""


@dataclass(frozen=True)
class JointSpread:
    """The spread as it was, in the moments that the log holds.

    Attributes
    ----------
    times, all_opened : int
        Moments, and those in which all opened.
    median_ms, median_low_ms, median_high_ms : float or None
        Median time from the first opening to the last, with its 95 % interval. None where all
        opened in fewer than three moments; a high end is None where it is not reached.
    most_ms, most_low_ms, most_high_ms : float or None
        The same for the 95 % quantile.
    commands_apart_ms : float or None
        How far the commands themselves were apart (median).
    at_once_median_ms, at_once_most_ms : float or None
        The spread that is left without it.
    """

    times: int
    all_opened: int
    median_ms: float | None = None
    median_low_ms: float | None = None
    median_high_ms: float | None = None
    most_ms: float | None = None
    most_low_ms: float | None = None
    most_high_ms: float | None = None
    commands_apart_ms: float | None = None
    at_once_median_ms: float | None = None
    at_once_most_ms: float | None = None


@dataclass(frozen=True)
class RailAnswer:
    """What firing at once does to one rail.

    Attributes
    ----------
    supply : str
        The rail.
    volts, lowest_volts : float or None
        Before the commands, and with all coils on.
    window_volts : float
        The least under load.
    bears : bool or None
        Whether it stays in its window and rating; None: cannot be told, nothing measured.
    amps : float or None
        What all coils that are on then draw, by their ratings.
    over_rating : bool
        The supply is rated for less.
    """

    supply: str
    volts: float | None
    lowest_volts: float | None
    window_volts: float
    bears: bool | None
    amps: float | None = None
    over_rating: bool = False


@dataclass(frozen=True)
class GroupAnswer:
    """A group fired at once.

    Attributes
    ----------
    locks, left_out : tuple of str
        The locks, and those of them without known release times.
    spread_median_ms, spread_most_ms : float or None
        First opening to last, median and 95 %, from the single locks at the volts left in
        company; None with fewer than two known.
    delays_ms : tuple of float
        Delay of each lock's command at which the medians meet.
    aligned_median_ms, aligned_most_ms : float or None
        The spread with those delays.
    one_event : bool or None
        Whether the aligned spread reads as one event.
    rails : tuple of RailAnswer
        What it does to each rail.
    batches : tuple of tuple of str
        Locks to fire together so that every rail keeps its window; one batch where the rail
        bears all at once.
    starts_ms : tuple of float
        When each batch starts.
    joint : JointSpread or None
        What the log shows of this very group.
    """

    locks: tuple[str, ...]
    left_out: tuple[str, ...]
    spread_median_ms: float | None
    spread_most_ms: float | None
    delays_ms: tuple[float, ...]
    aligned_median_ms: float | None
    aligned_most_ms: float | None
    one_event: bool | None
    rails: tuple[RailAnswer, ...]
    batches: tuple[tuple[str, ...], ...]
    starts_ms: tuple[float, ...]
    joint: JointSpread | None = None


def load_of(model: LockModel, volts: float | None) -> float | None:
    """Source resistance over coil resistance: what a lock's coil adds to the rail's divider.

    A lone coil pulls V down by sag = V x / (1 + x); several add their x (conductances in
    parallel behind one source). Zero for a magnet: releasing it takes load off.
    """
    if model.magnet:
        return 0.0
    if model.sag_volts is None or volts is None or model.sag_volts >= volts:
        return None
    return max(model.sag_volts, 0.0) / (volts - max(model.sag_volts, 0.0))


def added_amps(model: LockModel) -> float:
    """What commanding a lock adds to its rail's current; a magnet's release takes it off."""
    return (-1.0 if model.magnet else 1.0) * (model.amps or 0.0)


def range_quantile(points: Sequence[Sequence[int]], share: float) -> int:
    """Smallest spread that ``share`` of all combinations of the points do not exceed.

    Parameters
    ----------
    points : sequence of sequence of int
        Rising, equally likely values of each lock, independent of the others'.
    share : float
        Between 0 and 1.

    Returns
    -------
    int
        In the unit of the points; exact, by counting.
    """
    arrays = [np.asarray(item, dtype=np.int64) for item in points]
    low, high = 0, int(max(a[-1] for a in arrays) - min(a[0] for a in arrays))
    while low < high:
        middle = (low + high) // 2
        if share_within(arrays, middle) >= share - _JUST:
            high = middle
        else:
            low = middle + 1
    return low


def share_within(arrays: Sequence[np.typing.NDArray[np.int64]], spread: int) -> float:
    """Share of all combinations whose last is no more than ``spread`` after their first.

    For each value that could be the first (of equal ones, the lock named first), the shares of
    every other lock's values from there to ``spread`` later are multiplied.

    Parameters
    ----------
    arrays : sequence of numpy.ndarray of int
        Rising, equally likely values of each lock; none empty.
    spread : int
        In their unit.

    Returns
    -------
    float
        Between 0 and 1; exact, by counting.
    """
    total = 0.0
    for i, first in enumerate(arrays):
        product = np.ones(first.size)
        for j, other in enumerate(arrays):
            if j != i:
                start = np.searchsorted(other, first, side="left" if j > i else "right")
                end = np.searchsorted(other, first + spread, side="right")
                product = product * (np.maximum(end - start, 0) / other.size)
        total += float(product.sum()) / first.size
    return total


def together(
    models: Sequence[LockModel], rails: Mapping[str, TimingRail], settings: Settings, *,
    volts: Mapping[str, float | None], low_volts: Mapping[str, float | None] | None = None,
    target: float | None = None, joint: JointSpread | None = None,
) -> GroupAnswer:
    """What happens when these locks are commanded at the same instant.

    Parameters
    ----------
    models : sequence of LockModel
        The group's locks, in the order to be shown.
    rails : mapping of str to remanence.analytics.timing.model.TimingRail
        By supply.
    settings : Settings
        Step of the waits, and what reads as one event.
    volts : mapping of str to float or None
        Rail volts before the commands, by supply: the spread is worked out there.
    low_volts : mapping of str to float or None, optional
        The volts from which a rail must still bear the load; default: ``volts``.
    target : float, optional
        For the pulse that ends a batch; default: the settings'.
    joint : JointSpread, optional
        What the log shows of this very group.

    Returns
    -------
    GroupAnswer
        A lock without release times, with an obstacle, or told by a door, is ``left_out`` of the
        spread, not of the rail.

    Raises
    ------
    KeyError
        ``rails`` lacks the supply of one of the models.

    Notes
    -----
    Locks are taken for independent; batches by first fit decreasing (textbook bin packing).
    """
    target = settings.target if target is None else target
    low_volts = volts if low_volts is None else low_volts
    loads, sums = _loads(models, volts)
    low_loads, low_sums = _loads(models, low_volts)
    known = [m for m in models if m.points_ms and not m.obstacle and m.kind != "door"]
    release = [tenths(m, _volts_in_company(m, volts, loads, sums)) for m in known]
    spread = _spread(release)
    twice_median = [item[len(item) // 2 - 1] + item[len(item) // 2] for item in release]
    delays = [math.floor((max(twice_median) - own) / 20 + 0.5) for own in twice_median]
    aligned = _spread([[t + 10 * delay for t in item]
                       for item, delay in zip(release, delays, strict=True)])
    rail_answers = []
    for supply in sorted(sums):
        unknown = any(low_loads[m.lock] is None for m in models if m.supply == supply)
        before = low_volts.get(supply)
        window = rails[supply].window_volts
        lowest = None if before is None or unknown else before / (1 + low_sums[supply])
        amps = rails[supply].resting_amps + sum(
            added_amps(m) for m in models if m.supply == supply)
        rated = rails[supply].rated_amps
        over = rated is not None and amps > rated
        bears = False if over else None if lowest is None else lowest >= window
        rail_answers.append(RailAnswer(supply, before, lowest, window, bears, amps, over))
    batches, starts = _batches(models, rails, settings, low_volts, low_loads, target)
    by_lock = dict(zip((m.lock for m in known), delays, strict=True))
    return GroupAnswer(
        locks=tuple(m.lock for m in models),
        left_out=tuple(m.lock for m in models if m not in known),
        spread_median_ms=spread[0], spread_most_ms=spread[1],
        delays_ms=tuple(float(by_lock.get(m.lock, 0)) for m in models),
        aligned_median_ms=aligned[0], aligned_most_ms=aligned[1],
        one_event=None if aligned[1] is None else aligned[1] <= settings.spread_ms,
        rails=tuple(rail_answers), batches=batches, starts_ms=starts, joint=joint,
    )


def _loads(
    models: Sequence[LockModel], volts: Mapping[str, float | None]
) -> tuple[dict[str, float | None], dict[str, float]]:
    """Each lock's load at these volts, and their sum on each rail."""
    loads = {m.lock: load_of(m, volts.get(m.supply)) for m in models}
    sums: dict[str, float] = {}
    for model in models:
        sums[model.supply] = sums.get(model.supply, 0.0) + (loads[model.lock] or 0.0)
    return loads, sums


def _spread(release: Sequence[Sequence[int]]) -> tuple[float | None, float | None]:
    if len(release) < 2:
        return None, None
    return range_quantile(release, 0.5) / 10, range_quantile(release, MOST_SHARE) / 10


def _volts_in_company(
    model: LockModel, volts: Mapping[str, float | None], loads: Mapping[str, float | None],
    sums: Mapping[str, float],
) -> float | None:
    before = volts.get(model.supply)
    if before is None:
        return None
    return before / (1 + max(sums[model.supply] - (loads[model.lock] or 0.0), 0.0))


def _batches(
    models: Sequence[LockModel], rails: Mapping[str, TimingRail], settings: Settings,
    volts: Mapping[str, float | None], loads: Mapping[str, float | None], target: float,
) -> tuple[tuple[tuple[str, ...], ...], tuple[float, ...]]:
    """Heaviest first into the first batch that still holds it (first fit decreasing)."""
    order = sorted(range(len(models)), key=lambda i: (-(loads[models[i].lock] or 0.0), i))
    batches: list[list[int]] = []
    held: list[dict[str, tuple[float, float]]] = []
    for i in order:
        model = models[i]
        rail, before = rails[model.supply], volts.get(model.supply)
        load, amps = loads[model.lock] or 0.0, added_amps(model)
        room = math.inf if before is None else before / rail.window_volts - 1
        spare = math.inf if rail.rated_amps is None else rail.rated_amps - rail.resting_amps
        for batch, sums in zip(batches, held, strict=True):
            taken = sums.get(model.supply, (0.0, 0.0))
            if taken[0] + load <= room + _JUST and taken[1] + amps <= spare + _JUST:
                batch.append(i)
                sums[model.supply] = (taken[0] + load, taken[1] + amps)
                break
        else:
            batches.append([i])
            held.append({model.supply: (load, amps)})
    starts, start = [], 0.0
    for batch in batches:
        starts.append(start)
        longest = 0.0
        for i in batch:
            pulse = pulse_answer(models[i], settings, target, volts.get(models[i].supply))
            longest = max(longest, pulse.recommended_ms or models[i].pulse_now_ms or 0.0)
        start = round_up(start + longest, settings.wait_step_ms)
    named = tuple(tuple(models[i].lock for i in sorted(batch)) for batch in batches)
    return named, tuple(starts)


def groups_in_log(
    actuations: pl.DataFrame, *, within_ms: float, least: float, share: float = 0.2
) -> list[tuple[tuple[str, ...], pl.DataFrame]]:
    """Sets of locks that the log shows being commanded at one moment, again and again.

    Parameters
    ----------
    actuations : polars.DataFrame
        Columns ``lock``, ``command_time`` and ``attempt`` of ACTUATIONS; any row order. Retries
        are passed over; of two commands of one lock in one moment the first counts.
    within_ms : float
        Commands no later than this after the first of them are one moment.
    least : float
        Moments that make a group.
    share : float, default 0.2
        Least share of the commands of its least used lock that fall into the group's moments:
        chance meetings of busy locks are no group.

    Returns
    -------
    list of (locks, moments)
        Most frequent first. ``moments``: the rows of those moments, with ``moment`` (number).
    """
    # Hundreds of locks have no memory for their rows in order: only their places are put there.
    runs = actuations["lock"].rle().struct.unnest()
    names, of_run = np.unique(runs["value"].to_list(), return_inverse=True)
    lock = np.repeat(of_run, runs["len"].to_numpy())
    stamps = ticks_of(actuations["command_time"])
    asked = np.flatnonzero(reals(actuations["attempt"], 1.0) == 1.0)
    if asked.size < 2:
        return []
    order = asked[np.lexsort((lock[asked], stamps[asked]))]
    lock, stamps = lock[order], stamps[order]
    span = timedelta(milliseconds=within_ms) // timedelta(microseconds=1)
    begins = np.append(True, np.diff(stamps) > span)
    # Only where commands come close is there anything to walk through.
    heads = np.append(np.flatnonzero(begins), stamps.size)
    for head, until in zip(heads[:-1][np.diff(heads) > 1].tolist(),
                           heads[1:][np.diff(heads) > 1].tolist(), strict=True):
        start = int(stamps[head])
        for index, stamp in enumerate(stamps[head:until].tolist(), head):
            if stamp - start > span:
                start, begins[index] = stamp, True
    moment = np.cumsum(begins) - 1
    # Most commands are given alone: only the others are gone through moment by moment.
    alone = np.bincount(moment)[moment] == 1
    several = np.flatnonzero(~alone)
    # By moment, then by lock, each lock once.
    kept = several[np.unique(moment[several] * names.size + lock[several], return_index=True)[1]]
    commands = np.bincount(np.append(lock[alone], lock[kept]), minlength=names.size)
    starts = np.flatnonzero(np.diff(moment[kept], prepend=-1)).tolist()
    sets: dict[tuple[int, ...], list[Ints]] = {}
    for start, end in pairwise([*starts, kept.size]):
        if end - start > 1:
            sets.setdefault(tuple(lock[kept[start:end]].tolist()), []).append(kept[start:end])
    found = []
    for chosen, moments in sets.items():
        if len(moments) >= max(least, share * commands[list(chosen)].min()):
            rows = np.sort(np.concatenate(moments))
            found.append((tuple(names[list(chosen)].tolist()), actuations[order[rows]].with_columns(
                moment=pl.Series(moment[rows]))))
    found.sort(key=lambda item: (-item[1].height // len(item[0]), item[0]))
    return found


def joint_spread(moments: pl.DataFrame, locks: Sequence[str]) -> JointSpread:
    """First opening to last, in the moments in which all of ``locks`` opened.

    Parameters
    ----------
    moments : polars.DataFrame
        As of :func:`groups_in_log`: a number ``moment`` beside the columns ``command_time``,
        ``outcome`` and ``latency_ms`` of ACTUATIONS; all commands stamped by one clock.
    locks : sequence of str
        The group.

    Returns
    -------
    JointSpread
        Counts alone with fewer than three moments in which all opened.

    Notes
    -----
    Quantiles and their limits as of :func:`remanence.analytics.statistics.survival.product_limit`.
    """
    stamp = pl.col("command_time").dt.timestamp("us")
    sent = (stamp - stamp.min().over("moment")) / 1000.0
    latency = pl.col("latency_ms")
    opened = (
        moments.filter((pl.col("outcome") == "released") & latency.is_not_null())
        .with_columns(sent=sent, at=sent + latency)
        .group_by("moment")
        .agg(
            count=pl.len(), spread=pl.col("at").max() - pl.col("at").min(),
            apart=pl.col("sent").max() - pl.col("sent").min(),
            at_once=latency.max() - latency.min(),
        )
        .filter(pl.col("count") == len(locks))
        .sort("moment")
    )
    times = moments["moment"].n_unique()
    if opened.height < FEWEST_MOMENTS:
        return JointSpread(times, opened.height)
    always = np.ones(opened.height, dtype=bool)
    curve = product_limit(np.maximum(opened["spread"].to_numpy(), 0.0), always)
    at_once = product_limit(np.maximum(opened["at_once"].to_numpy(), 0.0), always)
    apart = float(np.median(opened["apart"].to_numpy()))
    return JointSpread(
        times, opened.height, *curve.quantile(0.5), *curve.quantile(MOST_SHARE), apart,
        at_once.quantile(0.5)[0], at_once.quantile(MOST_SHARE)[0],
    )
