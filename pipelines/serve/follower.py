"""The process that follows this morning's log, started and ended for whoever looks."""

from __future__ import annotations

import asyncio
import json
import sys
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

ENDS_AFTER_S = 600.0
"""So long after the last look the process ends, and its memory is free again."""

LONGEST_LINE = 1 << 22
"""Bytes of one answer; a venue of a thousand locks takes a tenth."""


class Follower:
    """One venue's, at most one process at a time."""

    def __init__(self, venue_path: Path, *, ends_after_s: float = ENDS_AFTER_S) -> None:
        self.venue_path = venue_path
        self.ends_after_s = ends_after_s
        self.told: dict[str, Any] | None = None
        self._looked = 0.0
        self._task: asyncio.Task[None] | None = None
        self._process: asyncio.subprocess.Process | None = None

    def look(self) -> dict[str, Any] | None:
        """What was told last; None before that. Starts the process where it does not run."""
        self._looked = time.monotonic()
        if self._task is None or self._task.done():
            if self.told is not None and "fault" not in self.told:
                self.told = None  # What it told before is of another hour.
            self._task = asyncio.create_task(self._run())
        return self.told

    async def _run(self) -> None:
        self._process = process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "remanence.pipelines.serve.follow", str(self.venue_path),
            stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE, limit=LONGEST_LINE)
        assert process.stdout is not None
        try:
            while time.monotonic() - self._looked < self.ends_after_s:
                line = await process.stdout.readline()
                if not line:
                    self.told = {"fault": "the process that follows the log ended"}
                    break
                self.told = json.loads(line)
        finally:
            await self._end(process)

    async def _end(self, process: asyncio.subprocess.Process) -> None:
        assert process.stdin is not None
        process.stdin.close()
        try:
            await asyncio.wait_for(process.wait(), 10)
        except TimeoutError:
            with suppress(ProcessLookupError):
                process.kill()
            await process.wait()

    async def stop(self) -> None:
        """End the process, if it runs."""
        if self._task is not None and not self._task.done():
            self._task.cancel()
            with suppress(asyncio.CancelledError):
                await self._task
