"""Many venues in one go: by processes on one machine, or on a Dask cluster."""

from __future__ import annotations

from typing import TYPE_CHECKING

from remanence.shared.on_demand import on_demand

if TYPE_CHECKING:
    from remanence.pipelines.chain.chain_json import CHAIN_SCHEMA
    from remanence.pipelines.chain.find import ChainVenue, find_venues, load_chain
    from remanence.pipelines.chain.run import ChainOutcome, run_chain

__all__ = ["CHAIN_SCHEMA", "ChainOutcome", "ChainVenue", "find_venues", "load_chain", "run_chain"]

__getattr__ = on_demand(__name__, {
    "chain_json": ("CHAIN_SCHEMA",),
    "find": ("ChainVenue", "find_venues", "load_chain"),
    "run": ("ChainOutcome", "run_chain"),
})
