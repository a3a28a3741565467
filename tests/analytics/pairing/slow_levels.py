"""Levels of one channel, slowly and obviously.

Times are UTC microseconds; a line that is not the first of its stamp lies a fraction behind it.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from fractions import Fraction

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
DAY = 86_400_000_000


def moment(time, place):
    return time if place == 0 else time + Fraction(min(place, 999), 1000)


def stamp(time):
    return int(time // 1)


def whole_tick(time):
    return stamp(time) + Fraction(999, 1000)


def instant(microseconds):
    return EPOCH + timedelta(microseconds=stamp(microseconds))


def ms(since, until):
    return (stamp(until) - stamp(since)) / 1000


def levels(records, before):
    """[(time, level, run)] of one channel, each change once; records are (time, level, run)."""
    edges, state = [], before
    for time in sorted({r[0] for r in records}):
        said = {r[1] for r in records if r[0] == time}
        run = min(r[2] for r in records if r[0] == time)
        after = (not state) if len(said) == 2 else said.pop()
        if after != state:
            edges.append((time, after, run))
            state = after
    return edges


def level_at(edges, time, before, *, strictly=False):
    """The level at ``time``, its own edges applied (or not, if strictly)."""
    state = before
    for when, after, _ in edges:
        if when < time or (when == time and not strictly):
            state = after
    return state
