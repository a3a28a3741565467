"""Conditions of the coil and its circuit, as the commands and the rail's volts show them.

over-long-energising, coil-open, coil-current-high, stuck-energised, self-cut-failed and
missing-suppression; each stands in a module of its own subject.
"""

from __future__ import annotations

from collections.abc import Callable

from remanence.analytics.conditions.coil_circuit import coil_current_high, no_sag
from remanence.analytics.conditions.over_long import over_long_energising
from remanence.analytics.conditions.self_cut import self_cut_failed
from remanence.analytics.conditions.switch_off import missing_suppression, stays_on
from remanence.analytics.history import History
from remanence.shared.findings import Finding


def circuit(history: History) -> list[Finding]:
    """coil-open and stuck-energised, each at most once a lock: the surer evidence is kept."""
    best: dict[tuple[str, str], Finding] = {}
    for item in (*no_sag(history), *stays_on(history)):
        key = item.subject, item.condition
        if key not in best or item.score > best[key].score:
            best[key] = item
    return list(best.values())


CANDIDATES: tuple[Callable[[History], list[Finding]], ...] = (
    over_long_energising, circuit, coil_current_high, self_cut_failed, missing_suppression,
)
