"""How probable each story of a lock is, by all of its columns: a posterior over its causes.

A judge looks at the figures that raise its condition. Whether that condition is the right name is
for every column of the lock to say: a catch that sticks draws what it drew, a coil that was on for
hours has loaded its rail for hours. Each story states what it expects of the columns; "something
else", which may move any of them, stands beside all stories.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from remanence.analytics.conditions import calibration
from remanence.analytics.conditions.columns import Column, columns, on_scale
from remanence.analytics.conditions.condition import catalogue
from remanence.analytics.history import History
from remanence.analytics.statistics.intervals import probability
from remanence.shared.findings import Finding
from remanence.shared.venue import Lock


@dataclass(frozen=True)
class Expected:
    """What a story expects of a column: its middle, and how far cases lie about it.

    On the column's own scale (:class:`~remanence.analytics.conditions.columns.Column`).
    """

    middle: float
    tolerance: float


@dataclass(frozen=True)
class _Scale:
    """What a column does where "something else" is wrong: it stays, or it moves anywhere.

    ``still`` is how far it lies about nought where it stays, ``moved`` and ``reach`` are the
    middle and the spread where it moves, ``chance`` how probable that is.
    """

    still: float
    moved: float
    reach: float
    chance: float


MOVED_BY_CHANCE, SELDOM_MOVED_BY_CHANCE = 0.5, 0.15
"""Chance that something else moves a given column, and one that few things move (assumption)."""
_SELDOM = frozenset({"outlasts", "not_cut", "spike", "empty", "forced", "bounces"})
_SHIFT = {"draw": (0.02, 0.25), "volts": (0.02, 0.08), "latency": (0.04, 0.4),
          "quick": (0.04, 0.4), "bounces": (0.12, 0.7), "spike": (0.04, 0.8),
          "pulse": (0.03, 0.7)}
_SHARES = ("unanswered", "empty", "tried_again", "still", "found_open", "slow", "outlasts",
           "loaded", "not_cut", "opened", "forced", "clustered", "seen_to", "rested")


def _chance(name: str) -> float:
    return SELDOM_MOVED_BY_CHANCE if name in _SELDOM else MOVED_BY_CHANCE


_SCALES: Mapping[str, _Scale] = {
    **{name: _Scale(still, 0.0, reach, _chance(name))
       for name, (still, reach) in _SHIFT.items()},
    **{name: _Scale(0.15, 1.2, 0.9, _chance(name)) for name in _SHARES},
}
"""Deviations are assumptions: what sound locks of the episodes for tuning show, rounded up."""

NONE, ALL = 0.0, float(np.pi)
_STEADY = {"draw": Expected(0.0, 0.025), "spike": Expected(0.0, 0.05)}
"""What no story of a catch, an armature or a contact moves."""
_SAME_VOLTS = {"volts": Expected(0.0, 0.03)}
_QUICK = {"quick": Expected(0.0, 0.06)}
_SAME_TIME = {"latency": Expected(0.0, 0.05)}
_AT_WORK = {"empty": Expected(NONE, 0.3)}
_CLEAN = {"bounces": Expected(0.0, 0.14)}
_SHUT = {"opened": Expected(0.25, 0.25)}

STORIES: Mapping[str, tuple[Mapping[str, Expected], ...]] = {
    "sticking-catch": (
        {**_STEADY, **_AT_WORK, **_CLEAN, "latency": Expected(0.3, 0.22)},
        {**_STEADY, **_AT_WORK, **_CLEAN, **_QUICK, "slow": Expected(on_scale(0.12), 0.35)}),
    "loaded-catch": (
        # People lean in the middle of a game, seldom on the first command of a day.
        {**_STEADY, **_AT_WORK, **_QUICK, "slow": Expected(on_scale(0.25), 0.35),
         "rested": Expected(NONE, 0.5)},),
    "no-release": ({
        **_STEADY, **_AT_WORK, "unanswered": Expected(on_scale(0.12), 0.35),
        "tried_again": Expected(on_scale(0.7), 0.5), "seen_to": Expected(ALL, 0.9),
        "clustered": Expected(on_scale(0.15), 0.8)},),
    "slow-drop": (
        {**_STEADY, "latency": Expected(0.3, 0.2)},
        {**_STEADY, **_QUICK, "slow": Expected(on_scale(0.12), 0.35)}),
    "weakening-hold": (
        {**_STEADY, **_SAME_VOLTS, "latency": Expected(-0.3, 0.15)},
        {**_STEADY, **_SAME_VOLTS, "forced": Expected(on_scale(0.15), 0.35)}),
    "missing-suppression": ({"draw": _STEADY["draw"], "spike": Expected(1.0, 0.6)},),
    "coil-open": ({"empty": Expected(ALL, 0.4), "tried_again": Expected(NONE, 0.6)},
                  {"empty": Expected(2.3, 0.6)}),
    # From a tenth more to twice as much; fewer turns pull less, and a little later.
    "coil-current-high": ({
        "latency": Expected(0.05, 0.1), "draw": Expected(0.35, 0.25), "spike": _STEADY["spike"],
        "bounces": Expected(0.0, 0.15)},),
    "coil-current-low": (
        {"draw": Expected(-0.35, 0.15), "latency": Expected(0.25, 0.25)},
        {"draw": Expected(-0.35, 0.15), "unanswered": Expected(on_scale(0.3), 0.6)},
        # A magnet with one of its two windings open: half the current, and sooner.
        {"draw": Expected(-0.6, 0.2), "latency": Expected(-0.4, 0.25)}),
    "stuck-energised": ({"outlasts": Expected(1.1, 0.5)},),
    "over-long-energising": ({"loaded": Expected(ALL, 0.3)},),
    # How long the load lasts changes how deep it is read, so its depth says nothing here.
    "self-cut-failed": ({"not_cut": Expected(ALL, 0.4)},),
    "contact-stuck": ({
        **_AT_WORK, "draw": _STEADY["draw"], "still": Expected(ALL, 0.2),
        "tried_again": Expected(NONE, 0.3), "opened": Expected(NONE, 0.15),
        "clustered": Expected(ALL, 0.5)},),
    "contact-inverted": ({**_STEADY, **_AT_WORK, "found_open": Expected(2.6, 0.4)},),
    "contact-chatter": ({**_STEADY, **_SAME_TIME, "bounces": Expected(1.2, 0.5)},),
    "opened-unpowered": ({**_STEADY, "opened": Expected(1.0, 0.35)},),
    "not-reclosed": (
        {**_STEADY, **_SHUT, "found_open": Expected(0.9, 0.35)},),
    "short-pulse": ({"spike": _STEADY["spike"], "pulse": Expected(-1.2, 0.8)},
                    {"spike": _STEADY["spike"], "unanswered": Expected(on_scale(0.3), 0.6)}),
}
"""By condition: the ways in which it shows, and what each expects of the columns. Trade knowledge,
no published source; the spreads are wide, as no two locks fail alike."""


def _log_normal(value: float, middle: float, variance: float) -> float:
    return float(-0.5 * ((value - middle) ** 2 / variance + np.log(2 * np.pi * variance)))


def ratio(name: str, column: Column, expected: Expected) -> float:
    """Natural log of how much likelier a column is by a story than by something else.

    Parameters
    ----------
    name : str
        The column's name.
    column : Column
        What it shows.
    expected : Expected
        What the story expects of it.

    Returns
    -------
    float
        It grows without bound with the readings behind the column, as their error shrinks: of a
        column that is known never to mislead.
    """
    scale, noise = _SCALES[name], column.error**2
    story = _log_normal(column.value, expected.middle, expected.tolerance**2 + noise)
    still = _log_normal(column.value, 0.0, scale.still**2 + noise)
    moved = _log_normal(column.value, scale.moved, scale.reach**2 + noise)
    other = float(np.logaddexp(np.log1p(-scale.chance) + still, np.log(scale.chance) + moved))
    return story - other


def bounded(log_ratio: float, misleads: float) -> float:
    """What a column may say that misleads in a share of times.

    Parameters
    ----------
    log_ratio : float
        As :func:`ratio`.
    misleads : float
        Share of times, above 0 and under a half, in which the column shows what the other story
        would have it show, for reasons that nobody thought of.

    Returns
    -------
    float
        Natural log of the likelihood ratio, between plus and minus
        ``ln((1 - misleads) / misleads)``: nineteen to one of a column that misleads once in
        twenty times, however many readings stand behind it.

    Notes
    -----
    Both stories' densities are contaminated by a share of the other's, after J. W. Tukey (A survey
    of sampling from contaminated distributions, in: Contributions to Probability and Statistics,
    1960) and G. E. P. Box and G. C. Tiao (A Bayesian approach to some outlier problems,
    Biometrika 55 (1968) 119).
    """
    right, wrong = float(np.log1p(-misleads)), float(np.log(misleads))
    return float(np.logaddexp(right + log_ratio, wrong) - np.logaddexp(right, wrong + log_ratio))


def ratios(condition: str, shown: Mapping[str, Column]) -> Mapping[str, float]:
    """What each column says of a condition, by the way of showing that fits best.

    Parameters
    ----------
    condition : str
        Its name.
    shown : mapping of str to Column
        What the lock's columns show.

    Returns
    -------
    mapping of str to float
        By column, as :func:`ratio`; empty where no column tells of the condition.
    """
    ways = [{name: ratio(name, shown[name], expected)
             for name, expected in way.items() if name in shown}
            for way in STORIES.get(condition, ())]
    return max(ways, key=total, default={})


def total(said: Mapping[str, float]) -> float:
    """Natural log of the likelihood ratio of all columns, each bounded (:func:`bounded`)."""
    return sum(bounded(value, calibration.misleads(name)) for name, value in said.items())


def rivals(
    condition: str, lock: Lock, shown: Mapping[str, Column]
) -> tuple[Mapping[str, float], ...]:
    """What each column says of the lock's other stories.

    Parameters
    ----------
    condition : str
        The story that is told.
    lock : Lock
        Whose columns they are.
    shown : mapping of str to Column
        What they show.

    Returns
    -------
    tuple of mapping of str to float
        Of every other story that its mechanism can have, as :func:`ratios`; those that this one
        explains are its effects, whose columns it moves itself, and no rivals.
    """
    known = catalogue()
    return tuple(ratios(name, shown) for name in STORIES
                 if name != condition and name not in known[condition].explains
                 and lock.mechanism in known[name].mechanisms)


def posterior(
    condition: str, judged: float, fits: float = 0.0, others: Sequence[float] = (), *,
    of_lock: bool = True,
) -> float:
    """Probability that a condition is there and is the right name for it.

    Parameters
    ----------
    condition : str
        Its name.
    judged : float
        The judge's own probability that something is wrong.
    fits : float, default 0.0
        What the columns say for it (:func:`total`).
    others : sequence of float, default ()
        The same of its rivals (:func:`rivals`).
    of_lock : bool, default True
        Whether its subject is a lock.

    Returns
    -------
    float
        ``judged`` times the share of the name among all causes: of a lock those that its columns
        allow, rivals and something else; of a rail, a controller or the venue, whose judges read
        all that tells of them, by how often the name was right. ``judged`` itself of a condition
        whose judges weigh its name, or of which no episode has shown anything.
    """
    known = calibration.OF_CONDITION.get(condition)
    if catalogue()[condition].weighs_its_name or (condition not in STORIES and known is None):
        return judged
    if not of_lock:
        return judged * probability(calibration.OTHER_INTERCEPT + (known or 0.0))
    rest = np.logaddexp.reduce([0.0, *(calibration.RIVAL + value for value in others)])
    odds = calibration.INTERCEPT + (known or 0.0) + fits - float(rest)
    return judged * probability(odds)


def weighed(item: Finding, history: History) -> Finding:
    """A finding with the probability of its name as its score.

    Parameters
    ----------
    item : Finding
        As its judges made it, its score the probability that something is wrong.
    history : History
        The tables it was found in.

    Returns
    -------
    Finding
        ``score`` is the probability that the condition is the right name,
        ``extra["effect_score"]`` the judges' own: that something is wrong with the subject.
    """
    if catalogue()[item.condition].weighs_its_name:
        effect = max(item.score, item.extra.get("effect_score", 0.0))
        return replace(item, extra={**item.extra, "effect_score": round(effect, 3)})
    fits: float = 0.0
    others: Sequence[float] = ()
    lock = history.venue.locks_by_id.get(item.subject) if item.subject_kind == "lock" else None
    if lock is not None and item.condition in STORIES:
        shown = columns(history, lock, item.since or history.week.monday)
        fits = total(ratios(item.condition, shown))
        others = [total(said) for said in rivals(item.condition, lock, shown)]
    return replace(
        item, score=posterior(item.condition, item.score, fits, others,
                              of_lock=item.subject_kind == "lock"),
        extra={**item.extra, "effect_score": round(item.score, 3)})
