"""Tell whom the venue file names while the server runs: a new report is told within a minute.

``remanence tell`` does it, as a process of its own: what it needs of memory is free again after it.
"""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

from remanence.pipelines.sheets.past_reports import REPORTS

EVERY_S = 60.0
"""How often the reports are looked at."""

AGAIN_S = 900.0
"""What could not be sent is tried again so often."""


def reports_mark(venue_folder: Path) -> tuple[tuple[str, int], ...]:
    """A value that changes whenever a report does."""
    found = []
    for path in sorted((venue_folder / REPORTS).glob("*/findings.json")):
        found.append((path.parent.name, path.stat().st_mtime_ns))
    return tuple(found)


async def tell_anew(venue_path: Path) -> None:
    """Tell at the start, after each new report, and again where it failed; until cancelled."""
    told: tuple[tuple[str, int], ...] | None = None
    waited = AGAIN_S
    while True:
        try:
            mark = reports_mark(venue_path.parent)
        except OSError:
            mark = told or ()  # a report is put in place just now
        if mark and (mark != told or waited >= AGAIN_S):
            status = await _run(venue_path)
            told, waited = mark, 0.0 if status else -float("inf")
        await asyncio.sleep(EVERY_S)
        waited += EVERY_S


async def _run(venue_path: Path) -> int:
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "remanence", "tell", str(venue_path),
        stdin=asyncio.subprocess.DEVNULL)
    try:
        return await process.wait()
    except asyncio.CancelledError:
        process.terminate()
        raise
