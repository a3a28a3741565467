"""A change that many locks share: all of a venue, a room, a rail, a part or a controller.

What a unit's locks show together is held against what the season may do, as far as the
venue's other locks tell it (the course of the rest predicts the season; what stays open of it
is in the covariance), and against what volts, the unit's own room and chance leave open. So a
heat wave or a season, which come to all, are no shared change, and a leap or a rise that the
rest does not show is one. Where no lock stands outside, only what no season can do is told.

Magnets may share a change to sooner as well, which no season explains either: it is told apart
from the season, so that each of them is judged by it.

Not every lock of a unit need share its change: where most of them moved together and the rest
did not, it is the unit's all the same, and the rest keep their own level.

The weighing is :func:`~remanence.analytics.drift.change_model.fit_change`'s, with the unit's
course in place of a lock's.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from remanence.analytics.drift.change_model import (
    ChangeLikelihood,
    change_likelihood,
    daily_covariance,
    fit_change,
    shape_at,
)
from remanence.analytics.drift.common import Wander
from remanence.analytics.drift.neighbours import answer_to_volts
from remanence.analytics.drift.panel import LEAST_SIBLINGS, Panel, median_course, weighted_medians
from remanence.analytics.drift.season import (
    ANSWER_PER_KELVIN,
    OFFSET,
    CommonCourse,
    Observation,
    season_at_low,
    season_covariance,
    thermometers,
    told_season,
)
from remanence.analytics.drift.together import (
    IN_IT,
    OWN_ANSWER,
    OWN_HAZARD_PER_DAY,
    SHARED_HAZARD_PER_DAY,
    TOGETHER_DAYS,
    SideBySide,
    one_cause,
    rough_odds,
    side_by_side,
)
from remanence.analytics.statistics.arrays import Flags, Reals
from remanence.analytics.statistics.change import Change
from remanence.analytics.statistics.intervals import MEDIAN_VARIANCE
from remanence.shared.venue import Lock, Venue, controller_of

UNIT_WANDER, UNIT_MEMORY_DAYS = {"pulsed": 0.012, "held": 0.005}, 20.0
"""What a room's own warmth, a rail's own ripple and the like do to a unit's locks together, against
the others: 1.5 K and less (assumption)."""

UNIT_GAIN = 0.15
"""How much more or less than the others a unit's locks may answer a season together (share)."""

LEAST_SHIFT = 0.05
"""A smaller shared change is left to the season and to the locks (assumption; a finding has a gate
of its own)."""

SHARES_IT = 0.4
"""A lock leaps beside another where its own leap is this share of that one's (assumption)."""

ROUGH = 8.0
"""Natural log by which the rough odds of a unit may lie under the best and still be looked at (they
are good to a few; assumption)."""

FEWEST_TOGETHER, BESIDE_DAYS = 3, 7.0
"""Locks that change together, and the days on either side of a leap that show whether others did:
two in one week are chance (assumption)."""

LEAP_SHARE = 0.5
"""A change is a leap where a step is likelier than a slope (calculated: even odds)."""

WAYS = {"pulsed": (1.0,), "held": (1.0, -1.0)}
"""Ways that are looked at: 1 later, -1 sooner. A magnet that lets go sooner holds more weakly; a
latch that releases sooner stands on a stiffer rail, which is no fault (trade knowledge)."""

MOST_SHARED = 3
"""Shared changes that are told apart in one group."""

WINDOWS_DAYS = (14.0, 42.0, 91.0)
"""The last days in which a cluster of locks that moved together is looked for."""
CLUSTER_APART = 0.05
"""The two clusters' means lie this far apart at least (natural log)."""

_ORDER = {"supply": 0, "controller": 1, "part": 2, "room": 3, "venue": 4, "": 5}
"""Where two units hold the same locks, the narrower cause is said first."""


@dataclass(frozen=True)
class SharedChange:
    """A change that a unit's locks share.

    ``kind`` is ``venue``, ``room``, ``supply``, ``part`` or ``controller``, or empty for locks
    that have nothing in common but the change; ``same`` the other units with just its locks.
    ``locks`` are those of the unit that share it, ``total`` how many the unit has.
    ``change`` counts days from the Monday of the week asked for. ``odds_of_one_cause`` (natural
    log) are those for it against one of each lock's own
    (:func:`~remanence.analytics.drift.together.one_cause`).
    """

    kind: str
    subject: str
    same: tuple[tuple[str, str], ...]
    locks: tuple[str, ...]
    total: int
    change: Change
    odds_of_one_cause: float
    end: float

    def over(self, day: Reals) -> Reals:
        """The shared course on each day, natural log: 0 before."""
        return self.change.shift * shape_at(self.change, day, self.end)

    def uncertainty(self, course: Reals) -> Reals:
        """Covariance of one lock's part in it, where ``course`` is the shared one on its days.

        Each lock answers by itself (:data:`OWN_ANSWER`), and the shared size is known only about.
        """
        share = OWN_ANSWER**2 + (self.change.shift_deviation / self.change.shift) ** 2
        out: Reals = share * np.outer(course, course)
        return out


@dataclass(frozen=True)
class _Unit:
    kind: str
    subject: str
    same: tuple[tuple[str, str], ...]
    rows: Flags
    cost: float


@dataclass(frozen=True)
class _Seen:
    """A unit's change, and the season that it was held against: effect and its covariance."""

    change: Change
    effect: Reals
    season: Reals


def shared_changes(
    group: str, panel: Panel, common: CommonCourse, wander: Wander, venue: Venue,
    loads: Sequence[tuple[Reals, Reals]] = (),
) -> tuple[list[SharedChange], Panel]:
    """What many of a group's locks share and no season explains, the surest first.

    Parameters
    ----------
    group : str
        ``pulsed`` or ``held``.
    panel : Panel
        Its locks' levels.
    common : CommonCourse
        A first guess of the season; how far apart the locks answer it is taken from there.
    wander : Wander
        What its locks wander by themselves.
    venue : Venue
        Which units there are.
    loads : sequence of (array, array), optional
        What the rails tell of the rooms' warmth, see
        :func:`~remanence.analytics.drift.season.thermometers`.

    Returns
    -------
    tuple of (list of SharedChange, Panel)
        And the panel without them.
    """
    found: list[SharedChange] = []
    units = _units(panel.locks, venue)
    warmth = thermometers(group, panel, loads)
    for _ in range(MOST_SHARED):
        candidates: list[tuple[float, _Unit, _Seen]] = []
        for unit in (*units, *_clusters(panel)):
            seen = _change_of(group, unit.rows, panel, common, wander, len(units) + 1, warmth)
            if seen is None or not _told(group, seen.change):
                continue
            odds = seen.change.log_odds - unit.cost
            if odds > 0:
                candidates.append((odds, unit, seen))
        candidates.sort(key=lambda one: -one[0])
        for _, unit, seen in candidates:
            own = _own_likelihoods(panel, wander, seen.effect, seen.season)
            way = float(np.sign(seen.change.shift))
            odds, unit, rows = _whose(side_by_side(own, panel.day, way), [unit, *units])
            if odds <= 0:
                continue
            theirs = _change_of(group, rows, panel, common, wander, len(units) + 1, warmth)
            if theirs is not None and way * theirs.change.shift >= LEAST_SHIFT:
                change = theirs.change
                break
        else:
            break
        shared = SharedChange(
            unit.kind, unit.subject, unit.same,
            tuple(lock.id for lock, row in zip(panel.locks, rows, strict=True) if row),
            int(unit.rows.sum()), change, odds, float(panel.day[-1]))
        found.append(shared)
        panel = panel.without(rows[:, None] * shared.over(panel.day))
    return found, panel


def _told(group: str, change: Change) -> bool:
    """Whether a change is large enough, and goes a way that is looked at."""
    return any(way * change.shift >= LEAST_SHIFT for way in WAYS[group])


def without_lone_changes(group: str, panel: Panel, wander: Wander) -> Panel:
    """The panel without what single locks do by themselves, each on a day of its own.

    Parameters
    ----------
    group : str
        ``pulsed`` or ``held``.
    panel : Panel
        Its locks' levels.
    wander : Wander
        What its locks wander by themselves.

    Returns
    -------
    Panel
        A median over locks holds while a minority is at fault. Where one lock after the other
        falls slow they are the majority in the end, and no season, no rail and no room did it:
        a leap that no season can do to a lock, and that fewer than two others show in the days
        about it, is its own.
    """
    taken = np.zeros(panel.level.shape)
    own = _own_changes(panel, wander, season_covariance(group, panel.day))
    for row, change in enumerate(own):
        if change is None or change.log_odds <= 0 or change.step_share <= LEAP_SHARE:
            continue
        leapt = np.any([
            _leapt(panel, change.since + days) / change.shift > SHARES_IT
            for days in (-TOGETHER_DAYS, 0.0, TOGETHER_DAYS)], axis=0)
        if leapt[row] and leapt.sum() < FEWEST_TOGETHER:
            taken[row] = change.shift * shape_at(change, panel.day, float(panel.day[-1]))
    return panel.without(taken) if taken.any() else panel


def _leapt(panel: Panel, since: float) -> Reals:
    """By how much each lock's level lies higher in the week after a day than in that before it."""
    weight = 1.0 / panel.variance
    before = (panel.day < since) & (panel.day >= since - BESIDE_DAYS)
    after = (panel.day >= since) & (panel.day < since + BESIDE_DAYS)
    if not before.any() or not after.any():
        return np.full(panel.level.shape[0], np.nan)
    out: Reals = (weighted_medians(panel.level[:, after], weight[:, after], axis=1)
                  - weighted_medians(panel.level[:, before], weight[:, before], axis=1))
    return out


def _units(locks: tuple[Lock, ...], venue: Venue) -> list[_Unit]:
    """Every unit with enough locks; those with the same locks are one."""
    def of(lock: Lock) -> Iterator[tuple[str, str]]:
        yield "supply", lock.supply
        yield "controller", controller_of(lock.command)
        if lock.part:
            yield "part", lock.part
        if lock.room:
            yield "room", lock.room
        yield "venue", venue.id

    members: dict[tuple[str, str], set[int]] = {}
    for row, lock in enumerate(locks):
        for name in of(lock):
            members.setdefault(name, set()).add(row)
    same: dict[frozenset[int], list[tuple[str, str]]] = {}
    for name, rows in members.items():
        if len(rows) >= FEWEST_TOGETHER:
            same.setdefault(frozenset(rows), []).append(name)
    out = []
    for chosen, names in same.items():
        names.sort(key=lambda name: _ORDER[name[0]])
        if len(chosen) == len(locks):
            names.sort(key=lambda name: name[0] != "venue")
        flags = np.zeros(len(locks), dtype=bool)
        flags[list(chosen)] = True
        out.append(_Unit(*names[0], tuple(names[1:]), flags, 0.0))
    return out


def _clusters(panel: Panel) -> Iterator[_Unit]:
    """Locks that moved together lately although they share no unit: by the widest gap."""
    for window in WINDOWS_DAYS:
        late = panel.day > panel.day[-1] - window
        if not late.any() or late.all():
            continue
        moved = _moved(panel, late)
        known = np.flatnonzero(np.isfinite(moved))
        count = known.size
        if count < 2 * LEAST_SIBLINGS:
            continue
        order = known[np.argsort(moved[known])]
        sizes = np.arange(LEAST_SIBLINGS, count - LEAST_SIBLINGS + 1)
        sums = np.cumsum(moved[order])
        low = sums[sizes - 1] / sizes
        high = (sums[-1] - sums[sizes - 1]) / (count - sizes)
        between = (high - low) ** 2 * sizes * (count - sizes)
        cut = int(np.argmax(between))
        if high[cut] - low[cut] < CLUSTER_APART:
            continue
        rows = np.zeros(len(panel.locks), dtype=bool)
        rows[order[sizes[cut]:]] = True
        # Any number of locks, and any so many of them, might have been chosen.
        cost = float(np.log(count * special.comb(count, int(rows.sum()))))
        yield _Unit("", "", (), rows, cost)


def _moved(panel: Panel, late: Flags) -> Reals:
    """By how much each lock's level lies later in these periods than in the rest (NaN: unknown)."""
    weight = 1.0 / panel.variance
    out: Reals = (weighted_medians(panel.level[:, late], weight[:, late], axis=1)
                  - weighted_medians(panel.level[:, ~late], weight[:, ~late], axis=1))
    return out


def _whose(seen: SideBySide, units: Sequence[_Unit]) -> tuple[float, _Unit, Flags]:
    """Odds of one cause of the unit that it is likeliest of, that unit, and who shares it.

    One cause is said once: a rail whose locks show it most plainly is not the cause of what other
    rails' locks show from the same day on, and a venue is not that of what one rail's locks do
    beside two that failed by themselves. A unit of which most stood still did nothing to them.
    """
    best = -np.inf, units[0], np.zeros(units[0].rows.size, dtype=bool)
    rough = rough_odds(seen, np.array([unit.rows for unit in units])) - [u.cost for u in units]
    for unit, about in zip(units, rough, strict=True):
        if about < rough.max() - ROUGH:
            continue
        odds, joined = one_cause(seen, unit.rows, len(units))
        most = joined.sum() > IN_IT * (unit.rows & seen.known).sum()
        if most and joined.sum() >= FEWEST_TOGETHER and odds - unit.cost > best[0]:
            best = odds - unit.cost, unit, joined
    return best


def _own_likelihoods(
    panel: Panel, wander: Wander, effect: Reals, season: Reals
) -> list[ChangeLikelihood | None]:
    """What each lock by itself shows beside a season, whatever the others do.

    ``effect`` is what is known of the season by period, ``season`` the covariance of the rest.
    """
    return [change_likelihood(day, level - effect[known], rest)
            for day, level, known, rest in _each(panel, wander, season)]


def _own_changes(panel: Panel, wander: Wander, season: Reals) -> list[Change | None]:
    """The same summed up, of an unknown season."""
    return [fit_change(day, level, rest, hazard_per_day=OWN_HAZARD_PER_DAY)
            for day, level, _, rest in _each(panel, wander, season)]


def _each(
    panel: Panel, wander: Wander, season: Reals
) -> Iterator[tuple[Reals, Reals, Flags, Reals]]:
    """Days and levels of each lock, which they are of the panel's, and their covariance."""
    for level, variance in zip(panel.level, panel.variance, strict=True):
        known = np.isfinite(level) & np.isfinite(variance)
        day = panel.day[known]
        yield day, level[known], known, season[np.ix_(known, known)] + daily_covariance(
            day, variance[known], wander.daily, wander.memory_days, wander.slow,
            wander.slow_memory_days)


def _change_of(
    group: str, inside: Flags, panel: Panel, common: CommonCourse, wander: Wander, units: int,
    warmth: Sequence[Observation],
) -> _Seen | None:
    """The unit's change, weighed against the season that the others tell."""
    weight, apart = 1.0 / panel.variance, panel.apart
    course, variance = median_course(apart[inside], weight[inside], FEWEST_TOGETHER)
    known = np.isfinite(course) & np.isfinite(variance)
    if not known.any():
        return None
    told = list(warmth)
    others = ~inside
    gain = ANSWER_PER_KELVIN**2
    if others.sum() >= LEAST_SIBLINGS:
        rest, rest_variance = median_course(apart[others], weight[others])
        rest = np.where(np.isfinite(rest_variance), rest, np.nan)
        told.append(Observation(
            rest, _noise(group, panel, others, wander, rest_variance) + OFFSET**2))
        gain = (common.gain_deviation**2 * (1 / inside.sum() + 1 / others.sum()) + UNIT_GAIN**2)
    effect, season = told_season(group, panel.day, told)
    turned = effect - np.median(effect)
    total = season + gain * np.outer(turned, turned) + _noise(
        group, panel, inside, wander, variance)
    if group == "pulsed":
        total = total + season_at_low(effect, _volts(panel, inside))
    total = total[np.ix_(known, known)]
    change = fit_change(
        panel.day[known], (course - effect)[known], 0.5 * (total + total.T),
        hazard_per_day=SHARED_HAZARD_PER_DAY / units)
    return None if change is None else _Seen(change, effect, season)


def _noise(
    group: str, panel: Panel, rows: Flags, wander: Wander, variance: Reals
) -> Reals:
    """What the locks' own wander, their answer to volts and their unit leave open of a median."""
    day = panel.day
    count = float(rows.sum())
    finite = np.where(np.isfinite(variance), variance, 0.0)
    out = MEDIAN_VARIANCE / count * daily_covariance(
        day, np.zeros(day.size), wander.daily, wander.memory_days, wander.slow,
        wander.slow_memory_days)
    out = out + UNIT_WANDER[group] ** 2 * np.exp(
        -np.abs(day[:, None] - day[None, :]) / UNIT_MEMORY_DAYS)
    out[np.diag_indices_from(out)] += finite
    out = out + panel.shared_offset(rows)
    if group == "pulsed":
        out = out + answer_to_volts(_volts(panel, rows))
    return out


def _volts(panel: Panel, rows: Flags) -> Reals:
    """The volts of a unit's locks, against rated ones (natural log)."""
    known = np.isfinite(panel.level[rows])
    number = known.sum(axis=0)
    out: Reals = np.where(known, panel.log_volts[rows], 0.0).sum(axis=0) / np.maximum(number, 1)
    return out
