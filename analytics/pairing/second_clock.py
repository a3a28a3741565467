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
Amer. Statist. Assoc. 63, 1968, 1379; from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from remanence.analytics.pairing.edges import DAY_US, PLACES, stamp
from remanence.analytics.pairing.wiring import Wiring
from remanence.analytics.statistics.arrays import Ints, Reals
from remanence.analytics.statistics.intervals import robust_deviation
from remanence.shared.tables import POLLING

C = pl.col

CLOCKS = pl.Schema({"first": pl.String(), "second": pl.String(), "at": pl.Int64(),
                    "ahead": pl.Float64(), "rate": pl.Float64(), "apart": pl.Boolean()})
"""What is known of each pair of clocks: controllers of the commands and of the contacts, a time by
the second [us], by how much that is ahead then [us], how fast that grows, and whether they ever
were seen apart."""

LEVELS = {"lock": pl.String(), "level": pl.Float64(), "days": pl.Int64()}
"""Each lock's usual difference from command to answer, and from how many days. [us]"""

LINES = pl.Schema({"first": pl.String(), "second": pl.String(), "day": pl.Int64(),
                   "at": pl.Int64(), "ahead": pl.Float64(), "rate": pl.Float64(),
                   "known": pl.Boolean()})
"""Days (UTC, from 1970) of clocks that are apart, see CLOCKS; ``known``: a line fits that day."""

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


@dataclass(frozen=True)
class _Line:
    """By how much a clock is ahead at a time by itself: ``ahead + rate * (time - at)``. [us]"""

    at: int
    ahead: float
    rate: float

    def __call__(self, time: Ints) -> Reals:
        ahead: Reals = self.ahead + self.rate * (time - self.at).astype(float)
        return ahead


_ONE = _Line(0, 0.0, 0.0)
"""Both clocks are one."""


@dataclass(frozen=True)
class _Candidates:
    """Openings near commands of the same lock: a row for each two. [us]"""

    lock: Ints
    command: Ints
    answer: Ints
    """When it opened, by the second clock."""
    apart: Reals
    """From command to opening."""

    def take(self, which: Ints | np.ndarray) -> _Candidates:
        return _Candidates(
            self.lock[which], self.command[which], self.answer[which], self.apart[which])


def second_clocks(
    wiring: Wiring, commands: pl.DataFrame, contacts: pl.DataFrame, clocks: pl.DataFrame,
    levels: pl.DataFrame,
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """The course of every pair of clocks over the days of a span.

    Parameters
    ----------
    wiring : Wiring
        The locks.
    commands, contacts : polars.DataFrame
        EDGES of the span, as each controller stamped them.
    clocks, levels : polars.DataFrame
        CLOCKS and LEVELS after the span before.

    Returns
    -------
    LINES, CLOCKS, LEVELS
        Those of the span's days, and what is known after it.
    """
    across = wiring.locks.filter("across_clocks", C.open_value.is_not_null()).select(
        "lock", is_door=C.latency_from == "door", first="command_controller",
        second="contact_controller")
    if across.is_empty():
        return pl.DataFrame(schema=LINES), clocks, levels
    fired, opened = (_stamps(edges, across, wiring) for edges in (commands, contacts))
    days = pl.concat([edges.select("lock", day=C.time // (DAY_US * PLACES)) for edges in (
        commands, contacts)]).join(across, on="lock").select("first", "second", "day").unique()
    known = {(row["first"], row["second"]): row for row in clocks.iter_rows(named=True)}
    usual: dict[str, tuple[float, int]] = {
        str(lock): (level, days) for lock, level, days in levels.rows()}
    names = wiring.locks["lock"].cast(pl.String).to_list()
    lines = []
    for pair, parts in _by_pair(days, fired, opened):
        had = known.get(pair)
        state = _Line(had["at"], had["ahead"], had["rate"]) if had else None
        apart = bool(had and had["apart"])
        for day, started, answers in parts:
            own = {place: usual[names[place]] for place in np.unique(started[0]).tolist()
                   if names[place] in usual}
            found = _day(started, answers, state, apart, own)
            if isinstance(found, _Found):
                state, apart = found.line, found.apart
                usual |= {names[place]: level for place, level in found.usual.items()}
            told, early = state or _ONE, found.early if isinstance(found, _Found) else 0.0
            if apart or (found is _UNCLEAR and state is None):
                lines.append((*pair, day, told.at, told.ahead + early, told.rate,
                              isinstance(found, _Found)))
        if state is not None:
            known[pair] = {"at": state.at, "ahead": state.ahead, "rate": state.rate,
                           "apart": apart}
    return (
        pl.DataFrame(lines, schema=LINES, orient="row"),
        pl.DataFrame([(*pair, row["at"], row["ahead"], row["rate"], row["apart"])
                      for pair, row in sorted(known.items())], schema=CLOCKS, orient="row"),
        pl.DataFrame([(lock, *level) for lock, level in sorted(usual.items())],
                     schema={**LEVELS, "lock": wiring.locks.schema["lock"]}, orient="row"))


def on_first_clock(
    edges: pl.DataFrame, lines: pl.DataFrame, wiring: Wiring, before: pl.DataFrame | None = None
) -> pl.DataFrame:
    """Contact edges as the clocks of their commands would have stamped them.

    Parameters
    ----------
    edges : polars.DataFrame
        ``lock`` and ``time``, an instant, of contacts; by lock and time.
    lines : polars.DataFrame
        LINES.
    wiring : Wiring
        The locks.
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
    told = _with_lines(edges, lines, wiring).with_columns(time=C.time - ahead * PLACES)
    # (Where one day's line meets the next one's, edges stay in their order.)
    if before is not None:
        told = told.join(before.group_by("lock").agg(latest=C.time.max()), on="lock", how="left",
                         maintain_order="left").with_columns(
            pl.max_horizontal("time", "latest"))
    return told.with_columns(C.time.cum_max().over("lock")).select(edges.columns)


def with_ahead(edges: pl.DataFrame, lines: pl.DataFrame, wiring: Wiring) -> pl.DataFrame:
    """Command edges with ``ahead``: by how much the clock of the contacts is. [us]

    Nought where both are taken for one, null where it is not known.
    """
    if lines.is_empty():
        return edges.with_columns(ahead=pl.lit(0, pl.Int64))
    told = _with_lines(edges, lines, wiring)
    ahead = (C.ahead + C.rate * (stamp("time") + C.ahead - C.at)).round().cast(pl.Int64)
    return told.with_columns(_ahead=pl.when(C.known.is_null()).then(0).when("known").then(ahead)
                             ).select(*edges.columns, ahead="_ahead")


def latest_answers(clocks: pl.DataFrame, until: int, wiring: Wiring) -> pl.DataFrame:
    """``lock`` and ``late``: so much after an instant by the first clock the second may stamp it.

    Nought for locks whose clocks are one. [us]
    """
    late = (C.ahead + C.rate * (until - C.at)).clip(lower_bound=0).round().cast(pl.Int64)
    told = clocks.filter("apart").select("first", "second", late=late + SLACK_US)
    return wiring.of_locks(first="command_controller", second="contact_controller").join(
        told, on=["first", "second"], how="left", maintain_order="left").select(
        "lock", C.late.fill_null(0))


def with_course(polling: pl.DataFrame, lines: pl.DataFrame) -> pl.DataFrame:
    """POLLING with how far each day's clock is ahead of that of its locks' commands.

    Parameters
    ----------
    polling : polars.DataFrame
        Schema POLLING.
    lines : polars.DataFrame
        LINES.

    Returns
    -------
    polars.DataFrame
        The same rows with ``ahead_ms`` and ``ahead_known``, which are null where the clocks are
        taken for one. Of a controller that reads for several the one that it is furthest from.
    """
    told = lines.with_columns(
        controller="second", day=C.day.cast(pl.Int32).cast(pl.Date), ahead_ms=C.ahead * 0.001,
        ahead_known="known").sort(C.ahead.abs(), "first").unique(
        ["controller", "day"], keep="last", maintain_order=True)
    return POLLING.conform(polling.drop("ahead_ms", "ahead_known", strict=False).join(
        told.select("controller", "day", "ahead_ms", "ahead_known"), on=["controller", "day"],
        how="left", maintain_order="left"))


SLACK_US = 120_000_000
"""The next day's line may be so far from what the last one foretells (assumption)."""


def _with_lines(edges: pl.DataFrame, lines: pl.DataFrame, wiring: Wiring) -> pl.DataFrame:
    pairs = wiring.of_locks(first="command_controller", second="contact_controller")
    return edges.with_columns(day=C.time // (DAY_US * PLACES)).join(
        pairs, on="lock", how="left", maintain_order="left").join(
        lines, on=["first", "second", "day"], how="left", maintain_order="left")


def _stamps(edges: pl.DataFrame, across: pl.DataFrame, wiring: Wiring) -> pl.DataFrame:
    """Releasing, or opening, edges of locks across clocks, but of those where a person comes in."""
    settled = (stamp("time") - stamp("time").shift(1) > wiring.settle_us) | (
        C.lock != C.lock.shift(1))
    return edges.filter(C.on & settled.fill_null(value=True)).join(
        across.filter(~C.is_door), on="lock", maintain_order="left").select(
        "first", "second", day=C.time // (DAY_US * PLACES), lock=C.lock.to_physical().cast(
            pl.Int64), time=stamp("time"))


_Stamps = tuple[Ints, Ints]
"""Locks and times."""


def _by_pair(
    days: pl.DataFrame, fired: pl.DataFrame, opened: pl.DataFrame
) -> Iterator[tuple[tuple[str, str], list[tuple[int, _Stamps, _Stamps]]]]:
    """Of every pair of clocks its days with edges in order, each with commands and openings."""
    by = ["first", "second", "day"]
    parts = [{key: (part["lock"].to_numpy(), part["time"].to_numpy())
              for key, part in frame.partition_by(by, as_dict=True).items()}
             for frame in (fired, opened)]
    nothing = np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    found: dict[tuple[str, str], list[tuple[int, _Stamps, _Stamps]]] = {}
    for key in days.sort(by).iter_rows():
        first, second, day = key
        found.setdefault((str(first), str(second)), []).append(
            (day, parts[0].get(key, nothing), parts[1].get(key, nothing)))
    yield from found.items()


_Usual = dict[int, tuple[float, int]]
"""Locks' usual differences from command to answer, and from how many days. [us]"""


@dataclass(frozen=True)
class _Found:
    """A day's line, whether the clocks are apart, and what its locks usually take after it.

    ``early``: where the clock wanders about that line, how much less is taken for it, lest answers
    come before their commands. [us]
    """

    line: _Line
    apart: bool
    usual: _Usual
    early: float = 0.0


_QUIET, _UNCLEAR = "too few answers", "no line"


def _day(
    started: _Stamps, answers: _Stamps, before: _Line | None, apart: bool, usual: _Usual
) -> _Found | str:
    """What a day shows of a pair of clocks; a reason where it shows nothing."""
    expected = before if apart and before is not None else _ONE
    near = _candidates(started, answers, expected)
    if np.unique(near.command).size < FEWEST_ANSWERS or np.ptp(near.answer) < SLOPE_LEAST_US:
        return _QUIET
    line = _peak(near, expected)
    for _ in range(ROUNDS):
        found = _nearest(near, line)
        if found.apart.size < FEWEST_ANSWERS:
            return _UNCLEAR
        middle = int(found.answer.min() + found.answer.max()) // 2
        rate = _rate(found, line.rate)
        own, shift = _levels(found, usual, _Line(middle, 0.0, rate))
        if apart and before is not None:
            rate = _rate_since(before, shift, found)
            own, shift = _levels(found, usual, _Line(middle, 0.0, rate))
        line = _Line(middle, float(np.median(list(own.values()))), rate)
    if found.apart.size < KNOWN_SHARE * np.unique(near.command).size:
        return _UNCLEAR
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


def _candidates(started: _Stamps, answers: _Stamps, expected: _Line) -> _Candidates:
    """Every opening near a command of its lock, but for what the clocks are expected to be ahead.

    Commands are told apart by their place.
    """
    found = [(np.zeros(0, dtype=np.int64),) * 4]
    for lock in np.intersect1d(started[0], answers[0]):
        places = np.flatnonzero(started[0] == lock)
        opened = np.sort(answers[1][answers[0] == lock])
        by_first = opened - expected(opened)
        low = np.searchsorted(by_first, started[1][places] - SEARCH_US)
        high = np.searchsorted(by_first, started[1][places] + SEARCH_US, "right")
        command = np.repeat(places, high - low)
        chosen = np.concatenate([np.arange(a, b) for a, b in zip(low, high, strict=True)]).astype(
            np.int64)
        found.append((np.full(command.size, lock, dtype=np.int64), command, opened[chosen],
                      opened[chosen] - started[1][command]))
    lock, command, answer, apart = (np.concatenate(part) for part in zip(*found, strict=True))
    return _Candidates(lock, command, answer, apart.astype(float))


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


def _nearest(near: _Candidates, line: _Line) -> _Candidates:
    """Of each command the opening that is nearest to the line, where that is near."""
    off = np.abs(near.apart - line(near.answer))
    order = np.lexsort((off, near.command))
    first = np.ones(order.size, dtype=np.bool_)
    first[1:] = np.diff(near.command[order]) != 0
    chosen = order[first]
    return near.take(chosen[off[chosen] <= TOGETHER_US])


def _levels(
    found: _Candidates, usual: _Usual, line: _Line
) -> tuple[dict[int, float], _Line]:
    """Each lock's difference from command to answer with the rate taken out, and the line through
    what they have beyond their usual ones.
    """
    flat = found.apart - line(found.answer)
    own = {int(lock): float(np.median(flat[found.lock == lock])) for lock in np.unique(found.lock)}
    beyond = [level - usual[lock][0] for lock, level in own.items() if lock in usual]
    return own, replace(line, ahead=float(np.median(beyond)) if beyond else 0.0)


def _slopes(found: _Candidates) -> Reals:
    """How much later a lock answers for each microsecond that has passed since half a day ago."""
    slopes = []
    for lock in np.unique(found.lock):
        mine = np.flatnonzero(found.lock == lock)
        mine = mine[np.argsort(found.answer[mine])]
        half = (mine.size + 1) // 2
        early, late = mine[:mine.size - half], mine[half:]
        took = found.answer[late] - found.answer[early]
        long = took >= SLOPE_LEAST_US
        slopes.append((found.apart[late] - found.apart[early])[long] / took[long])
    return np.concatenate(slopes)


def _rate(found: _Candidates, usual: float) -> float:
    """How fast the clocks part on a day by itself."""
    every = _slopes(found)
    return float(np.median(every)) if every.size >= FEWEST_SLOPES else usual


def _rate_since(before: _Line, line: _Line, found: _Candidates) -> float:
    """The rate since the line before, where the day's own agrees with it; else the day's own."""
    if line.at <= before.at:
        return line.rate
    since = (line.ahead - before.ahead) / (line.at - before.at)
    every = _slopes(found)
    if every.size < FEWEST_SLOPES:
        return since
    unsure = RATE_DEVIATIONS * robust_deviation(every) / np.sqrt(every.size)
    return since if abs(since - line.rate) <= RATE_ERROR + unsure else line.rate


def _come_apart(
    found: _Candidates, own: dict[int, float], usual: _Usual, line: _Line
) -> tuple[bool, _Line]:
    """Whether clocks that were taken for one are apart, and the line from then on."""
    outside = float(np.mean((found.apart < 0) | (found.apart > LATE_US)))
    levels = np.array([usual[int(lock)][0] if int(lock) in usual else own[int(lock)] - line.ahead
                       for lock in found.lock])
    spread = robust_deviation(found.apart - levels - line(found.answer))
    most = float(np.abs(line(found.answer)).max())
    apart = most > max(APART_US, APART_SPREADS * spread) and len(own) >= FEWEST_LOCKS
    if not usual:  # The log begins: the quickest lock answers at once.
        flat = found.apart - line(found.answer)
        line = replace(line, ahead=float(np.quantile(flat, EARLY_SHARE)) - QUICKEST_US)
    return apart or outside > KNOWN_SHARE, line
