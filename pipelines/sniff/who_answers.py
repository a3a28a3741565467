"""Which contact answers which command, and which rail feeds it, by what follows on what."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

ANSWER_US = 1_000_000
"""A contact that moves later than this after the command's edge is moved by somebody's hand."""

FEWEST = 4
"""With fewer answered edges nothing is said of a pair."""

PAIRED = 0.15
"""A command and its contact share at least this. In the demo a lock that fails at four commands of
five shares 0.22, and what has nothing to do with each other at most 0.01."""

MARGIN = 0.1
"""The best contact must be ahead of the next best by this, or it is asked about."""

BOTH_WAYS = 0.5
"""From this share of the better answer on, a contact is taken to follow both ways."""

ALIKE = 0.02
"""What names that are alike add to the share: it decides only between equals."""

SAG_US = 300_000
"""How long after the edge a rail's volts are looked at for the sag."""

BEFORE_US = 120_000_000
"""How old the volts before the edge may be."""

LEAST_SAG = 0.03
"""Volts: less is the step of many converters. Common practice, no source."""

Times = NDArray[np.int64]


@dataclass(frozen=True)
class Series:
    """The records of one channel in order: microseconds, and values."""

    times: Times
    values: NDArray[np.float64]

    def starts(self) -> tuple[Times, NDArray[np.float64]]:
        """Edges with none of the same channel in the second before, and the value after each."""
        change = np.flatnonzero(np.diff(self.values) != 0) + 1
        times = self.times[change]
        lone = np.ones(len(times), bool)
        lone[1:] = np.diff(times) > ANSWER_US
        return times[lone], self.values[change][lone]

    def rests_at(self) -> float:
        """The value that it has most of the time, of 0 and 1."""
        lengths = np.diff(self.times)
        return float(lengths[self.values[:-1] == 1].sum() > lengths[self.values[:-1] == 0].sum())

    def edges(self) -> tuple[Times, NDArray[np.float64]]:
        """All edges, and the value after each."""
        change = np.flatnonzero(np.diff(self.values) != 0) + 1
        return self.times[change], self.values[change]


@dataclass(frozen=True)
class Answer:
    """How well one contact answers one command.

    ``share``: of both, the harmonic mean of the share of the command's edges that the contact
    answers and of the contact's that follow the command. ``command_to`` and ``contact_to``:
    the values after the edges.
    """

    share: float = 0.0
    answered: int = 0
    edges: int = 0
    command_to: float = 1.0
    contact_to: float = 0.0


@dataclass
class Pairing:
    """Which contact each command has (or None), and how sure that is."""

    contacts: dict[str, str | None] = field(default_factory=dict)
    answers: dict[str, Answer] = field(default_factory=dict)
    next_best: dict[str, tuple[str, float]] = field(default_factory=dict)
    left: list[str] = field(default_factory=list)


def answer_of(command: Series, contact: Series) -> Answer:
    """How well a contact answers a command; see :class:`Answer`."""
    starts, to = command.starts()
    edges, edge_to = contact.edges()
    lone, lone_to = contact.starts()
    best = Answer()
    if len(starts) < FEWEST or len(edges) < FEWEST:
        return best
    after = np.searchsorted(edges, starts, side="right")
    reached = after < len(edges)
    lag = np.where(reached, edges[np.minimum(after, len(edges) - 1)] - starts, ANSWER_US + 1)
    before = np.where(after > 0, starts - edges[np.maximum(after - 1, 0)], ANSWER_US + 1)
    # A contact that had just moved was moved before the command, not by it.
    hit = (lag <= ANSWER_US) & (before > ANSWER_US)
    for value in (1.0, 0.0):
        of_kind = to == value
        answered = hit & of_kind
        if answered.sum() < FEWEST:
            continue
        contact_to = float(np.round(np.median(edge_to[after[answered]])))
        same = lone[lone_to == contact_to]
        at = np.searchsorted(starts[of_kind], same, side="left") - 1
        led = (at >= 0) & (same - starts[of_kind][np.maximum(at, 0)] <= ANSWER_US)
        forth, back = answered.sum() / of_kind.sum(), led.mean() if len(same) else 0.0
        share = 2 * forth * back / (forth + back) if forth + back else 0.0
        # Where the contact follows both ways, what leaves the state of rest releases.
        ahead = share > best.share
        if min(share, best.share) > BOTH_WAYS * max(share, best.share):
            ahead = value != command.rests_at()
        if ahead:
            best = Answer(float(share), int(answered.sum()), int(of_kind.sum()), value, contact_to)
    return best


def pair_up(
    series: Mapping[str, Series], commands: list[str], contacts: list[str]
) -> Pairing:
    """The contact of each command, so that all shares together are the greatest.

    Parameters
    ----------
    series : mapping
        From each channel to its records.
    commands, contacts : list of str
        Channels that the log calls so; a channel in both lists may be either.

    Returns
    -------
    Pairing
        ``left`` are those that are in no pair, and may be either.
    """
    found = {(a, b): answer_of(series[a], series[b])
             for a in commands for b in contacts if a != b}
    both = set(commands) & set(contacts)
    best_as_command = {a: max((found[a, b].share for b in contacts if a != b), default=0.0)
                       for a in commands}
    best_as_contact = {b: max((found[a, b].share for a in commands if a != b), default=0.0)
                       for b in contacts}
    unclear = {name for name in both if max(best_as_command[name], best_as_contact[name]) < PAIRED}
    rows = [a for a in commands if a not in both or (
        a not in unclear and best_as_command[a] >= best_as_contact[a])]
    columns = [b for b in contacts if b not in both or (b not in unclear and b not in rows)]
    pairing = Pairing(left=sorted(unclear))
    gain = np.array([[found[a, b].share + ALIKE * likeness(a, b) for b in columns] for a in rows]
                    ).reshape(len(rows), len(columns))
    chosen = dict(zip(*(side.tolist() for side in linear_sum_assignment(-gain)), strict=True))
    for i, a in enumerate(rows):
        column = chosen.get(i)
        answer = found[a, columns[column]] if column is not None else Answer()
        others = sorted(((gain[i, j], b) for j, b in enumerate(columns) if j != column),
                        reverse=True)
        pairing.contacts[a] = columns[column] if (
            column is not None and answer.share >= PAIRED) else None
        pairing.answers[a] = answer
        pairing.next_best[a] = (others[0][1], float(found[a, others[0][1]].share)
                                ) if others else ("", 0.0)
    return pairing


def likeness(one: str, other: str) -> float:
    """From 0 to 1: how alike two names are in their words and numbers."""
    first, second = (set(re.findall(r"[a-z]+|\d+", name.lower())) for name in (one, other))
    return len(first & second) / max(1, len(first | second))


def sags(command: Series, value: float, rails: Mapping[str, Series]) -> dict[str, float]:
    """How far each rail's volts fall once the command goes to a value: the median, in volts."""
    times, to = command.edges()
    times = times[to == value]
    result = {}
    for name, rail in rails.items():
        first = np.searchsorted(rail.times, times, side="right")
        last = np.searchsorted(rail.times, times + SAG_US, side="right")
        drops = [
            rail.values[start - 1] - rail.values[start:stop].min()
            for at, start, stop in zip(times, first, last, strict=True)
            if 0 < start < stop and at - rail.times[start - 1] <= BEFORE_US]
        result[name] = float(np.median(drops)) if len(drops) >= FEWEST else 0.0
    return result
