"""The lives that each lock's units have had: cycles from the log, ends from the service log.

A unit's life begins when it is fitted and ends when the service log says ``replaced``. What it did
before the log begins is told from the day of fitting at today's pace, and the unit enters
observation at that age (left truncation). Why it ended is read off its last weeks
(:mod:`remanence.analytics.parts.unit_ends`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import polars as pl

from remanence.analytics.history import History, actuations_by_lock
from remanence.analytics.parts.pace import open_weeks_of
from remanence.analytics.parts.unit_ends import (
    RUNNING,
    UnitLife,
    how_it_ended,
)
from remanence.analytics.parts.wear import LockWear
from remanence.analytics.physics.pulse import present_pulses
from remanence.analytics.statistics.life import Lives
from remanence.shared.venue import Lock

LEAST_EXCHANGED = 3
"""So many locks of one part, and half of all that hold it or more, given new ones on one day are
a planned exchange: units that still worked went with those that did not (trade practice)."""


@dataclass(frozen=True)
class UnitLives:
    """One lock's units: the ended ones and the running one, which is last.

    Attributes
    ----------
    lives : tuple of UnitLife
        Each unit's life.
    known_from_new : bool
        Whether the running unit's age is known.
    pace : float
        Its cycles a week.
    fitted : tuple of date or None
        The day on which each unit was fitted, where it is known.
    """

    lives: tuple[UnitLife, ...]
    known_from_new: bool
    pace: float
    fitted: tuple[date | None, ...] = ()

    @property
    def cycles(self) -> float:
        """What the running unit has done."""
        return self.lives[-1].cycles


def replacements(history: History) -> pl.DataFrame:
    """Entries of the service log by which a lock got its own part anew.

    Parameters
    ----------
    history : History
        Service log up to the week's end.

    Returns
    -------
    polars.DataFrame
        Columns ``lock``, ``date``, ``part`` (the lock's) and ``planned`` (see
        :data:`LEAST_EXCHANGED`), a row a lock and day. An entry that names another declared part
        than the lock's leaves the lock's own part in service.
    """
    venue = history.venue
    declared = {part.id for part in venue.parts}
    part_of = {lock.id: lock.part for lock in venue.locks}
    holders = Counter(part for part in part_of.values() if part)
    rows = sorted({
        (lock, day, part_of[lock]) for lock, day, part in history.service.filter(
            pl.col("action") == "replaced").select("lock", "date", "part").iter_rows()
        if lock in part_of and (part not in declared or part == part_of[lock])
    }, key=lambda row: (row[1], row[0]))
    on_day: Counter[tuple[str | None, date]] = Counter((part, day) for _, day, part in rows)
    return pl.DataFrame(
        [(lock, day, part, part is not None
          and on_day[part, day] >= max(LEAST_EXCHANGED, holders[part] / 2))
         for lock, day, part in rows],
        schema={"lock": pl.String, "date": pl.Date, "part": pl.String, "planned": pl.Boolean},
        orient="row",
    )


def unit_lives(history: History) -> dict[str, UnitLives]:
    """Lives of every lock's units, by lock.

    Parameters
    ----------
    history : History
        As far back as the log goes.

    Returns
    -------
    dict
        A lock that was never commanded has one unit without cycles.
    """
    open_weeks = open_weeks_of(history)
    pulses = present_pulses(history)
    rows_of = actuations_by_lock(history)
    fitted = replacements(history)
    return {
        lock.id: _of_lock(
            lock, rows_of.get(lock.id), open_weeks,
            [(day, planned) for name, day, _, planned in fitted.iter_rows() if name == lock.id],
            history, pulse.setting_ms if (pulse := pulses.get(lock.id)) else None,
        )
        for lock in history.venue.locks
    }


def _of_lock(
    lock: Lock, rows: pl.DataFrame | None, open_weeks: list[int],
    ends: Sequence[tuple[date, bool]], history: History, pulse_ms: float | None,
) -> UnitLives:
    if rows is not None and not rows["command_time"].is_sorted():
        rows = rows.sort("command_time")
    days = rows["day"].to_numpy() if rows is not None else np.empty(0, "datetime64[D]")
    first = days[0].item() if days.size else history.week.sunday
    pace = 0.0
    if rows is not None:
        ago = rows["weeks_ago"].to_numpy()
        within = [week for week in open_weeks if week <= int(ago.max())]
        pace = int(np.isin(ago, within).sum()) / max(len(within), 1)
    before = [day for day in (lock.installed, *(day for day, _ in ends)) if day and day <= first]
    entry = pace * (first - max(before)).days / 7 if before else 0.0
    known = bool(before)
    lives: list[UnitLife] = []
    fitted: list[date | None] = [max(before, default=None)]
    position = 0
    for cut, planned in ends:
        if cut <= first:
            continue
        done = int(np.searchsorted(days, np.datetime64(cut), side="right")) - position
        end, sign = "planned", None
        if not planned:
            end, sign = how_it_ended(
                lock, rows[position:position + done] if rows is not None else None, pulse_ms,
                history.venue.limits)
        lives.append(UnitLife(entry + done, end, entry, None if sign is None else entry + sign))
        position += done
        entry, known = 0.0, True
        fitted.append(cut)
    lives.append(UnitLife(entry + days.size - position, RUNNING, entry))
    return UnitLives(tuple(lives), known, pace, tuple(fitted))


def with_signs(
    units: Mapping[str, UnitLives], wear: Mapping[str, LockWear]
) -> dict[str, UnitLives]:
    """The same units; the running ones whose wear shows know since when.

    It shows by the same rule as for units that ended, whether or not it is sure enough for a date.

    Parameters
    ----------
    units : mapping of str to UnitLives
        From :func:`unit_lives`, by lock.
    wear : mapping of str to LockWear
        From :func:`remanence.analytics.parts.wear.remaining_life`, by lock.

    Returns
    -------
    dict
    """
    found = dict(units)
    for lock, unit in units.items():
        last, worn = unit.lives[-1], wear[lock]
        done = worn.shown_cycles
        if done is None and worn.weeks.size:
            done = (worn.since_weeks or 0.0) * unit.pace
        if done is not None:
            sign = max(last.entry, last.cycles - done)
            found[lock] = replace(unit, lives=(*unit.lives[:-1], replace(last, sign=sign)))
    return found


def lives_together(units: Sequence[UnitLives]) -> Lives:
    """The lives of one kind of part.

    Parameters
    ----------
    units : sequence of UnitLives
        Of the locks that hold the part.

    Returns
    -------
    Lives
        A unit without cycles carries nothing and is left out.
    """
    flat = [life for unit in units for life in unit.lives]
    return Lives.of([u.cycles for u in flat], [u.failed for u in flat], [u.entry for u in flat])
