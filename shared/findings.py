"""What is said of a subject: findings, their evidence and their urgency."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

URGENCIES = ("now", "week", "plan", "watch")
"""How urgent a finding is; :data:`STATE_OF_URGENCY` gives the state that it puts its subject in."""

STATES = ("do-not-run", "act-this-week", "plan", "watch", "good", "too-little-data")
"""A subject's state: its most urgent finding, ``good``, or too little data to say."""

STATE_OF_URGENCY: Mapping[str, str] = {
    "now": "do-not-run", "week": "act-this-week", "plan": "plan", "watch": "watch",
}


@dataclass(frozen=True)
class Evidence:
    """One figure a finding rests on.

    Attributes
    ----------
    what : str
        The figure, in words.
    now, now_low, now_high : float or None
        Its value in the week, and what bounds 95 % of it.
    unit : str
        Unit of all six values.
    n : int or None
        Readings it rests on.
    before, before_low, before_high : float or None
        Its value before, likewise.
    """

    what: str
    now: float | None
    unit: str
    n: int | None = None
    now_low: float | None = None
    now_high: float | None = None
    before: float | None = None
    before_low: float | None = None
    before_high: float | None = None

    def as_json(self) -> dict[str, Any]:
        """The contract's object, for ``findings.json``.

        Returns
        -------
        dict of str to Any
            Every field by its name; figures that are not known are None.
        """
        return {
            "what": self.what,
            "now": self.now, "now_low": self.now_low, "now_high": self.now_high,
            "before": self.before, "before_low": self.before_low,
            "before_high": self.before_high,
            "unit": self.unit, "n": self.n,
        }


@dataclass(frozen=True)
class Finding:
    """One condition of the catalogue, said of one subject in one week.

    Attributes
    ----------
    subject, subject_kind : str
        Of what it is said, and whether that is a ``lock``, ``supply``, ``controller`` or
        ``venue``.
    condition : str
        A name of :mod:`remanence.shared.conditions`.
    urgency : str
        ``now``, ``week``, ``plan`` or ``watch``.
    score : float
        Probability that the condition is real.
    since, since_low, since_high : date or None
        First day it holds from, with the bounds of its 95 % interval where dated.
    evidence : tuple of Evidence
        The figures it rests on.
    not_excluded : tuple of str
        What the log cannot rule out.
    says, check : str
        The finding in a sentence, and what to check at the bench.
    extra : mapping of str to Any
        What some conditions add, such as ``accounts_for``.
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
    says: str = ""
    check: str = ""
    extra: Mapping[str, Any] = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        """The contract's object, for ``findings.json``.

        Returns
        -------
        dict of str to Any
            The fields by name, dates as text, the score to four digits; what ``extra`` holds beside
            them.
        """
        return {
            "subject": self.subject, "subject_kind": self.subject_kind,
            "condition": self.condition, "urgency": self.urgency,
            "since": self.since.isoformat() if self.since else None,
            "since_low": self.since_low.isoformat() if self.since_low else None,
            "since_high": self.since_high.isoformat() if self.since_high else None,
            "score": round(self.score, 4),
            "says": self.says,
            "evidence": [item.as_json() for item in self.evidence],
            "not_excluded": list(self.not_excluded),
            "check": self.check,
            **dict(self.extra),
        }


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
