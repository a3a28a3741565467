"""From candidates to findings: one fault is said once, by its right name, and rarely in vain."""

from __future__ import annotations

import importlib
import importlib.util
from collections.abc import Callable, Iterable

from analytics.history import History
from shared.findings import Finding, rank

MODULES = (
    "analytics.conditions_latency", "analytics.conditions_slow", "analytics.conditions_outcomes",
    "analytics.conditions_electrical", "analytics.conditions_contact",
    "analytics.conditions_supply", "analytics.conditions_log", "analytics.fitting",
)
"""Each lists its conditions as ``CANDIDATES``."""


def candidates() -> tuple[Callable[[History], list[Finding]], ...]:
    """Every condition's function, in the order of the modules."""
    found: list[Callable[[History], list[Finding]]] = []
    for name in MODULES:
        if importlib.util.find_spec(name) is None:
            continue
        found.extend(getattr(importlib.import_module(name), "CANDIDATES", ()))
    return tuple(found)


def diagnose(history: History) -> list[Finding]:
    """What is to be said of the venue in the week of ``history``.

    Parameters
    ----------
    history : History
        The venue's tables up to the end of the week.

    Returns
    -------
    list of Finding
        Most urgent first, then surest.
    """
    gathered = [item for judge in candidates() for item in judge(history)]
    return sorted(_resolved(gathered), key=rank)


def _resolved(gathered: Iterable[Finding]) -> list[Finding]:
    return list(gathered)
