"""Does a fault that shows row by row still stand, since when, and did the last work help?"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np

from remanence.analytics.conditions.after_work import came_back_after
from remanence.analytics.conditions.condition import Work
from remanence.analytics.history import Flags, History, Rows, baseline_start, last_service
from remanence.analytics.statistics.change import Change
from remanence.analytics.statistics.rates import change_of_rate

_LOOK_BACK = 30
"""Rows before a piece of work that show whether the fault was there already."""
_FEWEST_FLAGGED = 5
"""Flagged rows that give a fault a rate, and clear rows that can end it (assumption)."""
_FREQUENT_SHARE = 0.5
"""Share of rows from which a fault is frequent enough for its absence to prove something within a
week, and from which a fault without an onset was there from the first row on (assumption)."""
_LAST_FLAG_WEIGHT = 0.5
"""Taken off the count of flagged rows: the stretch was chosen to end with one (assumption)."""
_HIGHEST_RATE = 0.9
"""However often it showed, a row is clear by chance one time in ten (assumption)."""
_CLEAR_CHANCE = 0.001
"""Chance of so long a run of clear rows below which the fault is over."""
_FLAGGED_BEFORE_WORK = 2
"""Flagged rows before a piece of work that show the fault was there: one may be chance."""
_LIKE_BEFORE_WORK = 0.5
"""The rates before and after a piece of work are alike where neither is less than this share of
the other (assumption)."""


@dataclass(frozen=True)
class Course:
    """How a flagged fault runs: ``now`` and ``before`` are (flagged, of).

    ``live`` marks the rows of the week that count: those after the last work on the lock.
    ``standing`` counts those of them since the onset, ``all_since`` all rows since it and
    ``before`` the rows before it. ``unhelped`` is the work that did not help, or not for long;
    ``first`` is the first row of the lock's own past.
    """

    first: int
    live: Flags
    since: date
    low: date | None
    high: date | None
    change: Change | None
    now: tuple[int, int]
    standing: tuple[int, int]
    all_since: tuple[int, int]
    before: tuple[int, int]
    unhelped: Work | None

    @property
    def share(self) -> float:
        """Share of the week's rows since the onset that show it."""
        return self.standing[0] / max(self.standing[1], 1)


def live_rows(rows: Rows, history: History) -> Flags:
    """Which rows of the week count: those after the last work on the lock, if there was any."""
    start = baseline_start(history, rows.lock.id)
    if start is None:
        return rows.now
    return np.asarray(rows.now & (rows.day >= start.toordinal()))


def is_over(flags: Flags) -> bool:
    """Whether a fault that showed at most rows has plainly stopped showing.

    At the rate it had until its last row, so long a run of clear rows would come by
    chance less than once in a thousand times. What shows now and then is never said to
    be over: its absence proves nothing within a week.
    """
    if flags.sum() < _FEWEST_FLAGGED:
        return False
    first, last = int(np.argmax(flags)), int(np.flatnonzero(flags)[-1])
    rate = float((flags.sum() - _LAST_FLAG_WEIGHT) / (last - first + 1))
    clear = flags.size - 1 - last
    if rate < _FREQUENT_SHARE or clear < _FEWEST_FLAGGED:
        return False
    return bool((1.0 - min(rate, _HIGHEST_RATE)) ** clear < _CLEAR_CHANCE)


def course(
    rows: Rows, flags: Flags, history: History, *, event: bool = False
) -> Course | None:
    """The course of a fault, or None where no live row of the week shows it or it is over.

    Parameters
    ----------
    rows : Rows
        The lock's rows, oldest first.
    flags : array of bool, shape (rows.size,)
        Which rows show the fault.
    history : History
        Its service log.
    event : bool, default False
        Each flagged row is harm done in itself: its week says it even where the rows
        after it are clear.
    """
    live = live_rows(rows, history)
    if not (flags & live).any():
        return None
    begin, unhelped = _stretch(rows, flags, history)
    days, own = rows.day[begin:], flags[begin:]
    change = change_of_rate(days, own)
    low: date | None
    high: date | None
    if change is not None and change.log_odds > 0:
        start = change.index
        if not event and is_over(own[start:]):
            return None
        since, low, high = change.dates()
    else:
        change = None
        # Present from the first row on, or too seldom for a change to be seen.
        start = int(np.argmax(own)) if own.mean() <= _FREQUENT_SHARE else 0
        if not event and is_over(own[start:]):
            return None
        # Where few rows of a long past show it, the first one of this week dates it.
        recent = (np.argmax(own & live[begin:]) if own.mean() <= _FREQUENT_SHARE
                  else np.argmax(own))
        since = high = date.fromordinal(int(days[recent]))
        low = date.fromordinal(int(days[0]))
    return Course(
        first=begin, live=live, since=since, low=low, high=high, change=change,
        now=(int((flags & live).sum()), int(live.sum())),
        standing=(int((flags & live)[begin + start:].sum()), int(live[begin + start:].sum())),
        all_since=(int(own[start:].sum()), own.size - start),
        before=(int(own[:start].sum()), start),
        unhelped=unhelped,
    )


def _stretch(rows: Rows, flags: Flags, history: History) -> tuple[int, Work | None]:
    """Where the lock's own past begins for these flags, and the work that did not help.

    After work that helped at first the past begins anew, though it came back.
    """
    start = baseline_start(history, rows.lock.id)
    if start is None:
        return 0, None
    begin = int(np.searchsorted(rows.day, start.toordinal(), "left"))
    serviced = last_service(history, rows.lock.id)
    before, after = flags[max(0, begin - _LOOK_BACK):begin], flags[begin:]
    if serviced is None or not before.size or not after.size:
        return begin, None
    if before.sum() >= _FLAGGED_BEFORE_WORK:
        weeks = came_back_after(
            rows.day[begin:] - serviced[0].toordinal(), after, float(before.mean()))
        if weeks is not None:
            return begin, (*serviced, weeks)
    alike = (_LIKE_BEFORE_WORK * after.mean() <= before.mean()
             and after.mean() >= _LIKE_BEFORE_WORK * before.mean())
    if alike and before.sum() >= _FLAGGED_BEFORE_WORK:
        return 0, (*serviced, None)
    return begin, None
