"""What is said of a subject: findings, their evidence and their urgency."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from remanence.shared.weeks import Week

URGENCIES = ("now", "week", "plan", "watch")
"""How urgent a finding is; :data:`STATE_OF_URGENCY` gives the state that it puts its subject in."""

STATES = ("do-not-run", "act-this-week", "plan", "watch", "good", "too-little-data")
"""A subject's state: its most urgent finding, ``good``, or too little data to say."""

STATUSES = ("new", "standing", "worse", "easing", "unseen", "ended")
"""Where a finding is in its life: said first this week, as it was, more than it was, less than it
was, nothing since that could show it, or over."""

STATE_OF_URGENCY: Mapping[str, str] = {
    "now": "do-not-run", "week": "act-this-week", "plan": "plan", "watch": "watch",
}


@dataclass(frozen=True)
class Amount:
    """A figure with its unit, inside a sentence.

    Attributes
    ----------
    value : float
        The figure.
    unit : str
        Its unit; empty for none.
    """

    value: float
    unit: str


@dataclass(frozen=True)
class Sentence:
    """One sentence of a finding by its id; its words stand with the pages' words.

    Attributes
    ----------
    id : str
        Names the words: ``says.ID`` of every language.
    values : mapping of str to Any
        What goes into it: a number, an :class:`Amount`, a day, a moment in the venue's zone, or a
        name that is the same in every language.
    """

    id: str
    values: Mapping[str, Any] = field(default_factory=dict)


def say(id: str, /, **values: Any) -> Sentence:
    """A sentence with what goes into it, see :class:`Sentence`.

    Parameters
    ----------
    id : str
        Names the words: ``says.ID``.
    **values : Any
        What goes into it, by name.

    Returns
    -------
    Sentence
    """
    return Sentence(id, values)


@dataclass(frozen=True)
class Evidence:
    """One figure a finding rests on.

    Attributes
    ----------
    id : str
        Names the figure; its words stand with the pages' words, under ``figure.ID``.
    now, now_low, now_high : float or None
        Its value in the week, and what bounds 95 % of it.
    unit : str
        Unit of all six values.
    n : int or None
        Readings it rests on.
    before, before_low, before_high : float or None
        Its value before, likewise.
    """

    id: str
    now: float | None
    unit: str
    n: int | None = None
    now_low: float | None = None
    now_high: float | None = None
    before: float | None = None
    before_low: float | None = None
    before_high: float | None = None


@dataclass(frozen=True)
class Finding:
    """One condition of the catalogue, said of one subject in one week.

    It holds figures and ids. What a person reads is made of them by the pages' words, in the
    language asked for.

    Attributes
    ----------
    subject, subject_kind : str
        Of what it is said, and whether that is a ``lock``, ``supply``, ``controller``, ``room``,
        ``part`` (all locks of it) or ``venue``.
    condition : str
        The name of a condition (:mod:`remanence.analytics.conditions`).
    urgency : str
        ``now``, ``week``, ``plan`` or ``watch``.
    score : float
        Probability that the condition is there and is the right name for what was found.
    since, since_low, since_high : date or None
        First day it holds from, with the bounds of its 95 % interval where dated.
    evidence : tuple of Evidence
        The figures it rests on.
    not_excluded : tuple of str
        Other causes that the log cannot rule out: conditions, or ids of ``cause.ID``.
    says : tuple of Sentence
        What was found, in sentences.
    extra : mapping of str to Any
        What some conditions add, such as ``accounts_for``.
    status : str
        One of :data:`STATUSES`.
    first_named : Week or None
        The week in which it was first said.
    ended : date or None
        The day from which it is over.
    """

    subject: str
    subject_kind: str
    condition: str
    urgency: str
    score: float
    since: date | None = None
    since_low: date | None = None
    since_high: date | None = None
    evidence: tuple[Evidence, ...] = ()
    not_excluded: tuple[str, ...] = ()
    says: tuple[Sentence, ...] = ()
    extra: Mapping[str, Any] = field(default_factory=dict)
    status: str = "new"
    first_named: Week | None = None
    ended: date | None = None


def rank(finding: Finding) -> tuple[int, float, str, str]:
    """Sort key: most urgent first, then surest, then by name.

    Parameters
    ----------
    finding : Finding
        With an urgency of :data:`URGENCIES`.

    Returns
    -------
    tuple of (int, float, str, str)
        For ``sorted(..., key=rank)``.

    Raises
    ------
    ValueError
        The urgency is none of them.
    """
    return (
        URGENCIES.index(finding.urgency), -finding.score, finding.subject, finding.condition,
    )
