"""The store of one venue: records by day, each file known by its digest, one writer at a time."""

from __future__ import annotations

from typing import TYPE_CHECKING

from remanence.shared.on_demand import on_demand

if TYPE_CHECKING:
    from remanence.pipelines.store.days import by_name
    from remanence.pipelines.store.disk import UNFINISHED, make_folder, replace_file, sync_folder
    from remanence.pipelines.store.findings_files import join_weeks
    from remanence.pipelines.store.forecasts import keep_forecasts, read_forecasts, with_these
    from remanence.pipelines.store.manifest import DamagedManifestError, Segment, read_manifest
    from remanence.pipelines.store.name_codes import (
        QUANTITY,
        codes,
        joined,
        names_type,
        with_places,
    )
    from remanence.pipelines.store.order_log import add_order, on_the_shelf, order_path
    from remanence.pipelines.store.past_findings import (
        earlier_findings,
        keep_findings,
        standing_findings,
    )
    from remanence.pipelines.store.remote import fetched_again, repairing
    from remanence.pipelines.store.repair import Fault, why_unsound
    from remanence.pipelines.store.retired import KEEP_RETIRED_S, Retired, removable, retire
    from remanence.pipelines.store.segments import scan_segments
    from remanence.pipelines.store.service_log import add_service, read_service, service_path
    from remanence.pipelines.store.store import Batch, Committed, Store
    from remanence.pipelines.store.view import forget_views, make_view
    from remanence.pipelines.store.writer_lock import try_lock

__all__ = [
    "Batch", "Committed", "DamagedManifestError", "Fault", "KEEP_RETIRED_S", "QUANTITY", "Retired",
    "Segment", "Store", "UNFINISHED", "add_order", "add_service", "by_name", "codes",
    "earlier_findings", "fetched_again", "forget_views", "join_weeks", "joined", "keep_findings",
    "keep_forecasts", "make_folder", "make_view", "names_type", "on_the_shelf", "order_path",
    "read_forecasts", "read_manifest", "read_service", "removable", "repairing", "replace_file",
    "retire", "scan_segments", "service_path", "standing_findings", "sync_folder", "try_lock",
    "why_unsound", "with_places", "with_these",
]

__getattr__ = on_demand(__name__, {
    "days": ("by_name",),
    "disk": ("UNFINISHED", "make_folder", "replace_file", "sync_folder"),
    "findings_files": ("join_weeks",),
    "forecasts": ("keep_forecasts", "read_forecasts", "with_these"),
    "manifest": ("DamagedManifestError", "Segment", "read_manifest"),
    "name_codes": ("QUANTITY", "codes", "joined", "names_type", "with_places"),
    "order_log": ("add_order", "on_the_shelf", "order_path"),
    "past_findings": ("earlier_findings", "keep_findings", "standing_findings"),
    "remote": ("fetched_again", "repairing"),
    "repair": ("Fault", "why_unsound"),
    "retired": ("KEEP_RETIRED_S", "Retired", "removable", "retire"),
    "segments": ("scan_segments",),
    "service_log": ("add_service", "read_service", "service_path"),
    "store": ("Batch", "Committed", "Store"),
    "view": ("forget_views", "make_view"),
    "writer_lock": ("try_lock",),
})
