"""What only a chain of venues can know: where hands are needed, one stock, one life a part."""

from __future__ import annotations

from typing import TYPE_CHECKING

from remanence.shared.on_demand import on_demand

if TYPE_CHECKING:
    from remanence.analytics.chain.batches import Batch, bad_batch
    from remanence.analytics.chain.beside import SlowBeside, slow_beside_others
    from remanence.analytics.chain.front import ChainView, Route, Stop, chain_view
    from remanence.analytics.chain.model import (
        ChainFinding,
        ChainLock,
        ChainPart,
        Member,
        Unit,
        VenueWeek,
        drift_points,
    )
    from remanence.analytics.chain.pool import (
        PooledLife,
        PooledStock,
        Transfer,
        pooled_life,
        pooled_stock,
    )

__all__ = [
    "Batch", "ChainFinding", "ChainLock", "ChainPart", "ChainView", "Member", "PooledLife",
    "PooledStock", "Route", "SlowBeside", "Stop", "Transfer", "Unit", "VenueWeek", "bad_batch",
    "chain_view", "drift_points", "pooled_life", "pooled_stock", "slow_beside_others",
]

__getattr__ = on_demand(__name__, {
    "batches": ("Batch", "bad_batch"),
    "beside": ("SlowBeside", "slow_beside_others"),
    "front": ("ChainView", "Route", "Stop", "chain_view"),
    "model": ("ChainFinding", "ChainLock", "ChainPart", "Member", "Unit", "VenueWeek",
        "drift_points"),
    "pool": ("PooledLife", "PooledStock", "Transfer", "pooled_life", "pooled_stock"),
})
