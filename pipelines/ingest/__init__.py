"""Logs into the store: which files, how far they were read, and an account of every line.

``ingest.ingest`` is the way in.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from remanence.shared.on_demand import on_demand

if TYPE_CHECKING:
    from remanence.pipelines.ingest.absent import absent_channels, as_logged, seen_in
    from remanence.pipelines.ingest.files import find_logs
    from remanence.pipelines.ingest.open_log import pieces
    from remanence.pipelines.ingest.progress import Silent
    from remanence.pipelines.ingest.seen import Seen
    from remanence.pipelines.ingest.summary import FileCount, IngestSummary
    from remanence.pipelines.ingest.touched import TOUCHED

__all__ = [
    "FileCount", "IngestSummary", "Seen", "Silent", "TOUCHED", "absent_channels", "as_logged",
    "find_logs", "pieces", "seen_in",
]

__getattr__ = on_demand(__name__, {
    "absent": ("absent_channels", "as_logged", "seen_in"),
    "files": ("find_logs",),
    "open_log": ("pieces",),
    "progress": ("Silent",),
    "seen": ("Seen",),
    "summary": ("FileCount", "IngestSummary"),
    "touched": ("TOUCHED",),
})
