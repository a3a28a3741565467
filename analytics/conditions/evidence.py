"""Parts of the findings of every condition: shares as evidence, urgency on an exit route."""

from __future__ import annotations

from remanence.analytics.statistics.intervals import wilson
from remanence.analytics.statistics.rates import chance_of_fault
from remanence.shared.findings import Evidence
from remanence.shared.venue import Lock

PAST_COMMANDS = 300.0
"""A lock's own past counts for so many commands at most beside what is assumed of readings that go
wrong: wiring and habits change. Assumption."""
HEALTHY_NO_RELEASE = (0.4, 250.0)
"""Rate of unanswered commands of a sound lock, as a Beta prior: mean 0.16 %, seldom above 1 %
(a base rate of 0.01 to 0.1 % is usual; the rest is for what people do)."""
FAULTY_NO_RELEASE = (1.0, 5.0)
"""The same of a faulty lock: mean one in six. Assumption."""
SHOWS_AT = (1.0, 1.0)
"""Beta prior of the share of commands at which a fault shows: any."""
FAULT_PRIOR = 1 / 100
"""Chance, before any data, that one lock has one of these faults in a given week. Assumption."""


def chance_shown(
    now: tuple[int, int], before: tuple[int, int], misread: tuple[float, float],
    shows_at: tuple[float, float] = SHOWS_AT,
) -> float:
    """Probability that commands show a fault and are not readings that went wrong.

    Parameters
    ----------
    now, before : tuple of (int, int)
        Commands that show it, and of how many: this week, and before it began.
    misread : tuple of (float, float)
        Shapes of the beta prior of the share of a sound lock's commands that show it.
    shows_at : tuple of (float, float)
        The same of a faulty one's.

    Returns
    -------
    float
        Between 0 and 1, :func:`~remanence.analytics.statistics.rates.chance_of_fault`.
    """
    weight = min(1.0, PAST_COMMANDS / max(before[1], 1))
    healthy = (misread[0] + weight * before[0], misread[1] + weight * (before[1] - before[0]))
    return chance_of_fault(*now, healthy=healthy, faulty=shows_at, prior=FAULT_PRIOR)


def share_evidence(
    figure: str, now: tuple[int, int], before: tuple[int, int] | None = None
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
        figure, now=100.0 * now[0] / now[1] if now[1] else None, unit="%", n=now[1],
        now_low=100.0 * low, now_high=100.0 * high, **figures,
    )


def raised_on_way_out(urgency: str, lock: Lock) -> str:
    """What may keep people in outranks every other finding: on an exit route its urgency is now."""
    return "now" if lock.on_way_out else urgency


def raised_unless_people(urgency: str, lock: Lock) -> str:
    """The same, but never now for a contact on a door: people could be the whole cause."""
    if lock.latency_kind == "door":
        return "week" if urgency == "now" else urgency
    return raised_on_way_out(urgency, lock)
