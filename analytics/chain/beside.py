"""A lock held against the same model elsewhere, from its first day."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from remanence.analytics.chain.model import ChainLock, Member
from remanence.analytics.conditions import NEW_LOCK_RELEASES, slow_beside
from remanence.analytics.drift import LEAST_SIBLINGS

TOLD_SLOW = ("sticking-catch", "slow-drop", "loaded-catch", "no-release", "short-pulse")
"""Conditions under which a venue's own report tells already that a lock is slow."""
LEAST_SCORE = 0.8
"""Less sure than this, a lock is not named (as for what is urgent in a venue's report)."""
LEAST_VENUES = 2
"""The same model must work in so many other venues: one may have a fault of its own."""
SHOWN_PERCENTILES = (2.5, 97.5)


@dataclass(frozen=True)
class SlowBeside:
    """A lock that releases much later than the same model elsewhere.

    Attributes
    ----------
    venue, lock, part : str
        Which.
    fitted : date or None
        When its unit was fitted.
    now_ms, releases : float, int
        Its median of the week, and of how many.
    usual_ms, low_ms, high_ms : float
        Median of the others' medians, and what holds 95 % of them.
    others, venues : int
        How many locks, in how many other venues.
    score : float
        Probability that it is not right.
    """

    venue: str
    lock: str
    part: str
    fitted: date | None
    now_ms: float
    releases: int
    usual_ms: float
    low_ms: float
    high_ms: float
    others: int
    venues: int
    score: float


def slow_beside_others(members: Sequence[Member]) -> list[SlowBeside]:
    """Locks that are slow beside the same model in other venues, and no report tells it.

    Parameters
    ----------
    members : sequence of Member
        All venues. Compared are medians of the week, as logged: rails differ by far less than
        locks do. Door contacts are left out, as a person comes in between.

    Returns
    -------
    list of SlowBeside
        The surest first.
    """
    groups: dict[tuple[str, str], list[tuple[str, ChainLock]]] = {}
    for member in members:
        for lock in member.week.locks if member.week else ():
            known = lock.latency_ms is not None and lock.latency_ms > 0
            if known and lock.part and not lock.family.endswith("door") and (
                    lock.releases >= NEW_LOCK_RELEASES):
                assert member.week
                groups.setdefault((lock.part, lock.family), []).append((member.week.venue, lock))
    found = []
    for (part, _), group in sorted(groups.items()):
        logs = np.log([lock.latency_ms or 1.0 for _, lock in group])
        homes = np.array([venue for venue, _ in group])
        for (venue, lock), now in zip(group, logs, strict=True):
            elsewhere = homes != venue
            venues = len(set(homes[elsewhere]))
            if venues < LEAST_VENUES or elsewhere.sum() < LEAST_SIBLINGS or (
                    set(lock.conditions) & set(TOLD_SLOW)):
                continue
            score = slow_beside(float(np.exp(now)), logs[elsewhere])
            if score is None or score < LEAST_SCORE:
                continue
            low, usual, high = np.exp(np.percentile(
                logs[elsewhere], [SHOWN_PERCENTILES[0], 50, SHOWN_PERCENTILES[1]]))
            found.append(SlowBeside(
                venue, lock.lock, part, lock.running.fitted, float(np.exp(now)), lock.releases,
                float(usual), float(low), float(high), int(elsewhere.sum()), venues, score))
    return sorted(found, key=lambda item: (-item.score, item.venue, item.lock))
