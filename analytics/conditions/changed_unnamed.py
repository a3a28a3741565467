"""A lock that differs from its own past in a way that no other condition names: changed-unnamed.

Each lock's weekly figures of the last two weeks, held against its own first weeks
(:mod:`remanence.analytics.conditions.weekly_figures`), are one point in as many dimensions as it
has figures. How far sound weeks lie from the middle is learned from all earlier weeks of the venue
by the minimum covariance determinant, which a fault among them cannot bend.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

import numpy as np

from remanence.analytics.conditions.condition import Condition, finding
from remanence.analytics.conditions.weekly_figures import (
    FIGURES,
    WeeklyFigures,
    weekly_figures,
)
from remanence.analytics.history import Flags, History, Ints, Reals
from remanence.analytics.statistics.intervals import NORMAL_95, probability
from remanence.shared.findings import Evidence, Finding, say

WEEKS_NOW = 2
"""A change is told once it has held for so many weeks: one strange week is a visitor's."""
LEAST_FIGURES = 4
"""With fewer figures there is nothing that their own conditions would not see."""
POINTS_PER_FIGURE = 5
"""Fewer points a dimension than this carry no robust covariance (Rousseeuw and van Zomeren, JASA
85 (1990) 633: n > 5p)."""
SOUND_SHARE = 0.75
"""Share of the points that the covariance is learned from: no more than a quarter of a venue's
weeks are faulty."""
DITHER = 0.25
"""Weekly standard deviations that are added to each figure, so that one that never varied does
not make the covariance singular."""
MOVED = 3.0
"""A figure has moved if its two weeks together stand so many standard deviations away..."""
MOVED_EACH = 1.5
"""...and each of them so many, to the same side."""
EVEN_DISTANCE = 2.5
"""Distance, in that of a typical sound lock, at which a change is as likely as chance..."""
ODDS_PER_DISTANCE = 4.0
"""...and what each further such distance adds to its natural log odds: both from the campaign's
seeds for tuning."""


def changed_unnamed(history: History) -> list[Finding]:
    """Locks whose last two weeks are unlike their own first ones, siblings' common part taken out.

    Robust distances: Rousseeuw and van Driessen, A fast algorithm for the minimum covariance
    determinant estimator, Technometrics 41 (1999) 212, as scikit-learn has it.
    """
    weekly = weekly_figures(history, WEEKS_NOW)
    if len(weekly.locks) == 0 or weekly.strange.shape[1] <= WEEKS_NOW:
        return []
    found = []
    for locks, figures, distance in _distances(weekly):
        for lock, far in zip(locks, distance, strict=True):
            moved = _moved(weekly.strange[lock], figures)
            if moved.size:
                found.append(_said(history, weekly, int(lock), moved, float(far)))
    return sorted(found, key=lambda item: item.subject)


def _distances(weekly: WeeklyFigures) -> Iterator[tuple[Ints, Ints, Reals]]:
    """Locks that have the same figures, these figures, and how far each of the locks stands.

    The distance is in that of a typical sound lock.
    """
    strange = weekly.strange
    # Means of neighbouring weeks, scaled as one week is.
    pairs = (strange[:, 1:] + strange[:, :-1]) / np.sqrt(2.0)
    now, past = pairs[:, -1], pairs[:, :-WEEKS_NOW]
    known = np.isfinite(now)
    for pattern in np.unique(known[known.sum(axis=1) >= LEAST_FIGURES], axis=0):
        figures = np.flatnonzero(pattern)
        locks = np.flatnonzero((known == pattern).all(axis=1))
        points = past[:, :, figures].reshape(-1, figures.size)
        points = points[np.isfinite(points).all(axis=1)]
        if len(points) >= POINTS_PER_FIGURE * figures.size:
            yield locks, figures, robust_distance(points, now[np.ix_(locks, figures)])


def robust_distance(sound: Reals, asked: Reals) -> Reals:
    """Mahalanobis distance by the minimum covariance determinant, over the median one of ``sound``.

    Parameters
    ----------
    sound : numpy.ndarray, shape (n, p)
        Points of which at least three quarters are sound, in standard deviations.
    asked : numpy.ndarray, shape (m, p)
        Points to be judged.

    Returns
    -------
    numpy.ndarray, shape (m,)
        1 for a typical sound point.
    """
    # Half a second to load: only who asks for findings of a venue waits for it.
    from sklearn.covariance import MinCovDet

    dither = np.random.default_rng(0).normal(0.0, DITHER, sound.shape)
    points = sound + dither
    fit = MinCovDet(support_fraction=SOUND_SHARE, random_state=0).fit(points)
    typical = np.median(fit.mahalanobis(points))
    out: Reals = np.sqrt(fit.mahalanobis(asked) / typical)
    return out


def _moved(strange: Reals, figures: Ints) -> Ints:
    """Which figures have moved and stayed, the most moved one first."""
    weeks = strange[-WEEKS_NOW:, figures]
    together = weeks.sum(axis=0) / np.sqrt(WEEKS_NOW)
    each = (weeks * np.sign(together)).min(axis=0)
    moved: Flags = (np.abs(together) >= MOVED) & (each >= MOVED_EACH)
    order = np.argsort(-np.abs(together), kind="stable")
    out: Ints = figures[order[moved[order]]]
    return out


def _said(
    history: History, weekly: WeeklyFigures, lock: int, moved: Ints, distance: float
) -> Finding:
    weeks_ago = _since(weekly.strange[lock, :, moved[0]])
    monday = history.week.monday - timedelta(weeks=weeks_ago)
    return finding(
        weekly.locks[lock], "changed-unnamed", "plan",
        probability(ODDS_PER_DISTANCE * (distance - EVEN_DISTANCE)),
        since=monday, since_low=monday - timedelta(weeks=1), since_high=monday + timedelta(days=6),
        says=[say("changed-unnamed", count=int(moved.size))],
        evidence=[_evidence(weekly, lock, int(figure)) for figure in moved],
    )


def _since(strange: Reals) -> int:
    """So many weeks ago the figure left its usual range for good."""
    now = strange[-WEEKS_NOW:].mean()
    beyond = strange * np.sign(now) >= abs(now) / 2
    beyond |= np.isnan(strange)
    beyond[-WEEKS_NOW:] = True
    inside = np.flatnonzero(~beyond)
    first = int(inside[-1]) + 1 if inside.size else 0
    known = np.flatnonzero(np.isfinite(strange[first:]))
    return int(strange.size - 1 - first - known[0])


def _evidence(weekly: WeeklyFigures, lock: int, figure: int) -> Evidence:
    """A figure as it is and as it was, in its unit, with what bounds 95 % of it."""
    described = FIGURES[figure]
    level, deviation = weekly.level[lock, :, figure], weekly.deviation[lock, figure]
    before = level[weekly.first[lock]]
    before = before[np.isfinite(before)]
    now = float(level[-WEEKS_NOW:].mean())
    then = float(np.median(before))
    # A median of weeks scatters by the root of pi / 2 more than their mean.
    error = NORMAL_95 * deviation / np.sqrt(WEEKS_NOW)
    past_error = NORMAL_95 * deviation * np.sqrt(np.pi / 2 / before.size)
    shown = described.shown
    return Evidence(
        described.id, shown(now), described.unit, n=int(weekly.commands[lock, -WEEKS_NOW:].sum()),
        now_low=shown(now - error), now_high=shown(now + error), before=shown(then),
        before_low=shown(then - past_error), before_high=shown(then + past_error),
    )


CHANGED_UNNAMED = Condition(
    "changed-unnamed", (changed_unnamed,), tuple(figure.id for figure in FIGURES), only_alone=True,
)
