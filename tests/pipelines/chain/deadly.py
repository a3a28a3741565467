"""Work that goes wrong in every way there is, for the workers of a chain."""

from __future__ import annotations

import os
import time
from pathlib import Path

from remanence.pipelines.chain.task import VenueDone, VenueTask


def work(task: VenueTask) -> VenueDone:
    """By the task's path: ``die``, ``fail N FILE`` (so often), ``wait SECONDS``, ``who FOLDER``
    (leaves a file there that ends in the process's number) or ``good``."""
    kind, _, rest = task.path.partition(" ")
    if kind == "die":
        os._exit(9)
    if kind == "fail":
        count, _, name = rest.partition(" ")
        seen = Path(name)
        tries = int(seen.read_text()) if seen.exists() else 0
        seen.write_text(str(tries + 1))
        if tries < int(count):
            return VenueDone(None, ("not yet",), again=True)
    if kind == "wait":
        time.sleep(float(rest))
    if kind == "who":
        (Path(rest) / f"{time.monotonic_ns()}.{os.getpid()}").touch()
    return VenueDone({"path": task.path})
