"""Records into derived tables, in blocks of days, anew only where something changed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from remanence.shared.on_demand import on_demand

if TYPE_CHECKING:
    from remanence.pipelines.derive.store import TIME_OF, Manifest, read_derived, read_manifest

__all__ = [
    "Manifest", "TIME_OF", "read_derived", "read_manifest",
]

__getattr__ = on_demand(__name__, {
    "store": ("Manifest", "TIME_OF", "read_derived", "read_manifest"),
})
