"""The rails of paired days, looked at here and in a second process, whichever is free."""

from __future__ import annotations

import contextlib
import os
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace

from analytics.pairing_setup import Setup
from pipelines.beside import Beside, LostError
from pipelines.derived_days import Block, RailPart, Scope, look_at_rails
from pipelines.derived_records import DayReader

WORTH_ROWS = 20_000_000
"""So many records are worth a second process. It takes a quarter of a second to start: half as
many took longer with it than without."""
AHEAD = 10
"""Blocks that are paired before the first of them is finished."""
HANDED_OVER = 3
"""Blocks that the second process has at a time: one in hand, and the next ones."""


@dataclass
class _Waiting:
    index: int
    block: Block
    scope: Scope | None
    sent: bool = False
    part: RailPart | None = None


class RailLooker:
    """Takes blocks of days in order, and gives them back in order with what their rails show.

    Parameters
    ----------
    setup : Setup
        The locks.
    reader : DayReader
        The store.
    rows : int
        How many records there are to look at in all.
    beside : bool or None
        Whether a second process helps; None: if it is worth it.
    """

    def __init__(self, setup: Setup, reader: DayReader, rows: int, beside: bool | None) -> None:
        self.setup, self.reader = setup, reader
        self.blocks: deque[_Waiting] = deque()
        self.second: Beside[tuple[Block, Scope | None], RailPart] | None = None
        if beside is None:
            beside = rows >= WORTH_ROWS and _processors() > 1
        if beside:
            with contextlib.suppress(LostError):
                self.second = Beside(looks_at_rails, setup, reader)

    @property
    def waiting(self) -> bool:
        """Whether any block is to be given back."""
        return bool(self.blocks)

    @property
    def full(self) -> bool:
        """Whether one must be given back before another is taken."""
        return len(self.blocks) >= (AHEAD if self.second else 1)

    def add(self, index: int, block: Block, scope: Scope | None) -> None:
        """Another block, and what of it is to be looked at."""
        self.blocks.append(_Waiting(index, block, scope))
        self._hand_over()

    def take(self) -> tuple[int, Block, RailPart]:
        """The first of the blocks."""
        first = self.blocks[0]
        while first.part is None:
            if first.sent and self.second is not None and (
                    self.second.done() or all(one.sent or one.part for one in self.blocks)):
                self._take_back()
            else:
                # While the second process is at the first ones, one that it will come to last.
                last = next(one for one in reversed(self.blocks)
                            if not one.sent and one.part is None)
                last.part = look_at_rails(self.setup, self.reader, last.block, last.scope)
            self._hand_over()
        self.blocks.popleft()
        return first.index, first.block, first.part

    def _hand_over(self) -> None:
        for one in self.blocks:
            if self.second is None or self.second.waiting >= HANDED_OVER:
                break
            if not one.sent and one.part is None:
                try:
                    self.second.send((replace(one.block, steps=()), one.scope))
                except LostError:
                    self._lost()
                else:
                    one.sent = True

    def _take_back(self) -> None:
        assert self.second is not None
        one = next(one for one in self.blocks if one.sent and one.part is None)
        try:
            one.part = self.second.take()
        except LostError:
            self._lost()

    def _lost(self) -> None:
        """Go on alone."""
        for one in self.blocks:
            one.sent = one.part is not None
        self.close()

    def close(self) -> None:
        """End the second process."""
        if self.second is not None:
            self.second.close()
            self.second = None


def looks_at_rails(
    setup: Setup, reader: DayReader
) -> Callable[[tuple[Block, Scope | None]], RailPart]:
    """What the second process does with a block."""
    return lambda task: look_at_rails(setup, reader, task[0], task[1])


def _processors() -> int:
    """How many this process may use."""
    affinity = getattr(os, "sched_getaffinity", None)
    return len(affinity(0)) if affinity else os.cpu_count() or 1
