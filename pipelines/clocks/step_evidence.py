"""What tells on which side of a jump a clock was right, and how far it went.

Two things do. **Beside it**: other controllers' records between its own lines, or the
time of receipt on each line, went on across the jump as if nothing had happened. And
its own **beat**: a channel read at a steady period gives the jump to the millisecond,
whatever the others' delays: across the jump one period passed, however long it looks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from remanence.analytics.statistics import Ints

NO_TIME = -(2**63)
"""Stands for a time that could not be read."""

STEP_US = 2_000_000
"""A smaller jump is lines out of order, or what buffers and slow networks make."""

SET_US = 946_684_800_000_000
"""2000-01-01: before it no clock was set."""

NEAR = 400
"""Lines before and after a jump that are looked at."""

FAR = 4_000
"""The same after a silence, when little is written."""

WITNESSES = 5
"""Records beside it, on either side, that must agree."""

BEATS = 10
"""Intervals on either side that show a steady beat."""

STEADY = 0.85
"""So much of them must lie within a tenth of the period."""

LONGEST_BEAT_US = 60_000_000


@dataclass(frozen=True)
class Window:
    """Lines of one or two stretches of a file, in order: UTC microseconds as mended so far.

    ``owner`` and ``channel`` are numbers; ``receipt`` is the time of receipt, where the
    log has one (0: not on this line).
    """

    ticks: Ints
    lines: Ints
    owner: Ints
    channel: Ints
    receipt: Ints | None = None


@dataclass(frozen=True)
class Beside:
    """How far a clock was ahead of what ran beside it, before and after a jump [us]."""

    before: int
    after: int
    unsure: int
    what: str


def beside(window: Window, own: Ints, at: int) -> Beside | None:
    """What ran beside a controller across the jump at its ``at``-th record.

    Parameters
    ----------
    window : Window
        The lines.
    own : array of int
        Places of the controller's records among them.
    at : int
        The first of its records after the jump.

    Returns
    -------
    Beside or None
        None where nothing did, or not enough of it.
    """
    if window.receipt is not None:
        return _receipts(window, own, at)
    last, first = int(own[at - 1]), int(own[at])
    jump = int(window.ticks[first] - window.ticks[last])
    near = np.arange(max(last - NEAR, 0), min(first + NEAR, window.ticks.size))
    near = near[(window.owner[near] != window.owner[last]) & (window.ticks[near] != NO_TIME)]
    steady = []
    for other in np.unique(window.owner[near]):
        rows = near[window.owner[near] == other]
        then, now = rows[rows < last][-WITNESSES:], rows[rows > first][:WITNESSES]
        if not (then.size and now.size):
            continue
        passed = int(window.ticks[now[0]] - window.ticks[then[-1]])
        if -STEP_US <= passed <= max(abs(jump) // 4, STEP_US):
            steady.append(rows)
    if not steady:
        return None
    others = np.sort(np.concatenate(steady))
    if min((others < last).sum(), (others > first).sum()) < WITNESSES:
        return None
    before = _leads(window, own[max(at - WITNESSES, 0) : at], others)
    # What they wrote before the jump says nothing of the time after it.
    mine = own[at : at + NEAR]
    again = np.flatnonzero(np.abs(np.diff(window.ticks[mine])) > max(STEP_US, abs(jump) // 4))
    mine = mine[: again[0] + 1] if again.size else mine
    after = _leads(window, mine, others[others > last])[:WITNESSES]
    if before.size == 0 or after.size < WITNESSES:
        return None
    return _agreed(before, after, "the records beside it went on")


def _agreed(before: Ints, after: Ints, what: str) -> Beside | None:
    """What leads tell that hardly vary on either side: else it came back, or jumped once more."""
    found = Beside(int(np.median(before)), int(np.median(after)),
                   int(np.ptp(before) + np.ptp(after)), what)
    steady = max(STEP_US, abs(found.after - found.before) // 4)
    return found if max(np.ptp(before), np.ptp(after)) <= steady else None


def leads_after(window: Window, own: Ints, at: int) -> Ints:
    """How far a controller is ahead of what others stamped beside it, from its ``at``-th record on.

    Parameters
    ----------
    window, own, at
        As for :func:`beside`.

    Returns
    -------
    array of int
        At most as many as there need to be witnesses [us]; none where nobody else wrote.
    """
    first = int(own[at])
    near = np.arange(first, min(first + FAR, window.ticks.size))
    others = near[(window.owner[near] != window.owner[first]) & (window.ticks[near] != NO_TIME)]
    return _leads(window, own[at : at + NEAR], others)[:WITNESSES]


def _leads(window: Window, rows: Ints, others: Ints) -> Ints:
    """How far each record is ahead of the latest of others before it; they must go on after it."""
    at = np.searchsorted(others, rows) - 1
    between = (at >= 0) & (at < others.size - 1)
    return window.ticks[rows[between]] - window.ticks[others[at[between]]]


def _receipts(window: Window, own: Ints, at: int) -> Beside | None:
    assert window.receipt is not None
    sides = []
    for rows in (own[max(at - WITNESSES, 0) : at], own[at : at + WITNESSES]):
        rows = rows[window.receipt[rows] != 0]
        if rows.size < WITNESSES:
            return None
        sides.append(window.ticks[rows] - window.receipt[rows])
    return _agreed(sides[0], sides[1], "the times of receipt went on")


@dataclass(frozen=True)
class Beat:
    """A steady beat on both sides of a jump: period, and how long the jump's own looked [us]."""

    period: int
    across: int

    @property
    def jump(self) -> int:
        """How far the clock jumped, if not one beat was missed."""
        return self.across - self.period

    @property
    def slack(self) -> int:
        """By so much two jumps that cancel may differ."""
        return max(self.period // 4, 20_000)

    def nearest(self, jump: int) -> int:
        """How far it jumped, if ``jump`` is about right and some beats may have been missed."""
        return self.across - max(round((self.across - jump) / self.period), 1) * self.period


def beat(window: Window, own: Ints, at: int) -> Beat | None:
    """The beat across the jump at a controller's ``at``-th record; None without a steady one."""
    before, after = own[max(at - NEAR, 0) : at], own[at : at + NEAR]
    best: Beat | None = None
    shared = np.intersect1d(window.channel[before], window.channel[after])
    for channel in shared:
        then = window.ticks[before][window.channel[before] == channel]
        now = window.ticks[after][window.channel[after] == channel]
        if min(then.size, now.size) <= BEATS:
            continue
        steps = [np.diff(then)[-4 * BEATS:], np.diff(now)[: 4 * BEATS]]
        period = float(np.median(np.concatenate(steps)))
        if not 0 < period <= LONGEST_BEAT_US or any(
            np.mean(np.abs(step - period) <= period / 10) < STEADY for step in steps
        ):
            continue
        if best is None or period < best.period:
            best = Beat(round(period), int(now[0] - then[-1]))
    return best
