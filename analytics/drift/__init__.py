"""Is a lock's time to release other than it was, once volts, warmth and chance are allowed for?"""

from __future__ import annotations

from typing import TYPE_CHECKING

from remanence.shared.on_demand import on_demand

if TYPE_CHECKING:
    from remanence.analytics.drift.change_model import daily_covariance, fit_change
    from remanence.analytics.drift.clock_course import (
        WANDERS_TO_ANSWER,
        WANDERS_TO_TIME,
        clock_notes,
        wandering_locks,
    )
    from remanence.analytics.drift.common import VOLTS_EXPONENT, Wander, group_of
    from remanence.analytics.drift.daily_series import REST_HOURS, LockDays
    from remanence.analytics.drift.judge import LockDrift, across_clocks, drifts
    from remanence.analytics.drift.neighbours import LEAST_NEIGHBOURS
    from remanence.analytics.drift.panel import LEAST_SIBLINGS
    from remanence.analytics.drift.polls import least_change_ms
    from remanence.analytics.drift.shared_change import SharedChange
    from remanence.analytics.drift.slow_mode import (
        FAULTY,
        STANDING_PRIOR,
        Counted,
        SlowMode,
        counted,
        healthy_beside,
    )
    from remanence.analytics.drift.together import TOGETHER_DAYS

__all__ = [
    "Counted", "FAULTY", "LEAST_NEIGHBOURS", "LEAST_SIBLINGS", "LockDays", "LockDrift",
    "REST_HOURS", "STANDING_PRIOR", "SharedChange", "SlowMode", "TOGETHER_DAYS", "VOLTS_EXPONENT",
    "WANDERS_TO_ANSWER", "WANDERS_TO_TIME", "Wander", "across_clocks", "clock_notes", "counted",
    "daily_covariance", "drifts", "fit_change", "group_of", "healthy_beside", "least_change_ms",
    "wandering_locks",
]

__getattr__ = on_demand(__name__, {
    "change_model": ("daily_covariance", "fit_change"),
    "clock_course": ("WANDERS_TO_ANSWER", "WANDERS_TO_TIME", "clock_notes", "wandering_locks"),
    "common": ("VOLTS_EXPONENT", "Wander", "group_of"),
    "daily_series": ("LockDays", "REST_HOURS"),
    "judge": ("LockDrift", "across_clocks", "drifts"),
    "neighbours": ("LEAST_NEIGHBOURS",),
    "panel": ("LEAST_SIBLINGS",),
    "polls": ("least_change_ms",),
    "shared_change": ("SharedChange",),
    "slow_mode": ("Counted", "FAULTY", "STANDING_PRIOR", "SlowMode", "counted", "healthy_beside"),
    "together": ("TOGETHER_DAYS",),
})
