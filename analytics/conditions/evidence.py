"""Parts of the findings of every condition: shares as evidence, urgency on an exit route."""

from __future__ import annotations

from remanence.analytics.statistics.intervals import wilson
from remanence.shared.findings import Evidence
from remanence.shared.venue import Lock


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
