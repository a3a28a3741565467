"""Files that a manifest does not name any more: kept for readers that still look at them."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Collection
from pathlib import Path

KEEP_RETIRED_S = 7 * 24 * 3600.0
"""How long a file that is no longer named is kept: for readers that still look at it, and for a
repair, which finds in it records that a damaged file has lost."""

Retired = list[tuple[str, float]]
"""Paths, and since when they are out of use."""


def retire(manifest: Path, retired: Retired, paths: Collection[str]) -> Retired:
    """The files out of use, with these among them from now on.

    A clock that was put back would have them out of use for as long already: ``now`` is never
    before the last moment that ``retired`` or the manifest's file in force tells of.
    """
    now = max([time.time(), *(since for _, since in retired)])
    with contextlib.suppress(OSError):
        now = max(now, manifest.stat().st_mtime)
    known = {path for path, _ in retired}
    return [*retired, *((path, now) for path in sorted(set(paths) - known))]


def removable(home: Path, retired: Retired, named: Collection[str]) -> tuple[Retired, list[str]]:
    """What stays on the list of files out of use, and which of them are to be removed now.

    None are where a file that is in use is not there: then something is wrong with the disk or
    with the manifest, and what looks superfluous may be all there is.
    """
    now = time.time()
    unused = [(path, since) for path, since in retired if path not in named]
    old = {path for path, since in unused if now - since >= KEEP_RETIRED_S}
    if old and not all((home / path).is_file() for path in named):
        old = set()
    return [entry for entry in unused if entry[0] not in old], sorted(old)
