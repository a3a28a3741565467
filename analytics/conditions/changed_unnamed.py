"""A lock that differs from its own past in a way that no other condition names: changed-unnamed.

Each lock's weekly figures of the last two weeks, compared with its own first weeks
(:mod:`remanence.analytics.conditions.weekly_figures`), are one point in as many dimensions as it
has figures. All earlier weeks of the venue say how far sound weeks lie from the middle, by the
minimum covariance determinant, which a faulty week among them does not change.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
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
"""A change is told when it has lasted this many weeks: visitors can cause one strange week.
Assumption."""
LEAST_FIGURES = 4
"""With fewer figures, other conditions already see any change. Assumption."""
POINTS_PER_FIGURE = 5
"""Fewer points per dimension than this give no robust covariance (Rousseeuw and van Zomeren, JASA
85 (1990) 633: n > 5p)."""
MOST_POINTS = 500
"""So many points, of all locks and weeks alike, give a covariance of a dozen figures. From more,
the fit takes ten times as long and moves its distances by some hundredths (measured)."""
SOUND_SHARE = 0.75
"""Share of the points that the covariance is fitted to: at most a quarter of a venue's weeks are
faulty. Assumption."""
DITHER, DITHER_SEED = 0.25, 0
"""Standard deviation, in weekly ones, of the noise added to each figure, so that a figure that
never varied does not make the covariance singular (assumption), and the seed of the noise and of
the fit, which makes the result repeatable."""
MOVED = 3.0
"""A figure has moved if its two weeks together lie this many standard deviations away (three-sigma
rule: common practice)."""
MOVED_EACH = 1.5
"""Each of the two weeks must lie this many away, to the same side (half of it: assumption)."""
SINCE_SHARE = 0.5
"""A figure left its usual range when it passed this share of its present distance (halfway:
assumption)."""
EVEN_DISTANCE = 2.5
"""A change is as likely as chance at this distance, in distances of a typical sound lock (from the
campaign's seeds for tuning)."""
ODDS_PER_DISTANCE = 4.0
"""Each further such distance adds this to the natural log odds (from the campaign's seeds for
tuning)."""


def changed_unnamed(history: History, asked: Collection[str] | None = None) -> list[Finding]:
    """Locks whose last two weeks differ from their first ones, without the siblings' common part.

    Parameters
    ----------
    history : History
        The venue's tables. What is usual is told from all its locks.
    asked : collection of str, optional
        The locks to judge; default: all.

    Returns
    -------
    list of Finding
        By lock.

    Notes
    -----
    Robust distances: Rousseeuw and van Driessen, A fast algorithm for the minimum covariance
    determinant estimator, Technometrics 41 (1999) 212, as scikit-learn has it.
    """
    weekly = weekly_figures(history, WEEKS_NOW)
    if len(weekly.locks) == 0 or weekly.strange.shape[1] <= WEEKS_NOW:
        return []
    found = []
    for _, moved, distance in _distances(weekly, asked):
        for (lock, those), far in zip(moved.items(), distance, strict=True):
            found.append(_said(history, weekly, lock, those, float(far)))
    return sorted(found, key=lambda item: item.subject)


def _distances(
    weekly: WeeklyFigures, asked: Collection[str] | None
) -> Iterator[tuple[Ints, dict[int, Ints], Reals]]:
    """Figures, the locks that have these and have moved (in which), and the distance of each.

    The unit is the distance of a typical sound lock.
    """
    strange = weekly.strange
    # Means of neighbouring weeks, scaled as one week is.
    pairs = (strange[:, 1:] + strange[:, :-1]) / np.sqrt(2.0)
    now, past = pairs[:, -1], pairs[:, :-WEEKS_NOW]
    known = np.isfinite(now)
    for pattern in np.unique(known[known.sum(axis=1) >= LEAST_FIGURES], axis=0):
        figures = np.flatnonzero(pattern)
        locks = np.flatnonzero((known == pattern).all(axis=1))
        moved = {int(lock): those for lock in locks
                 if (asked is None or weekly.locks[lock] in asked)
                 and (those := _moved(weekly, int(lock), figures)).size}
        points = past[:, :, figures].reshape(-1, figures.size)
        points = points[np.isfinite(points).all(axis=1)]
        # The fit costs more than all else here: where no such lock has moved, none is made.
        if moved and len(points) >= POINTS_PER_FIGURE * figures.size:
            latest = now[np.fromiter(moved, np.int64)][:, figures]
            yield figures, moved, robust_distance(points, latest)


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
    # It takes half a second to load, so only the findings of a venue load it.
    from sklearn.covariance import MinCovDet

    dither = np.random.default_rng(DITHER_SEED).normal(0.0, DITHER, sound.shape)
    points = sound + dither
    spread = np.linspace(0, len(points) - 1, min(MOST_POINTS, len(points))).round().astype(int)
    fit = MinCovDet(support_fraction=SOUND_SHARE, random_state=DITHER_SEED).fit(points[spread])
    typical = np.median(fit.mahalanobis(points))
    out: Reals = np.sqrt(fit.mahalanobis(asked) / typical)
    return out


def _moved(weekly: WeeklyFigures, lock: int, figures: Ints) -> Ints:
    """Which figures of a lock have moved and stayed, the most moved one first.

    By itself and against its siblings: a lock that stood still while they moved has not changed.
    """
    weeks, alone = (part[lock, -WEEKS_NOW:][:, figures] for part in (weekly.strange, weekly.alone))
    together = weeks.sum(axis=0) / np.sqrt(WEEKS_NOW)
    side = np.sign(together)
    moved: Flags = np.abs(together) >= MOVED
    for part in (weeks, alone):
        moved &= (part * side).min(axis=0) >= MOVED_EACH
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
    """How many weeks ago the figure left its usual range for good."""
    now = strange[-WEEKS_NOW:].mean()
    beyond = strange * np.sign(now) >= SINCE_SHARE * abs(now)
    beyond |= np.isnan(strange)
    beyond[-WEEKS_NOW:] = True
    inside = np.flatnonzero(~beyond)
    first = int(inside[-1]) + 1 if inside.size else 0
    known = np.flatnonzero(np.isfinite(strange[first:]))
    return int(strange.size - 1 - first - known[0])


def _evidence(weekly: WeeklyFigures, lock: int, figure: int) -> Evidence:
    """A figure now and before, in its unit, with 95 % intervals."""
    described = FIGURES[figure]
    level, deviation = weekly.level[lock, :, figure], weekly.deviation[lock, figure]
    before = level[weekly.first[lock, :, figure]]
    before = before[np.isfinite(before)]
    now = float(level[-WEEKS_NOW:].mean())
    then = float(np.median(before))
    # The median of weeks scatters sqrt(pi / 2) times as much as their mean (calculated).
    error = NORMAL_95 * deviation / np.sqrt(WEEKS_NOW)
    past_error = NORMAL_95 * deviation * np.sqrt(np.pi / 2 / before.size)
    shown = described.shown
    return Evidence(
        described.id, shown(now), described.unit, n=int(weekly.commands[lock, -WEEKS_NOW:].sum()),
        now_low=shown(now - error), now_high=shown(now + error), before=shown(then),
        before_low=shown(then - past_error), before_high=shown(then + past_error),
    )


CHANGED_UNNAMED = Condition(
    "changed-unnamed", (), tuple(figure.id for figure in FIGURES),
    last_judges=(changed_unnamed,),
)
