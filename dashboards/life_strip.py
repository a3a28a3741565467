"""One strip a lock for its life: times to release against before, weeks with a fault, repairs."""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import date

from markupsafe import Markup

from remanence.analytics.health.model import LockHealth
from remanence.shared.weeks import Week

FEWEST_WEEKS, MOST_WEEKS = 26, 52
"""Weeks that a strip shows: as many as there are, half a year at least, and no more than a year,
which is what so small a drawing can hold."""
_WIDTH, _HEIGHT, _FOOT = 104, 28, 4
_CALM = math.log(1.25)
"""A room whose times all stay within a quarter of before is drawn calm (assumption)."""


def strip_weeks(locks: Iterable[LockHealth], week: Week) -> int:
    """How many weeks the strips of a venue show: those with commands, within the bounds."""
    days = [lock.weeks[0].week.monday for lock in locks if lock.weeks]
    known = _place(week.monday, Week.of(min(days))) + 1 if days else 0
    return min(max(known, FEWEST_WEEKS), MOST_WEEKS)


def strips(locks: Iterable[LockHealth], week: Week, weeks: int) -> dict[str, Markup]:
    """The strips of a room's locks, all on one scale.

    Parameters
    ----------
    locks : iterable of LockHealth
        Of one room.
    week : Week
        The last week of the strips.
    weeks : int
        How many weeks they show (:func:`strip_weeks`).

    Returns
    -------
    dict of str to Markup
        By lock: a line of weekly medians over their level before, from half a height below it to
        the room's largest change; at the foot the weeks in which a report named a fault, and
        upright the days of work on it.
    """
    locks = list(locks)
    first = week.plus(1 - weeks)
    ratios = {lock.lock.id: _ratios(lock, first) for lock in locks}
    sizes = [abs(value) for points in ratios.values() for _, value in points]
    largest = max([_CALM, *sizes])
    return {lock.lock.id: _strip(lock, ratios[lock.lock.id], largest, first, week, _WIDTH / weeks)
            for lock in locks}


def _ratios(lock: LockHealth, first: Week) -> list[tuple[int, float]]:
    """Place of each week, and the logarithm of its median over the level before."""
    usual = lock.before.value or next(
        (point.median_ms for point in lock.weeks if point.median_ms), None)
    if not usual:
        return []
    return [(_place(point.week.monday, first), math.log(point.median_ms / usual))
            for point in lock.weeks if point.median_ms and point.week.monday >= first.monday]


def _place(day: date, first: Week) -> int:
    return (day - first.monday).days // 7


def _strip(
    lock: LockHealth, points: list[tuple[int, float]], largest: float, first: Week, week: Week,
    step: float,
) -> Markup:
    def x(place: float) -> str:
        return f"{place * step:.3g}"

    middle = (_HEIGHT - _FOOT) / 2
    parts = [f'<path class="usual" d="M0 {middle:g}H{_WIDTH}"/>']
    way, before = "", -2
    for place, value in points:
        y = middle - value / largest * (middle - 2)
        way += f"{'L' if place == before + 1 else 'M'}{x(place + 0.5)} {y:.3g}"
        before = place
    if way:
        # A line of no length ends the last point in a disc.
        last = way.rsplit("L", 1)[-1].rsplit("M", 1)[-1]
        parts.append(f'<path class="way" d="{way}"/><path class="end" d="M{last}h.01"/>')
    spans = [(episode.first, episode.last) for episode in lock.episodes]
    spans += [(Week.of(found.since), week) for found in lock.findings if found.since]
    for start, end in spans:
        low = max(_place(start.monday, first), 0)
        high = _place(end.monday, first) + 1
        if high > low:
            parts.append(f'<path class="fault" d="M{x(low)} {_HEIGHT - 2}H{x(high)}"/>')
    for mark in lock.service:
        if mark.day >= first.monday and mark.action != "release-tested":
            at = (mark.day - first.monday).days / 7
            parts.append(f'<path class="work" d="M{x(at)} 0V{_HEIGHT - _FOOT}"/>')
    return Markup(
        '<svg class="strip" viewBox="0 0 {w} {h}" aria-hidden="true" focusable="false">{parts}'
        "</svg>").format(w=_WIDTH, h=_HEIGHT, parts=Markup("".join(parts)))
