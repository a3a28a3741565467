"""What every condition builds its findings from: shares as evidence, urgency on an exit route."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

import numpy as np

from remanence.analytics.statistics.intervals import wilson
from remanence.shared.bench_checks import BENCH_CHECKS
from remanence.shared.conditions import CONDITIONS
from remanence.shared.findings import Evidence, Finding
from remanence.shared.venue import Lock


def share_evidence(
    what: str, now: tuple[int, int], before: tuple[int, int] | None = None
) -> Evidence:
    """A share in percent, now and before, with Wilson's intervals; pairs are (count, total)."""
    low, high = wilson(*now)
    figures: dict[str, float] = {}
    if before is not None and before[1] > 0:
        before_low, before_high = wilson(*before)
        figures = {
            "before": 100.0 * before[0] / before[1],
            "before_low": 100.0 * before_low, "before_high": 100.0 * before_high,
        }
    return Evidence(
        what=what, now=100.0 * now[0] / now[1] if now[1] else None, unit="%", n=now[1],
        now_low=100.0 * low, now_high=100.0 * high, **figures,
    )



def raised_on_way_out(urgency: str, lock: Lock) -> str:
    """What may keep people in outranks every other finding: on a way out, at once."""
    return "now" if lock.on_way_out else urgency



def finding(
    subject: str, condition: str, urgency: str, score: float, *,
    says: str, evidence: Sequence[Evidence] = (), since: date | None = None,
    since_low: date | None = None, since_high: date | None = None,
    not_excluded: Sequence[str] = (), subject_kind: str = "lock",
    extra: Mapping[str, Any] | None = None,
) -> Finding:
    """A finding of the catalogue, with its bench check.

    Raises
    ------
    ValueError
        The condition is not in the catalogue, or is not said of such a subject.
    """
    if condition not in CONDITIONS or subject_kind not in CONDITIONS[condition].subject_kinds:
        raise ValueError(f"{condition!r} is not said of a {subject_kind}")
    return Finding(
        subject=subject, subject_kind=subject_kind, condition=condition, urgency=urgency,
        score=float(np.clip(score, 0.0, 0.999)), since=since, since_low=since_low,
        since_high=since_high, evidence=tuple(evidence), not_excluded=tuple(not_excluded),
        says=says, check=BENCH_CHECKS[condition], extra=dict(extra or {}),
    )
