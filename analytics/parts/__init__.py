"""The owner's numbers: wear, lives, demand, orders, forecasts."""

from __future__ import annotations

from typing import TYPE_CHECKING

from remanence.shared.on_demand import on_demand

if TYPE_CHECKING:
    from remanence.analytics.parts.forecasts import Calibration, calibration, forecasts_of
    from remanence.analytics.parts.orders import (
        HORIZONS,
        NEED_DECIMALS,
        OPEN_WEEKS,
        READS,
        LockNeed,
        Orders,
        PartOrder,
        chance_within,
        cover_days,
        plan_orders,
    )
    from remanence.analytics.parts.unit_lives import replacements
    from remanence.analytics.parts.venue_year import (
        ACTIVITY_READS,
        Period,
        VenueYear,
        venue_year,
    )
    from remanence.analytics.parts.wear import LockWear, remaining_life

__all__ = [
    "ACTIVITY_READS", "Calibration", "HORIZONS", "LockNeed", "LockWear", "NEED_DECIMALS",
    "OPEN_WEEKS", "Orders", "PartOrder", "Period", "READS", "VenueYear", "calibration",
    "chance_within", "cover_days", "forecasts_of", "plan_orders", "remaining_life", "replacements",
    "venue_year",
]

__getattr__ = on_demand(__name__, {
    "forecasts": ("Calibration", "calibration", "forecasts_of"),
    "orders": ("HORIZONS", "LockNeed", "NEED_DECIMALS", "OPEN_WEEKS", "Orders", "PartOrder",
        "READS", "chance_within", "cover_days", "plan_orders"),
    "unit_lives": ("replacements",),
    "venue_year": ("ACTIVITY_READS", "Period", "VenueYear", "venue_year"),
    "wear": ("LockWear", "remaining_life"),
})
