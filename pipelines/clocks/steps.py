"""Steps of a clock that says the date: found, and mended where the evidence allows.

A time that goes back by seconds and stays back is a step; one that leaps ahead is told
from a silence only by what goes on beside it. A step is mended where

- other controllers' records between its lines, or the times of receipt, show which side
  is off: that side is shifted (:func:`remanence.pipelines.clocks.step_evidence.beside`);
- it is taken back again by the same amount, with the beat of a steadily read channel
  unbroken across both: what lies between is shifted;
- a clock starts with a false date (it goes back by a day or more, or says a year before
  2000) and is set right later, with the beat unbroken there: all until then is shifted.

Anything else is left as it was stamped, and told. Mending looks ahead by one stretch of
the file, never further, and a line that was taken once keeps its time for good: where a
log goes on, what is found later is only used for the lines that came since. So the
same record never comes with two times.
"""

from __future__ import annotations

import itertools
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import astuple, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from remanence.analytics.statistics import Ints
from remanence.pipelines.clocks.step_evidence import NO_TIME, SET_US, STEP_US, Window, beside
from remanence.pipelines.clocks.step_rules import FALSE_DATE, LEAP_US, Known, Step, judge
from remanence.pipelines.clocks.window import (
    Marks,
    Order,
    bare,
    mark,
    nearest_shift,
    spans_of,
    unlike_receipts,
    window_of,
)
from remanence.shared.column_numbers import ticks_of
from remanence.shared.tables import CLOCK_EVENTS

STAYS = 20
"""Records for which the time must stay back to mean a step, not a line out of order."""

CREPT = 6
"""Records before and after a step back that must run on evenly, where it is soon made up for."""

REMEMBERED = 2_000_000
"""Records that are kept in mind, to tell a step from a stretch that was written twice."""

TAIL = 2_000
"""Lines of the stretch before that are kept at hand."""

BLOCK = 4_096
"""Records of a controller that are searched for a jump at a time."""

MOST_CONTROLLERS = 64
"""More clocks than that are not watched in one file: its names are hardly controllers."""

HOPELESS = 50
"""After so many steps of one controller in one file the watch gives up: it is in no order."""

UNORDERED, ORDERLESS = 4, 4 * STAYS
"""So does it where one line in so many, and so many at least, lies before the line STAYS before it:
a step makes STAYS of them, and clocks step once in a while."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class StepWatch:
    """Watches the times of one file, and mends them.

    Parameters
    ----------
    file : str
        Its name, for what is told.
    last : mapping of str to int
        Each controller's latest time, for a log that goes on.
    steps : iterable of list
        What was found in it before (see :meth:`kept`).
    settled : int, default 0
        Lines that were taken before: nothing but ``steps`` is used for them.
    """

    def __init__(
        self, file: str, last: Mapping[str, int] | None = None,
        steps: Iterable[Sequence[Any]] = (), settled: int = 0,
    ) -> None:
        self.file = file
        self.settled = settled
        self._last = dict(last or {})
        self._steps = [Step(*step) for step in steps]
        self._judged: dict[str, set[int]] = {}
        for step in self._steps:
            self._judged.setdefault(step.controller, set()).add(step.line)
        self._hopeless: set[str] = set()
        self._grouped = False
        self._past: deque[pl.DataFrame] = deque()
        self._tail: pl.DataFrame | None = None

    # One stretch.

    def mend(self, frame: pl.DataFrame, following: pl.DataFrame | None = None) -> pl.DataFrame:
        """Mend ``utc`` of a stretch, looking at the one that follows.

        Parameters
        ----------
        frame, following : polars.DataFrame
            ``line``, ``channel``, ``utc``, ``value`` and maybe ``receipt``, in the order of
            the file.
        """
        if self._in_order(frame, following) or self._by_channel(frame):
            return frame
        parts = [part for part in (self._tail, frame, following) if part is not None]
        every = pl.concat([bare(part) for part in parts], how="vertical_relaxed")
        window, names = window_of(every)
        marks = mark(every)
        base = self._tail.height if self._tail is not None else 0
        size = base + frame.height
        places = _places(window, names)
        self._hopeless.update(name for name, own in places.items() if _no_order(window, own))
        stamped = window.ticks.copy()
        for name, own in places.items():
            for step in self._steps:
                if step.controller == name:
                    _shift(window, own[own >= base], step)
        order = Order(window)
        # What cannot be mended by itself may share its clock with one that can.
        for final in (False, True):
            for name, own in sorted(places.items(), key=lambda place: -place[1].size):
                if own.size and name not in self._hopeless:
                    self._mend_one(name, window, order, marks, own, base, size, final=final)
                    if self._share(name, window, stamped, places, base, size):
                        order.renew(window)
        for name, own in places.items():
            here = own[(own >= base) & (own < size)]
            if here.size:
                self._last[name] = self._level(name, window, here)
        utc = pl.Series(window.ticks[base:size]).cast(pl.Datetime("us", "UTC"))
        mended = frame.with_columns(utc=pl.when(pl.col("utc").is_not_null()).then(utc))
        self._remember(frame, mended)
        return mended

    def _in_order(self, frame: pl.DataFrame, following: pl.DataFrame | None) -> bool:
        """Whether nobody's time jumps in this stretch; if so it is taken note of.

        Where nobody is behind the latest time, here and in the stretch that follows, a leap ahead
        is a silence: no line shows that the time between has not passed.
        """
        if frame.is_empty():
            return True
        utc = frame["utc"]
        if utc.null_count() or "receipt" in frame.columns or self._shifts(frame["line"][0]):
            return False
        ticks = ticks_of(utc)
        highest = _latest_so_far(ticks)
        if ticks[0] < SET_US or (ticks < highest - STEP_US).any():
            return False
        latest = max(self._last.values(), default=int(ticks[0]))
        leaps = ticks[0] > latest + STEP_US or (np.diff(highest) > STEP_US).any()
        if leaps and not _goes_on(following, int(highest[-1])):
            return False
        spans = spans_of(frame, ticks)
        if any(
            first < self._last.get(name, first) - STEP_US for name, (first, _) in spans.items()
        ):
            return False
        for name, (_, last) in spans.items():
            self._last[name] = max(last, self._last.get(name, last))
        self._remember(frame, frame)
        return True

    def _by_channel(self, frame: pl.DataFrame) -> bool:
        """Whether all lines of one channel stand together, as databases export them.

        Such a file goes back in time wherever the next channel begins, and no clock has stepped.
        """
        if frame.is_empty() or "receipt" in frame.columns or self._shifts(frame["line"][0]):
            return False
        channel, ticks = frame["channel"], ticks_of(frame["utc"].drop_nulls())
        if ticks.size < frame.height:
            return False
        turns = channel.rle_id().to_numpy()
        back = np.diff(ticks) < -STEP_US
        if not (self._grouped or channel.n_unique() > 1) or turns[-1] > channel.n_unique() or (
                back & (np.diff(turns) == 0)).any():
            return False
        self._grouped = True
        for name, (_, last) in spans_of(frame, ticks).items():
            self._last[name] = max(last, self._last.get(name, last))
        self._remember(frame, frame)
        return True

    def _shifts(self, line: int) -> bool:
        """Whether any time from this line on is to be shifted."""
        going: dict[str, int] = {}
        for step in self._steps:
            if step.last is None:
                going[step.controller] = going.get(step.controller, 0) + step.shift
            elif step.shift and step.last >= line:
                return True
        return any(going.values())

    def _remember(self, frame: pl.DataFrame, mended: pl.DataFrame) -> None:
        self._tail = mended.tail(TAIL)
        self._past.append(frame[["utc", "channel", "value"]])
        while len(self._past) > 1 and sum(f.height for f in self._past) > REMEMBERED:
            self._past.popleft()

    def _level(self, name: str, window: Window, own: Ints) -> int:
        """The latest time of a controller, counted from the last place where it stepped."""
        lines, ticks = window.lines[own], window.ticks[own]
        judged = [line for line in self._judged.get(name, ()) if lines[0] <= line <= lines[-1]]
        if judged:
            return int(ticks[lines >= max(judged)].max())
        return max(int(ticks.max()), self._last.get(name, int(ticks.max())))

    # One controller.

    def _mend_one(
        self, name: str, window: Window, order: Order, marks: Marks, own: Ints, base: int,
        size: int, *, final: bool,
    ) -> None:
        """Judge its jumps one by one; what cannot be mended is only put down if ``final``."""
        judged = self._judged.setdefault(name, set())
        passed: set[int] = set()
        cursor: tuple[int, int] | None = None
        silent = order.silences(window, own)
        while (jump := self._next_jump(
            name, window, own, silent, base, size, passed, cursor
        )) is not None:
            at, before = jump
            cursor = at, int(window.ticks[own[at]])
            line = int(window.lines[own[at]])
            now, found = int(window.ticks[own[at]]), None
            if now > before or not self._written_before(marks, own[at : at + STAYS]):
                found = judge(Step(name, before, now - before, line), window, own, at,
                              self._known(name))
            if found and found.shift and found.first < int(window.lines[base]):
                # It began in a stretch that is done with.
                found = replace(found, first=0, last=None, shift=0, how="")
            if own[at] >= size and not (found and found.shift and found.first <= int(
                window.lines[size - 1])):
                break  # not of this stretch: it will be judged when its turn comes
            if not final and not (found and found.shift):
                passed.add(line)
                continue
            judged.add(line)
            if found is None:
                continue
            self._steps.append(found)
            if found.shift:
                _shift(window, own[own >= base], found)
                cursor = None
                order.renew(window)
                silent = order.silences(window, own)
            if sum(step.controller == name for step in self._steps) >= HOPELESS:
                self._hopeless.add(name)
                break

    def _next_jump(
        self, name: str, window: Window, own: Ints, silent: NDArray[np.bool_], base: int,
        size: int, passed: set[int], cursor: tuple[int, int] | None,
    ) -> tuple[int, int] | None:
        """The next jump not judged yet: its place among ``own``, and the time before it.

        ``cursor`` is the last one, and the time after it: it is looked for from there on.
        ``silent`` marks leaps ahead that nothing can show to be more than a silence.
        """
        ticks, lines = window.ticks[own], window.lines[own]
        judged = self._judged.get(name, set()) | passed
        leapt = bool((np.diff(ticks[own <= size]) > STEP_US).any())
        # Where a shift is going on, or each line tells when it was received, less tells.
        going = self._known(name).going
        leap = LEAP_US if window.receipt is None and not going else STEP_US
        start = int(np.searchsorted(own, base))
        if start == ticks.size:
            return None
        highest = self._last.get(name, int(ticks[start]))
        unlike = unlike_receipts(window, own)
        if cursor is not None:
            start, highest = cursor
        while start < ticks.size:
            block = ticks[start : start + BLOCK]
            level = np.maximum(np.maximum.accumulate(block), highest)
            prior = np.concatenate([[highest], level[:-1]])
            ahead = block > prior + leap
            if window.receipt is None:
                # What takes back a shift that is going on needs nobody else to tell it.
                slack = max(STEP_US, abs(going) // 4)
                back_again = bool(going) & (np.abs(block - prior - going) <= slack)
                ahead &= ~silent[start : start + BLOCK] | back_again
            jumps = (block < prior - STEP_US) | ahead
            if unlike is not None:
                jumps &= unlike[start : start + BLOCK]
            odd = np.flatnonzero(jumps)
            if not odd.size:
                start, highest = start + block.size, int(level[-1])
                continue
            at, before = start + int(odd[0]), int(prior[odd[0]])
            if own[at] >= size and not leapt:
                return None  # of the stretch that follows, and not the end of what began here
            if lines[at] in judged or lines[at] <= self.settled:
                start, highest = at, int(ticks[at])
                continue
            if ticks[at] > before:
                return at, before
            stays = ticks[at : at + STAYS]
            back = np.flatnonzero(stays >= before - STEP_US)
            if back.size and not _crept(ticks, at, at + int(back[0])) and not (
                window.receipt is not None and at and beside(window, own, at)
            ):
                # It came back: lines out of order.
                start = at + int(back[0])
                highest = max(before, int(ticks[start]))
                continue
            returns = self._known(name).returns(int(ticks[at]) - before)
            return (at, before) if back.size or stays.size == STAYS or returns else None
        return None

    def _known(self, name: str) -> Known:
        going = sum(s.shift for s in self._steps if s.controller == name and s.last is None)
        return Known(self._last.get(name), going, self.settled)

    def _written_before(self, marks: Marks, rows: Ints) -> bool:
        """Whether a stretch is one that was written before, a second time."""
        since = marks[rows]
        seen = int(np.isin(since, marks[: rows[0]]).sum())
        seen += sum(int(np.isin(since, mark(past)).sum()) for past in self._past)
        return seen > len(since) // 2

    def _share(
        self, name: str, window: Window, stamped: Ints, places: Mapping[str, Ints], base: int,
        size: int,
    ) -> bool:
        """Shift what was stamped by the same clock under other controllers' names, too.

        Those are the lines that agree with what was stamped beside them, and not with
        what that was mended to. Returns whether there was anything to share.
        """
        mine = places[name]
        shift = window.ticks[mine] - stamped[mine]
        if not shift[mine >= base].any():
            return False
        why = [step for step in self._steps if step.controller == name and step.shift]
        for other, own in places.items():
            rows = own[(own >= base) & (own < size)]
            if other == name or not rows.size:
                continue
            by, near = nearest_shift(window, mine, shift, rows)
            same = (by != 0) & (np.abs(window.ticks[rows] + by - near) <= np.maximum(
                STEP_US, np.abs(by) // 4))
            same &= np.abs(window.ticks[rows] + by - near) < np.abs(window.ticks[rows] - near)
            ends = np.flatnonzero(np.diff(np.where(same, by, 0), prepend=0, append=0))
            for start, stop in itertools.pairwise(ends.tolist()):
                if not same[start]:
                    continue
                first, last = (int(window.lines[rows[k]]) for k in (start, stop - 1))
                how = next((s.how for s in reversed(why) if s.first <= last), "")
                jump = -int(by[start])
                if not _stepped(window, own, int(rows[start]), jump):
                    continue  # it agrees by chance: its own clock did not step
                self._steps.append(Step(
                    other, int(window.ticks[rows[start]]), jump, first, f"{how} for {name}, "
                    "whose clock it shares", first, last, -jump))
                self._judged.setdefault(other, set()).update(
                    int(window.lines[rows[k]]) for k in (start, min(stop, rows.size - 1)))
                window.ticks[rows[start:stop]] -= jump
        return True

    # What is kept, and told.

    @property
    def last_times(self) -> dict[str, int]:
        """Each controller's latest time (UTC microseconds), for a log that goes on."""
        return dict(self._last)

    def kept(self) -> list[list[Any]]:
        """What was found, for the next reading of the same log."""
        return [list(astuple(step)) for step in self._steps]

    def events(self) -> pl.DataFrame:
        """The steps found so far (CLOCK_EVENTS)."""
        rows: list[tuple[object, ...]] = []
        for step in self._steps:
            rows.append((step.controller, _utc(step.before), "step", step.jump / 1e6,
                         bool(step.shift), self.file, step.first or step.line, step.told()))
            if step.how == FALSE_DATE:
                rows.append((step.controller, _utc(step.before), "restart", None, True, self.file,
                             step.first, ""))
        return pl.DataFrame(rows, schema=CLOCK_EVENTS.schema, orient="row")


def _places(window: Window, names: Sequence[str]) -> dict[str, Ints]:
    """Where the records of each controller stand: of those that wrote most, if they are many."""
    counts = np.bincount(window.owner[window.ticks != NO_TIME], minlength=len(names))
    most = np.argsort(-counts, kind="stable")[:MOST_CONTROLLERS]
    return {names[code]: np.flatnonzero((window.owner == code) & (window.ticks != NO_TIME))
            for code in sorted(most.tolist()) if counts[code]}


def _latest_so_far(ticks: Ints) -> Ints:
    """The latest of the times up to each; in order, that is the time itself."""
    return ticks if (ticks[1:] >= ticks[:-1]).all() else np.maximum.accumulate(ticks)


def _goes_on(following: pl.DataFrame | None, latest: int) -> bool:
    """Whether no line of the next stretch lies behind the latest time before it."""
    if following is None or following.is_empty():
        return True
    if following["utc"].null_count():
        return False
    ticks = ticks_of(following["utc"])
    level = np.maximum(_latest_so_far(ticks), latest)
    return bool((ticks >= level - STEP_US).all())


def _no_order(window: Window, own: Ints) -> bool:
    """Whether a controller's lines go back in time too often for its clock to have done so.

    Or the latest stands first: twice as many lines go back as go on.
    """
    ticks = window.ticks[own]
    back = int((ticks[STAYS:] < ticks[:-STAYS] - STEP_US).sum())
    steps = np.diff(ticks)
    reverse = own.size > ORDERLESS and (steps < 0).sum() > 2 * (steps > 0).sum()
    return bool(reverse) or back > max(ORDERLESS, own.size // UNORDERED)


def _crept(ticks: Ints, at: int, back: int) -> bool:
    """Whether a time that went back reached the old one again at its own pace, without a jump."""
    around = np.diff(ticks[max(at - CREPT, 0) : at]), np.diff(ticks[at : back + 1])
    return bool(min(step.size for step in around) >= CREPT - 1 and all(
        (np.abs(step) < STEP_US * 3 // 4).all() for step in around))


def _stepped(window: Window, own: Ints, row: int, jump: int) -> bool:
    """Whether a controller's own time jumps so at this line; at its first line nothing tells."""
    at = int(np.searchsorted(own, row))
    if at == 0:
        return True
    own_jump = int(window.ticks[row] - window.ticks[own[at - 1]])
    return abs(own_jump - jump) <= max(STEP_US, abs(jump) // 4)


def _utc(ticks: int) -> datetime:
    return _EPOCH + timedelta(microseconds=ticks)


def _shift(window: Window, own: Ints, step: Step) -> None:
    if not own.size:
        return
    lines = window.lines[own]
    within = (lines >= step.first) & (lines <= (step.last or lines[-1]))
    window.ticks[own[within]] += step.shift
