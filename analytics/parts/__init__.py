"""The owner's numbers: wear, lives, demand, orders, forecasts."""

from __future__ import annotations

from typing import TYPE_CHECKING

from remanence.shared.on_demand import on_demand

if TYPE_CHECKING:
    from remanence.analytics.parts.cause_lives import PartLives, part_lives
    from remanence.analytics.parts.demand import Demand, Place
    from remanence.analytics.parts.forecasts import Calibration, calibration, forecasts_of
    from remanence.analytics.parts.orders import (
        ASSUMED_LEAD_DAYS,
        HORIZONS,
        NEED_DECIMALS,
        OPEN_WEEKS,
        READS,
        SERVICE_LEVEL,
        LockNeed,
        Orders,
        PartOrder,
        StockPlan,
        cover_days,
        plan_orders,
        plan_stock,
    )
    from remanence.analytics.parts.unit_ends import (
        ADVICE,
        FAILED,
        PLANNED,
        RUNNING,
        WORN,
        UnitLife,
    )
    from remanence.analytics.parts.unit_lives import UnitLives, replacements
    from remanence.analytics.parts.venue_year import (
        ACTIVITY_READS,
        LostDays,
        Period,
        VenueYear,
        venue_year,
    )
    from remanence.analytics.parts.wear import (
        UNSIGNED_FAILED,
        UNSIGNED_LOCKS,
        LockWear,
        remaining_life,
    )

__all__ = [
    "ACTIVITY_READS", "ADVICE", "ASSUMED_LEAD_DAYS", "Calibration", "Demand", "FAILED",
    "HORIZONS", "LockNeed", "LockWear", "LostDays", "NEED_DECIMALS", "OPEN_WEEKS", "Orders",
    "PLANNED", "PartLives", "PartOrder", "Period", "Place", "READS", "RUNNING", "SERVICE_LEVEL",
    "StockPlan", "UNSIGNED_FAILED", "UNSIGNED_LOCKS", "UnitLife", "UnitLives", "VenueYear",
    "WORN", "calibration", "cover_days", "forecasts_of", "part_lives", "plan_orders",
    "plan_stock", "remaining_life", "replacements", "venue_year",
]

__getattr__ = on_demand(__name__, {
    "demand": ("Demand", "Place"),
    "forecasts": ("Calibration", "calibration", "forecasts_of"),
    "orders": ("ASSUMED_LEAD_DAYS", "HORIZONS", "LockNeed", "NEED_DECIMALS", "OPEN_WEEKS", "Orders",
        "PartOrder", "READS", "SERVICE_LEVEL", "StockPlan", "cover_days",
        "plan_orders", "plan_stock"),
    "cause_lives": ("PartLives", "part_lives"),
    "unit_ends": ("ADVICE", "FAILED", "PLANNED", "RUNNING", "UnitLife", "WORN"),
    "unit_lives": ("UnitLives", "replacements"),
    "venue_year": ("ACTIVITY_READS", "LostDays", "Period", "VenueYear", "venue_year"),
    "wear": ("LockWear", "UNSIGNED_FAILED", "UNSIGNED_LOCKS", "remaining_life"),
})
