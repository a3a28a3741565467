"""The numbers of the weekly health report, gathered before a page is written."""

from __future__ import annotations

from typing import TYPE_CHECKING

from remanence.shared.on_demand import on_demand

if TYPE_CHECKING:
    from remanence.analytics.health.gather import health
    from remanence.analytics.health.lock_state import LockState, lock_states
    from remanence.analytics.health.model import (
        ControllerHealth,
        DeepSag,
        Estimate,
        FaultMeasure,
        Health,
        Job,
        LockHealth,
        Mended,
        SupplyHealth,
        Trace,
    )
    from remanence.analytics.health.morning import (
        ANSWERED,
        ROUND_STATES,
        LockRound,
        Usual,
        morning_round,
    )
    from remanence.analytics.health.physics_model import (
        CHANGE,
        Curve,
        LockPhysics,
        Quantity,
        Remark,
        SupplyPhysics,
    )
    from remanence.analytics.health.result_rows import timing_rows, wear_rows
    from remanence.analytics.health.traces import TraceRequest, telling_actuations

__all__ = [
    "ANSWERED", "CHANGE", "ControllerHealth", "Curve", "DeepSag", "Estimate", "FaultMeasure",
    "Health", "Job", "LockHealth", "LockPhysics", "LockRound", "LockState", "Mended", "Quantity",
    "ROUND_STATES", "Remark", "SupplyHealth", "SupplyPhysics", "Trace", "TraceRequest", "Usual",
    "health", "lock_states", "morning_round", "telling_actuations", "timing_rows", "wear_rows",
]

__getattr__ = on_demand(__name__, {
    "gather": ("health",),
    "lock_state": ("LockState", "lock_states"),
    "model": ("ControllerHealth", "DeepSag", "Estimate", "FaultMeasure", "Health", "Job",
        "LockHealth", "Mended", "SupplyHealth", "Trace"),
    "morning": ("ANSWERED", "LockRound", "ROUND_STATES", "Usual", "morning_round"),
    "physics_model": ("CHANGE", "Curve", "LockPhysics", "Quantity", "Remark", "SupplyPhysics"),
    "result_rows": ("timing_rows", "wear_rows"),
    "traces": ("TraceRequest", "telling_actuations"),
})
