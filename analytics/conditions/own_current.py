"""How the current of each lock's coil has changed, with what the rail does to all taken out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from remanence.analytics.history import (
    History,
    actuations_by_lock,
    day_ordinals,
    last_service,
    once_per_history,
)
from remanence.analytics.physics.cable import COPPER_PER_KELVIN
from remanence.analytics.physics.rail_load import (
    ROOM_KELVIN,
    RailLoad,
    logged_currents,
    rail_loads,
)
from remanence.analytics.physics.regimes import RAIL, READING, regimes
from remanence.analytics.statistics.arrays import Flags, Ints, Reals
from remanence.analytics.statistics.change import Change
from remanence.analytics.statistics.intervals import probability, robust_deviation
from remanence.analytics.statistics.level_change import level_change
from remanence.analytics.statistics.seasoned import shift_since
from remanence.shared.findings import Evidence
from remanence.shared.venue import Lock

_SEASON = COPPER_PER_KELVIN * ROOM_KELVIN
"""Standard deviation of a current over the year: warm copper draws less. The coils of one rail have
it in common."""
_FEWEST_LOADED_DAYS = 2
"""Days this week with a level before a coil is compared with its siblings. Assumption."""
_FLOOR = 0.015
"""Least deviation of a day's ln current: heat of the coil and of the room. Assumption."""
_CHANGED_PRIOR = 1 / 1000
"""Chance, before any data, that a coil draws another current than it did when its log began: coils
are seldom at fault, and many locks are looked at in many weeks. Assumption."""
_WITHIN_METER_STEPS = 2.2
"""A change of two of the meter's steps, and a tenth more each, is the meter's. Assumption."""
_FIRST_DAYS = 14
"""The first days with a level, which show what a coil drew at first (assumption)."""
_LIKELY_CHANGED = 0.5
"""A coil that has more likely changed than not is judged by that (calculated: even odds)."""
_FEWEST_RAIL_TELLERS = 2
"""Coils that must have told the rail's own change on a day. Assumption."""
_TOLD_DAYS_SHARE = 0.5
"""Where fewer days than this share have so many, the coil counts as alone on its rail: most."""
BETWEEN_COILS = 0.05
"""By how much sound coils differ from what is stated of them (standard deviation of ln amperes):
they are made to within 5 to 10 %, which is two of them."""
_FEWEST_STATED_SIBLINGS = 4
"""Fewer siblings give no deviation worth the name. Assumption."""
ALONE_SCORE = 0.6
"""A coil alone on its rail may as well be a bad joint of the rail. Assumption."""


@dataclass(frozen=True)
class OwnCurrent:
    """How the current of one coil has changed, in natural logarithms.

    ``against`` is the change against before, and half the width of its interval; ``alone``: no
    other coils tell what the rail does by itself; ``longer``: by how much longer a coil that cuts
    itself loads the rail.
    """

    lock: Lock
    change: Change
    against: tuple[float, float]
    alone: bool
    longer: float = 0.0

    @property
    def more(self) -> float:
        """The change less what its load's length may account for.

        The current rises while the coil is on, so that a load is read the deeper the longer it
        lasts: in proportion at most (calculated: a coil's current as it is switched on).
        """
        return self.change.shift - self.longer

    def score(self, gate: float) -> float:
        """Probability that it changed, and by more than half of ``gate`` in its direction."""
        now = replace(self.change.now, level=self.change.before.level + self.more)
        score = _chance(self.change) * replace(self.change, now=now).score(gate)
        return min(score, ALONE_SCORE) if self.alone else score

    def evidence(self) -> Evidence:
        """The current, in per cent of its own past."""
        shift, half = self.against
        now, low, high = (100 * float(np.exp(value)) for value in (
            shift, shift - half, shift + half))
        return Evidence("current-against-its-own-past-rail-s-change-taken-out", now, "%",
                        n=self.change.now.n, now_low=low, now_high=high, before=100.0)


@dataclass(frozen=True)
class OwnCurrents:
    """``changed``: coils whose current is no longer what it was at first; ``as_ever``: rows of a
    rail's load that have no past of their own to show a change, or are sure of none and were never
    worked on. What such a coil has drawn since its log began only those beside it can tell.
    """

    changed: tuple[OwnCurrent, ...]
    as_ever: tuple[tuple[RailLoad, int], ...]


@once_per_history
def own_currents(history: History) -> OwnCurrents:
    """How every coil's current has changed; worked out once.

    Where the current itself is logged, its amperes per volt tell; elsewhere the sag does.

    Parameters
    ----------
    history : History
        ``amps`` and ``sag_volts`` of its actuations are used.

    Returns
    -------
    OwnCurrents

    Notes
    -----
    Change against the coil's own past: :mod:`remanence.analytics.statistics.level_change`. Where
    other coils tell what the rail does, another supply leaves a coil's own current as it was;
    alone on its rail it is compared with its days on the present one. A load is read the deeper the
    longer it lasts, so that only pulses of one length are compared.
    """
    changed: list[OwnCurrent] = []
    as_ever: list[tuple[RailLoad, int]] = []
    locks, monday = history.venue.locks_by_id, history.week.monday.toordinal()
    logged, held = logged_currents(history), regimes(history)
    for name, (days, level) in logged.items():
        change = level_change(days, level, monday, floor=_FLOOR)
        if change is not None and not _is_back(level, change):
            against = shift_since(days, level, change.since, monday, season=_SEASON,
                                  floor=_FLOOR / 8)
            changed.append(OwnCurrent(locks[name], change, against, alone=False))
    for load in rail_loads(history).values():
        told = (load.tellers >= _FEWEST_RAIL_TELLERS).mean()
        alone = bool(told < _TOLD_DAYS_SHARE)
        for name in dict.fromkeys(name for name, _ in load.coils if name not in logged):
            row = load.latest(name)
            if row is None:
                continue
            floor = max(_FLOOR, float(load.floor[row]))
            begun = held.begun(locks[name], (*(RAIL if alone else READING), "pulse"))
            like = load.days >= begun.toordinal() if begun else load.days > 0
            level = load.own(row)[like]
            change = level_change(load.days[like], level, monday, floor=floor)
            if (change is not None and load.clear(row, like & _where_more(load.days, change))
                    and not _within_a_step(load, row, change)
                    and not _is_back(load.own(row), change)):
                against = shift_since(load.days[like], level, change.since, monday,
                                      season=_SEASON if alone else 0.0, floor=floor / 8)
                changed.append(OwnCurrent(
                    locks[name], change, against, alone, _longer(history, locks[name], change)))
            unlike = change is not None and (
                _chance(change) > _LIKELY_CHANGED or last_service(history, name) is not None)
            if not unlike and (np.isfinite(load.level[row][load.days >= monday]).sum()
                               >= _FEWEST_LOADED_DAYS):
                as_ever.append((load, row))
    return OwnCurrents(tuple(changed), tuple(as_ever))


def _longer(history: History, lock: Lock, change: Change) -> float:
    """By how much longer than before a coil that cuts itself has loaded the rail this week."""
    if not lock.self_cut:
        return 0.0
    rows = actuations_by_lock(history)[lock.id].filter(pl.col("sag_ms") > 0)
    length, day = np.log(rows["sag_ms"].to_numpy()), day_ordinals(rows["day"])
    before, now = length[day < change.since], length[(rows["weeks_ago"] == 0).to_numpy()]
    return max(float(now.mean() - before.mean()), 0.0) if now.size and before.size else 0.0


@dataclass(frozen=True)
class AboveStated:
    """How far a coil draws more than is stated of it, in natural logarithms, as its rail's other
    coils draw what is stated of them: ``apart`` is by how much each of those does.
    """

    own: float
    apart: Reals
    reading: float
    """Standard error of its own: a sag of few of the meter's steps is read too deep or too shallow
    on all days alike."""

    @property
    def above(self) -> float:
        """Its own less the others' middle."""
        return self.own - float(np.median(self.apart))

    @property
    def error(self) -> float:
        """Standard deviation of ``above`` among sound coils."""
        return float(np.hypot(max(robust_deviation(self.apart), BETWEEN_COILS), self.reading))


def above_stated(history: History, load: RailLoad, row: int) -> AboveStated | None:
    """What a coil draws against what is stated of it and of those beside it.

    Parameters
    ----------
    history : History
        Its venue states the coils.
    load : RailLoad
        The load of the coil's rail.
    row : int
        The coil's row.

    Returns
    -------
    AboveStated or None
        None where fewer than four others are stated, or its sags are too near the noise to tell.
    """
    locks, name = history.venue.locks_by_id, load.coils[row][0]
    stated = locks[name].amps
    if stated is None or not load.clear(row):
        return None
    apart = []
    for other, (lock, _) in enumerate(load.coils):
        amps = locks[lock].amps
        if lock != name and amps and load.clear(other) and load.latest(lock) == other:
            apart.append(float(np.nanmedian(load.own(other))) - np.log(amps))
    if len(apart) < _FEWEST_STATED_SIBLINGS:
        return None
    return AboveStated(float(np.nanmedian(load.own(row))) - float(np.log(stated)),
                       np.array(apart), float(load.floor[row]))


def _chance(change: Change) -> float:
    """Probability that a coil's current changed, by all of its days and not by the week's alone."""
    return probability(change.log_odds + float(np.log(_CHANGED_PRIOR / (1 - _CHANGED_PRIOR))))


def _is_back(level: Reals, change: Change) -> bool:
    """Whether the change led back to what the coil drew at first: a fault of it was mended."""
    first = float(np.median(level[np.isfinite(level)][:_FIRST_DAYS]))
    return abs(change.now.level - first) < abs(change.now.level - change.before.level) / 2


def _where_more(days: Ints, change: Change) -> Flags:
    """The days on which a coil seems to draw more: only sags that all show can tell that."""
    late = days >= change.since
    return late if change.shift > 0 else ~late


def _within_a_step(load: RailLoad, row: int, change: Change) -> bool:
    """Whether the change is no more than two of the meter's own steps."""
    load_share = np.exp(change.before.level + float(np.nanmedian(load.rail)))
    sag_volts = load_share * load.supply.rated_volts
    change_volts = sag_volts * abs(np.expm1(change.shift))
    return bool(change_volts < _WITHIN_METER_STEPS * load.step_volts)
