"""What is said of a subject: findings, their evidence and their urgency."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

URGENCIES = ("now", "week", "plan", "watch")
"""``now``: do not run with it; ``week``: before the week is out; ``plan``: order or
schedule; ``watch``: nothing to do yet."""

STATES = ("do-not-run", "act-this-week", "plan", "watch", "good", "too-little-data")
"""A subject's state: its most urgent finding, ``good``, or too little data to say."""

STATE_OF_URGENCY: Mapping[str, str] = {
    "now": "do-not-run", "week": "act-this-week", "plan": "plan", "watch": "watch",
}


@dataclass(frozen=True)
class Evidence:
    """One figure a finding rests on; ``low`` and ``high`` bound 95 %."""

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
        """The contract's object; figures that are not known are null."""
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

    ``score`` is the probability that the condition is real. ``since`` is the
    first day it holds from, with the bounds of its 95 % interval where dated.
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
        """The contract's object for ``findings.json``."""
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
    """Sort key: most urgent first, then surest, then by name."""
    return (
        URGENCIES.index(finding.urgency), -finding.score, finding.subject, finding.condition,
    )
