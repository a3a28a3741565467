"""What a jump of a clock is, and how to mend it: the rules of
:mod:`remanence.pipelines.clocks.steps`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from remanence.analytics.statistics import Ints
from remanence.pipelines.clocks.step_evidence import (
    SET_US,
    STEP_US,
    WITNESSES,
    Window,
    beat,
    beside,
    leads_after,
)

LEAP_US = 60_000_000
"""A smaller lead over others is what buffering and slow networks make."""

FALSE_DATE_US = 86_400_000_000
"""A clock that goes back further, and is set right later, had lost its date."""

FALSE_DATE = "it ran with a false date until it was set"
TAKEN_BACK = "it was taken back by the same amount, with a steady reading unbroken across both"


@dataclass(frozen=True)
class Step:
    """A step: ``before`` is the time just before it, ``jump`` how far it went [us].

    Where it could be mended, ``shift`` is added to the times from line ``first`` to
    ``last`` (None: to all that follow), on top of what other steps add.
    """

    controller: str
    before: int
    jump: int
    line: int
    how: str = ""
    first: int = 0
    last: int | None = None
    shift: int = 0

    def told(self) -> str:
        """How it was mended, for people."""
        if not self.shift:
            return "left as stamped: nothing in the log tells which side is right"
        span = f"lines {self.first:,} " + (f"to {self.last:,}" if self.last else "and all after it")
        return f"{span} shifted by {self.shift / 1e6:+,.3f} s: {self.how}"


@dataclass(frozen=True)
class Known:
    """What is known of a controller: its ``last`` time in an earlier stretch, by how much its
    times are shifted by now (``going``), and the last line that was taken before.
    """

    last: int | None
    going: int
    settled: int

    def returns(self, jump: int) -> bool:
        """Whether a jump takes back what the times are shifted by."""
        return bool(self.going) and abs(jump - self.going) <= STEP_US


def judge(plain: Step, window: Window, own: Ints, at: int, known: Known) -> Step | None:
    """How to mend a jump; ``plain`` where nothing tells; None where it is none.

    Parameters
    ----------
    plain : Step
        The jump.
    window : Window
        The lines around it.
    own : array of int
        Places of the controller's records among them.
    at : int
        The first of them after the jump.
    known : Known
        What came before.
    """
    found = _by_what_ran_beside(plain, window, own, at, known) if at else None
    if found is not None and found.shift:
        return found
    if found is None and known.returns(plain.jump):
        return replace(plain, first=plain.line, shift=-known.going,
                       how="it went back by as much as it was off")
    if found is None and _right_again(plain, window, own, at, known):
        return replace(plain, jump=known.going, first=plain.line, shift=-known.going,
                       how="after a silence it agrees again with the records beside it")
    mended = _false_date(plain, window, own, at, known)
    if mended is None and plain.jump < 0:
        mended = _taken_back(plain, window, own, at, known) or plain
    return mended or found  # None: a leap ahead is a silence, for all that can be told


def _right_again(plain: Step, window: Window, own: Ints, at: int, known: Known) -> bool:
    """Whether a shifted clock is ahead of all beside it by the shift, once a silence is over.

    It was set right in the meantime, and what it stamps is to be left as it is.
    """
    if not known.going or window.receipt is not None or plain.jump <= max(
        LEAP_US, known.going * 3 // 4
    ):
        return False  # no silence, or not one that could hold the way back
    leads = leads_after(window, own, at)
    slack = max(STEP_US, abs(known.going) // 4)
    return bool(leads.size >= WITNESSES and (np.abs(leads - known.going) <= slack).all())


def _by_what_ran_beside(
    plain: Step, window: Window, own: Ints, at: int, known: Known
) -> Step | None:
    found = beside(window, own, at)
    if found is None:
        return None
    going = known.going
    sure = plain.jump < 0 or going or window.receipt is not None
    far = max(STEP_US if sure else LEAP_US, abs(plain.jump) // 2)
    near = max(STEP_US, abs(plain.jump) // 4)
    jump = found.after - found.before
    regular = beat(window, own, at)
    if regular is not None and abs(regular.nearest(jump) - jump) <= min(
        found.unsure, regular.period // 4
    ):
        jump = regular.nearest(jump)
    if abs(found.before) <= near and abs(found.after) >= far:
        slack = max(STEP_US, 2 * found.unsure, regular.period if regular else 0)
        right = going and abs(going - jump) <= slack
        return replace(plain, jump=jump, first=plain.line, shift=-going if right else -jump,
                       how=found.what + ("; it is as it was before" if right else ""))
    if abs(found.after) <= near and abs(found.before) >= far:
        if known.last is not None or window.lines[own[0]] <= known.settled:
            return plain  # it was off before, and what it stamped is out of reach
        begun = beside(window, own, min(2 * WITNESSES, at))
        if begun is None or abs(begun.before - found.before) > near:
            return plain
        lines = window.lines[own]
        return replace(plain, jump=jump, first=int(lines[0]), last=int(lines[at - 1]),
                       shift=jump, how=found.what + "; it had been off from the beginning")
    return None


def _false_date(
    plain: Step, window: Window, own: Ints, at: int, known: Known
) -> Step | None:
    """A stretch stamped before the clock was set, ended by the time leaping ahead."""
    ticks, lines = window.ticks[own], window.lines[own]
    peak = max(plain.before, known.last or plain.before,
               int(ticks[:at].max()) if at else plain.before)
    if plain.jump < 0 and (peak - ticks[at] > FALSE_DATE_US or ticks[at] < SET_US):
        later = np.flatnonzero(ticks[at:] >= max(peak, SET_US))
        if not later.size:
            return None
        start, end = at, at + int(later[0])
    elif plain.jump > 0 and plain.before < SET_US <= ticks[at] and known.last is None:
        start, end, peak = 0, at, 0
    else:
        return None
    regular = beat(window, own, end)
    if (regular is None or lines[start] <= known.settled
            or (np.diff(ticks[start:end]) < -STEP_US).any()):
        return None  # restarted once more before it was set, or nothing tells how long it ran
    if ticks[start] + regular.jump < peak:
        return None
    return replace(plain, first=int(lines[start]), last=int(lines[end - 1]),
                   shift=regular.jump, how=FALSE_DATE)


def _taken_back(
    plain: Step, window: Window, own: Ints, at: int, known: Known
) -> Step | None:
    """A step that was taken back by the same amount, before or later."""
    back = beat(window, own, at)
    if back is None:
        return None
    ticks, lines = window.ticks[own], window.lines[own]
    likely = np.abs(np.diff(ticks) + back.jump) <= back.slack + back.period
    pairs = []
    for other in (np.flatnonzero(likely) + 1).tolist():
        forth = beat(window, own, other)
        if (forth is not None and abs(forth.jump + back.jump) <= back.slack
                and abs(forth.period - back.period) <= back.period / 20):
            pairs.append((abs(other - at), other, forth.jump))
    if not pairs:
        return None
    _, other, ahead = min(pairs)
    start, end = min(at, other), max(at, other)
    if lines[start] <= known.settled:
        return None
    shift = (ahead - back.jump) // 2 * (1 if start == at else -1)
    return replace(
        plain, first=int(lines[start]), last=int(lines[end - 1]), shift=shift, jump=-shift,
        before=int(ticks[start - 1]) if start else plain.before, how=TAKEN_BACK)
