"""How far the clock that stamps the contacts is ahead of the one that stamps their commands.

Where a lock is commanded by one controller and read by another, and nobody sets the second's clock,
its answers are stamped earlier each day, or later, than their commands: by seconds, in the end by
minutes. One lock shows the sum of its time to release and of what the clock is ahead. But that is
the same for all locks of the pair, in milliseconds, whatever each of them takes; so together they
tell it, day by day (UTC), as a line: what it is ahead in the middle of the day, and its rate.

- Of each command every opening of its lock within minutes is looked at; where most of these
  differences fall together is where the answers are.
- The rate is the median slope from one half of a lock's day to the other; or, where that agrees
  with it, from the last day to this one, which is far surer.
- What it is ahead is the median over locks of how far their differences are beyond their usual.

Clocks are taken for one until the locks agree that they are not: what is less than pairing minds is
left to :mod:`remanence.analytics.drift.clock_course`. What was ahead before the log begins cannot
be told from what the locks take; the quickest is then taken to answer at once. A day that no line
fits is not known, and what locks across those clocks did on it was not observed.

The method is this program's own; medians of slopes and of levels after H. Theil and P. K. Sen (J.
Amer. Statist. Assoc. 63, 1968, 1379; from memory). NumPy and not Polars: each day goes on from what
the day before showed, and has a few hundred answers at most.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import polars as pl

from remanence.analytics.clocks.instants import DAY_US, PLACES, day_of, stamp
from remanence.analytics.statistics.arrays import Flags, Ints, Reals
from remanence.analytics.statistics.intervals import robust_deviation
from remanence.shared.tables import POLLING

C = pl.col

PAIRS = pl.Schema({"lock": pl.String(), "first": pl.String(), "second": pl.String(),
                   "is_read": pl.Boolean(), "is_door": pl.Boolean()})
"""Locks whose contact is on another controller (``second``) than their command (``first``); whether
it is known what the contact shows when open, and whether a person comes in between."""

CLOCKS = pl.Schema({"first": pl.String(), "second": pl.String(), "at": pl.Int64(),
                    "ahead": pl.Float64(), "rate": pl.Float64(), "apart": pl.Boolean()})
"""What is known of each pair of clocks: a time by the second [us], by how much that is ahead then
[us], how fast that grows, and whether they ever were seen apart."""

LEVELS = {"lock": pl.String(), "level": pl.Float64(), "days": pl.Int64()}
"""Each lock's usual difference from command to answer, and from how many days. [us]"""

LINES = pl.Schema({"first": pl.String(), "second": pl.String(), "day": pl.Date(),
                   "at": pl.Int64(), "ahead": pl.Float64(), "rate": pl.Float64(),
                   "known": pl.Boolean()})
"""Days (UTC) of clocks that are apart, see CLOCKS; ``known``: a line fits that day."""

SEARCH_US = 4_000_000_000
"""So far from where they are expected answers are looked for: an hour that one clock does not know
of, or years of a bad crystal (assumption)."""
TOGETHER_US = 1_000_000
"""Answers of one day lie so near to its line, and a peak is so wide (assumption)."""
RATES = (0.0, 5e-5, -5e-5, 1e-4, -1e-4, 1.5e-4, -1.5e-4, 2e-4, -2e-4)
"""Rates at which answers are looked for: no crystal is off by more (common practice: 10 to 40
millionths; a board without one is off by thousands, and its clock shows no course)."""
FEWEST_ANSWERS, FEWEST_LOCKS, FEWEST_SLOPES = 6, 3, 4
"""Answers of a day that show a line, locks that must agree that clocks are apart, and slopes whose
median is a rate (assumption)."""
SLOPE_LEAST_US = 1_800_000_000
"""Half an hour and less tells more of the locks than of the clocks (assumption)."""
APART_US, APART_SPREADS = 20_000.0, 2.0
"""Clocks are apart from so many microseconds on, and so many times what the answers still scatter:
below that pairing finds the same answers (assumption)."""
QUICKEST_US = 5_000.0
"""No lock answers sooner (common practice: catches take 10 ms and more, small magnets 5)."""
LATE_US = 5_000_000.0
"""No lock takes so long; one or two locks show clocks apart only by answers later than this, or
before their commands (assumption)."""
KNOWN_SHARE, EARLY_SHARE, NEAR_SHARE = 0.7, 0.02, 0.6
"""Share of the commands that were answered at some time that must be answered by the line; of
answers, that may be quicker than any lock; and of the largest peak, that one where answers were
expected must have to be believed (assumption)."""
RATE_ERROR, RATE_DEVIATIONS = 2e-6, 3.0
"""How much a crystal's rate changes from day to day, and deviations of a day's own (common
practice: some parts in a million with the temperature)."""
LEVEL_DAYS = 28
"""Days after which a lock's usual difference follows a new one (assumption)."""
ROUNDS = 5
"""Rounds of matching answers and fitting the line to them: a steep line has found all by then."""
SLACK_US = 120_000_000
"""The next day's line may be so far from what the last one foretells (assumption)."""


class _Line(NamedTuple):
    """By how much a clock is ahead at a time by itself: ``ahead + rate * (time - at)``. [us]"""

    at: int
    ahead: float
    rate: float

    def __call__(self, time: Ints) -> Reals:
        ahead: Reals = self.ahead + self.rate * (time - self.at).astype(float)
        return ahead


_ONE = _Line(0, 0.0, 0.0)
"""Both clocks are one."""


class _Candidates(NamedTuple):
    """Openings near commands of the same lock: a row for each two. [us]"""

    lock: Ints
    command: Ints
    answer: Ints
    """When it opened, by the second clock."""
    apart: Reals
    """From command to opening."""

    def take(self, which: Ints | Flags) -> _Candidates:
        return _Candidates(
            self.lock[which], self.command[which], self.answer[which], self.apart[which])


_Usual = dict[int, tuple[float, int]]
"""Locks' usual differences from command to answer, and from how many days. [us]"""


class _Found(NamedTuple):
    """A day's line, whether the clocks are apart, and what its locks usually take after it.

    ``early``: where the clock wanders about that line, how much less is taken for it, lest answers
    come before their commands. [us]
    """

    line: _Line
    apart: bool
    usual: _Usual
    early: float = 0.0


def second_clocks(
    pairs: pl.DataFrame, settle_us: int, commands: pl.DataFrame, contacts: pl.DataFrame,
    clocks: pl.DataFrame, levels: pl.DataFrame,
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """The course of every pair of clocks over the days of a span.

    Parameters
    ----------
    pairs : polars.DataFrame
        PAIRS; ``lock`` is an Enum of all locks.
    settle_us : int
        Edges of a lock that follow the one before so soon are bounces. [us]
    commands, contacts : polars.DataFrame
        ``lock``, ``time`` (an instant) and ``on`` of the span's edges, as each controller stamped
        them; by lock and time.
    clocks, levels : polars.DataFrame
        CLOCKS and LEVELS after the span before.

    Returns
    -------
    LINES, CLOCKS, LEVELS
        Those of the span's days, and what is known after it.
    """
    by = ["first", "second", "day"]
    edges = pl.concat([
        frame.select("lock", "on", day=day_of("time"), time=stamp("time"), answers=pl.lit(answers),
                     bounced=_bounced(settle_us))
        for frame, answers in ((commands, False), (contacts, True))]).join(
        pairs.filter("is_read"), on="lock", maintain_order="left").sort(by, maintain_order=True)
    known = {(first, second): (_Line(*line), apart)
             for first, second, *line, apart in clocks.rows()}
    usual: _Usual = {lock: (level, days) for lock, level, days in levels.with_columns(
        C.lock.to_physical()).rows()}
    names = dict(pairs.select(C.lock.to_physical(), name="lock").rows())
    lines = []
    for (first, second, day), part in edges.partition_by(
            by, as_dict=True, maintain_order=True).items():
        before, apart = known.get((first, second), (None, False))
        fired, opened = (part.filter("on", ~C.bounced, ~C.is_door, C.answers == answers).select(
            C.lock.to_physical().cast(pl.Int64), "time").to_numpy().T for answers in (False, True))
        expected = before if apart and before is not None else _ONE
        near = _candidates(fired, opened, expected)
        many = np.unique(near.command).size >= FEWEST_ANSWERS and \
            np.ptp(near.answer) >= SLOPE_LEAST_US
        own = {lock: usual[lock] for lock in set(fired[0].tolist()) & usual.keys()}
        found = _fit(near, expected, before, apart, own) if many else None
        line, early = before or _ONE, 0.0
        if found is not None:
            line, apart, early = found.line, found.apart, found.early
            known[first, second] = line, apart
            usual |= found.usual
        if apart or (many and known.get((first, second)) is None):
            lines.append((first, second, day, line.at, line.ahead + early, line.rate,
                          found is not None))
    return (
        pl.DataFrame(lines, schema=LINES, orient="row"),
        pl.DataFrame([(*pair, *line, apart) for pair, (line, apart) in sorted(known.items())],
                     schema=CLOCKS, orient="row"),
        pl.DataFrame([(names[lock], *level) for lock, level in sorted(usual.items())],
                     schema={**LEVELS, "lock": pairs.schema["lock"]}, orient="row"))


def _bounced(settle_us: int) -> pl.Expr:
    """Whether an edge follows the one before of its lock so soon."""
    soon = stamp("time") - stamp("time").shift(1) <= settle_us
    return (soon & (C.lock == C.lock.shift(1))).fill_null(value=False)


def on_first_clock(
    edges: pl.DataFrame, lines: pl.DataFrame, pairs: pl.DataFrame,
    before: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """Contact edges as the clocks of their commands would have stamped them.

    Parameters
    ----------
    edges : polars.DataFrame
        ``lock`` and ``time``, an instant, of contacts; by lock and time.
    lines, pairs : polars.DataFrame
        LINES and PAIRS.
    before : polars.DataFrame, optional
        Edges before them, brought to that clock already.

    Returns
    -------
    polars.DataFrame
        The same rows in the same order of each lock.
    """
    if lines.is_empty():
        return edges
    ahead = (C.ahead + C.rate * (stamp("time") - C.at)).round().cast(pl.Int64).fill_null(0)
    told = _with_lines(edges, lines, pairs).with_columns(time=C.time - ahead * PLACES)
    # (Where one day's line meets the next one's, edges stay in their order.)
    if before is not None:
        told = told.join(before.group_by("lock").agg(latest=C.time.max()), on="lock", how="left",
                         maintain_order="left").with_columns(pl.max_horizontal("time", "latest"))
    return told.with_columns(C.time.cum_max().over("lock")).select(edges.columns)


def with_ahead(edges: pl.DataFrame, lines: pl.DataFrame, pairs: pl.DataFrame) -> pl.DataFrame:
    """Command edges with ``ahead``: by how much the clock of the contacts is. [us]

    Nought where both are taken for one, null where it is not known.
    """
    if lines.is_empty():
        return edges.with_columns(ahead=pl.lit(0, pl.Int64))
    ahead = (C.ahead + C.rate * (stamp("time") + C.ahead - C.at)).round().cast(pl.Int64)
    return _with_lines(edges, lines, pairs).select(
        *edges.columns, ahead=pl.when(C.known.is_null()).then(0).when("known").then(ahead))


def latest_answers(clocks: pl.DataFrame, until: int, pairs: pl.DataFrame) -> pl.DataFrame:
    """``lock`` and ``late``: so much after ``until`` by the first clock the second may stamp it.

    Of locks whose clocks are apart. [us]
    """
    late = (C.ahead + C.rate * (until - C.at)).clip(lower_bound=0).round().cast(pl.Int64)
    return pairs.join(clocks.filter("apart"), on=["first", "second"]).select(
        "lock", late=late + SLACK_US)


def with_course(polling: pl.DataFrame, lines: pl.DataFrame) -> pl.DataFrame:
    """POLLING with how far each day's clock is ahead of that of its locks' commands.

    ``ahead_ms`` and ``ahead_known`` are filled in from LINES, null where the clocks are taken for
    one. Of a controller that reads for several the one that it is furthest from.
    """
    told = lines.sort(C.ahead.abs(), "first").unique(
        ["second", "day"], keep="last", maintain_order=True)
    return POLLING.conform(polling.drop("ahead_ms", "ahead_known", strict=False).join(
        told.select("day", controller="second", ahead_ms=C.ahead * 0.001, ahead_known="known"),
        on=["controller", "day"], how="left", maintain_order="left"))


def _with_lines(edges: pl.DataFrame, lines: pl.DataFrame, pairs: pl.DataFrame) -> pl.DataFrame:
    return edges.with_columns(day=day_of("time")).join(
        pairs, on="lock", how="left", maintain_order="left").join(
        lines, on=["first", "second", "day"], how="left", maintain_order="left")


def _candidates(fired: Ints, opened: Ints, expected: _Line) -> _Candidates:
    """Every opening near a command of its lock, but for what the clocks are expected to be ahead.

    Both are locks and times, by lock and time. Commands are told apart by their place.
    """
    # Locks are put weeks apart, so that one search finds the openings of them all.
    lock, time = fired
    at, by_first = (locks * 7 * DAY_US + times for locks, times in (
        (lock, time), (opened[0], opened[1] - expected(opened[1]))))
    low = np.searchsorted(by_first, at - SEARCH_US)
    count = np.searchsorted(by_first, at + SEARCH_US, "right") - low
    command = np.repeat(np.arange(count.size), count)
    place = np.arange(command.size) + np.repeat(low - count.cumsum() + count, count)
    answer = opened[1][place]
    found = _Candidates(lock[command], command, answer, (answer - time[command]).astype(float))
    return found.take(found.lock == opened[0][place])  # (a clock may be set weeks off)


def _peak(near: _Candidates, expected: _Line) -> _Line:
    """A line through where most answers fall together; where expected, if nearly as many do."""
    beyond = near.apart - expected(near.answer)
    chosen, rate = np.flatnonzero(np.abs(beyond) < TOGETHER_US), 0.0
    most = chosen.size / NEAR_SHARE
    for other in RATES:
        turned = beyond - other * (near.answer - near.answer[0])
        order = np.argsort(turned)
        turned = turned[order]
        count = np.searchsorted(turned, turned + TOGETHER_US, "right") - np.arange(turned.size)
        best = int(np.argmax(count))
        if count[best] > most:
            most, rate, chosen = count[best], other, order[best:best + count[best]]
    at = int(np.median(near.answer[chosen]))
    flat = near.apart[chosen] - (expected.rate + rate) * (near.answer[chosen] - at)
    return _Line(at, float(np.median(flat)), expected.rate + rate)


def _fit(
    near: _Candidates, expected: _Line, before: _Line | None, apart: bool, usual: _Usual
) -> _Found | None:
    """What a day shows of a pair of clocks; None where no line fits."""
    line = _peak(near, expected)
    for _ in range(ROUNDS):
        found = _nearest(near, line)
        if found.apart.size < FEWEST_ANSWERS:
            return None
        middle = int(found.answer.min() + found.answer.max()) // 2
        slopes = _slopes(found)
        many = slopes.size >= FEWEST_SLOPES
        rate = float(np.median(slopes)) if many else line.rate
        own, shift = _levels(found, usual, _Line(middle, 0.0, rate))
        if apart and before is not None and middle > before.at:
            # The rate since the line before, where the day's own agrees with it.
            since = (shift.ahead - before.ahead) / (middle - before.at)
            unsure = RATE_DEVIATIONS * robust_deviation(slopes) / np.sqrt(slopes.size) \
                if many else np.inf
            if abs(since - rate) <= RATE_ERROR + unsure:
                own, shift = _levels(found, usual, _Line(middle, 0.0, since))
        line = _Line(middle, float(np.median(list(own.values()))), shift.rate)
    if found.apart.size < KNOWN_SHARE * np.unique(near.command).size:
        return None
    if not apart:
        apart, shift = _come_apart(found, own, usual, shift)
    ahead = shift.ahead if apart else 0.0
    fresh = {}
    for lock, level in own.items():
        had, days = usual.get(lock, (level - ahead, 0))
        days = min(days + 1, LEVEL_DAYS)
        fresh[lock] = (had + (level - ahead - had) / days, days)
    if not apart:
        return _Found(_Line(middle, 0.0, 0.0), False, fresh)
    early = float(np.quantile(found.apart - shift(found.answer), EARLY_SHARE)) - QUICKEST_US
    return _Found(shift, True, fresh, min(early, 0.0))


def _nearest(near: _Candidates, line: _Line) -> _Candidates:
    """Of each command the opening that is nearest to the line, where that is near."""
    off = np.abs(near.apart - line(near.answer))
    order = np.lexsort((off, near.command))
    chosen = order[np.unique(near.command[order], return_index=True)[1]]
    return near.take(chosen[off[chosen] <= TOGETHER_US])


def _levels(found: _Candidates, usual: _Usual, line: _Line) -> tuple[dict[int, float], _Line]:
    """Each lock's difference from command to answer with the rate taken out, and the line through
    what they have beyond their usual ones.
    """
    flat = found.apart - line(found.answer)
    own = {int(lock): float(np.median(flat[found.lock == lock])) for lock in np.unique(found.lock)}
    beyond = [level - usual[lock][0] for lock, level in own.items() if lock in usual]
    return own, line._replace(ahead=float(np.median(beyond)) if beyond else 0.0)


def _slopes(found: _Candidates) -> Reals:
    """How much later a lock answers for each microsecond that has passed since half a day ago."""
    slopes = []
    for lock in np.unique(found.lock):
        mine = found.take(found.lock == lock)
        mine = mine.take(np.argsort(mine.answer))
        half = (mine.answer.size + 1) // 2
        took = mine.answer[half:] - mine.answer[:-half]
        long = took >= SLOPE_LEAST_US
        slopes.append((mine.apart[half:] - mine.apart[:-half])[long] / took[long])
    return np.concatenate(slopes)


def _come_apart(
    found: _Candidates, own: dict[int, float], usual: _Usual, line: _Line
) -> tuple[bool, _Line]:
    """Whether clocks that were taken for one are apart, and the line from then on."""
    outside = float(np.mean((found.apart < 0) | (found.apart > LATE_US)))
    levels = np.array([usual[lock][0] if lock in usual else own[lock] - line.ahead
                       for lock in found.lock.tolist()])
    spread = robust_deviation(found.apart - levels - line(found.answer))
    most = float(np.abs(line(found.answer)).max())
    apart = most > max(APART_US, APART_SPREADS * spread) and len(own) >= FEWEST_LOCKS
    if not usual:  # The log begins: the quickest lock answers at once.
        flat = found.apart - line(found.answer)
        line = line._replace(ahead=float(np.quantile(flat, EARLY_SHARE)) - QUICKEST_US)
    return apart or outside > KNOWN_SHARE, line
