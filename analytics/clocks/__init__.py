"""How far stamps can be trusted: how finely a controller stamps, how far two clocks are apart."""

from __future__ import annotations

from typing import TYPE_CHECKING

from remanence.shared.on_demand import on_demand

if TYPE_CHECKING:
    from remanence.analytics.clocks.instants import DAY_US, PLACES, day_of, stamp, stamped
    from remanence.analytics.clocks.polling import polling_of
    from remanence.analytics.clocks.quiet_days import with_known_polls, with_quiet_days
    from remanence.analytics.clocks.second_clock import (
        CLOCKS,
        LEVELS,
        latest_answers,
        on_first_clock,
        second_clocks,
        with_ahead,
        with_course,
    )

__all__ = [
    "CLOCKS", "DAY_US", "LEVELS", "PLACES", "day_of", "latest_answers", "on_first_clock",
    "polling_of", "second_clocks", "stamp", "stamped", "with_ahead", "with_course",
    "with_known_polls", "with_quiet_days",
]

__getattr__ = on_demand(__name__, {
    "instants": ("DAY_US", "PLACES", "day_of", "stamp", "stamped"),
    "polling": ("polling_of",),
    "quiet_days": ("with_known_polls", "with_quiet_days"),
    "second_clock": ("CLOCKS", "LEVELS", "latest_answers", "on_first_clock", "second_clocks",
        "with_ahead", "with_course"),
})
