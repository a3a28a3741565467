"""Evidence into conditions: what is wrong with which lock, rail or controller, and how sure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from remanence.shared.on_demand import on_demand

if TYPE_CHECKING:
    from remanence.analytics.conditions.coarse_clock import coarse_locks
    from remanence.analytics.conditions.condition import Condition, catalogue
    from remanence.analytics.conditions.diagnosis import diagnose
    from remanence.analytics.conditions.fitting import fitting_notes, unsafe_fittings
    from remanence.analytics.conditions.in_play import openings_of_locks
    from remanence.analytics.conditions.life import Lives, Standing, lives
    from remanence.analytics.conditions.new_locks import NEW_LOCK_RELEASES, slow_beside
    from remanence.analytics.conditions.shown import what_was_shown
    from remanence.analytics.conditions.swapped import swap_notes

__all__ = [
    "Condition", "Lives", "NEW_LOCK_RELEASES", "Standing", "catalogue", "coarse_locks", "diagnose",
    "fitting_notes", "lives", "openings_of_locks", "slow_beside", "swap_notes", "unsafe_fittings",
    "what_was_shown",
]

__getattr__ = on_demand(__name__, {
    "coarse_clock": ("coarse_locks",),
    "condition": ("Condition", "catalogue"),
    "diagnosis": ("diagnose",),
    "fitting": ("fitting_notes", "unsafe_fittings"),
    "in_play": ("openings_of_locks",),
    "life": ("Lives", "Standing", "lives"),
    "new_locks": ("NEW_LOCK_RELEASES", "slow_beside"),
    "shown": ("what_was_shown",),
    "swapped": ("swap_notes",),
})
