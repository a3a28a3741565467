"""How often locks are commanded: of late, and from now on, where the pace may have changed."""

from __future__ import annotations

import numpy as np
import polars as pl
from scipy import special

from remanence.analytics.history import History, once_per_history
from remanence.analytics.statistics.arrays import Reals

PACE_WEEKS, PACE_LOOK = 8, 26
"""The pace is that of so many weeks with games, the last ones; whether it has changed is looked for
in so many."""
CHANGE_WEEKS = 52.0
"""A pace changes once in so many weeks (common practice, no source)."""
ROUGH_MEDIAN = 0.455
"""Median of a chi-square with one degree of freedom (textbook)."""
LEAST_RATE = 1e-3
"""Commands a week below which no pace is drawn."""


def paces(commands: Reals, rng: np.random.Generator, size: int) -> Reals:
    """Draws of the commands a week from now on.

    Parameters
    ----------
    commands : numpy.ndarray, shape (n,)
        In each week with games, newest first; one at least above 0.
    rng : numpy.random.Generator
        Source of chance.
    size : int
        Draws.

    Returns
    -------
    numpy.ndarray, shape (size,)

    Notes
    -----
    Counts of Poisson weeks whose mean changed once, or never: the place of the change and the mean
    since it have their exact posteriors (gamma prior with the mean of all weeks and weight of one
    week; textbook). Weeks that scatter more than Poisson's count for as much less: by the squared
    differences of neighbouring weeks, whose median a single change does not move.
    """
    steps = np.diff(commands) ** 2 / np.maximum(commands[1:] + commands[:-1], 1.0)
    rough = max(float(np.median(steps)) / ROUGH_MEDIAN, 1.0) if steps.size else 1.0
    counts = commands / rough
    prior = 1.0 / float(counts.mean())
    number = np.arange(1.0, counts.size + 1)
    sums = np.cumsum(counts)

    def evidence(total: Reals, weeks: Reals) -> Reals:
        return np.asarray(special.gammaln(1.0 + total) + np.log(prior)
                          - (1.0 + total) * np.log(prior + weeks))

    log_chance = np.append(
        evidence(sums[:-1], number[:-1]) + evidence(sums[-1] - sums[:-1], number[-1] - number[:-1])
        - np.log(CHANGE_WEEKS),
        evidence(sums[-1:], number[-1:])
        + np.log1p(-min(counts.size - 1, CHANGE_WEEKS - 1) / CHANGE_WEEKS))
    chance = np.exp(log_chance - special.logsumexp(log_chance))
    since = rng.choice(counts.size, size=size, p=chance)
    rate = rng.standard_gamma(1.0 + sums[since]) / (prior + number[since])
    return np.asarray(np.maximum(rate * rough, LEAST_RATE))


def weeks_with_games(dated: pl.DataFrame, most: int = PACE_WEEKS) -> list[int]:
    """The last weeks in which anything was commanded, as weeks ago, newest first.

    A venue that was shut for a month goes on at its old pace; what the log has of a week that
    it began in the middle of is left out where there are others.

    Parameters
    ----------
    dated : polars.DataFrame
        Any table with ``day`` and ``weeks_ago``, as
        :func:`remanence.analytics.history.with_weeks` adds them.
    most : int, default 8
        Weeks to return.

    Returns
    -------
    list of int
        So many at most.
    """
    dated = dated.select("weeks_ago", "day")
    weeks = dated["weeks_ago"].unique().sort().to_list()
    if len(weeks) > 1 and dated["day"].n_unique() > 7:
        oldest = dated.filter(pl.col("weeks_ago") == weeks[-1])["day"].n_unique()
        usual = dated.filter(pl.col("weeks_ago") == weeks[-2])["day"].n_unique()
        weeks = weeks[:-1] if oldest < usual else weeks
    return weeks[:most]


@once_per_history
def open_weeks_of(history: History) -> list[int]:
    """:func:`weeks_with_games` of the actuations of a history.

    Parameters
    ----------
    history : History
        Up to the week asked for.

    Returns
    -------
    list of int
        Eight at most, as weeks ago.
    """
    return weeks_with_games(history.dated("actuations"))


@once_per_history
def games_per_week(history: History) -> float:
    """Games a week of late: the middle of the locks' first attempts a week, while open.

    Parameters
    ----------
    history : History
        Up to the week asked for.

    Returns
    -------
    float
        Over the last eight weeks with games; 0 where nothing was commanded.

    Notes
    -----
    Logs do not say when a game begins: common practice, no source.
    """
    dated = history.dated("actuations").select("lock", "weeks_ago", "attempt")
    weeks = open_weeks_of(history)
    recent = dated.filter(pl.col("weeks_ago").is_in(weeks) & (pl.col("attempt") == 1))
    if recent.is_empty():
        return 0.0
    return float(recent.group_by("lock").len()["len"].median() or 0.0) / len(weeks)  # type: ignore[arg-type]
