"""What came of each venue, kept beside the chain's file: a venue done is not done again."""

from __future__ import annotations

import contextlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from remanence.pipelines.chain.task import VenueDone
from remanence.pipelines.store.disk import make_folder, replace_file

KEPT_FOLDER = "chain-kept"
KEPT_SCHEMA = 1
"""Version of the kept files; others are worked out again."""


@dataclass(frozen=True)
class Kept:
    """The folder of what came of each venue."""

    folder: Path

    def _file(self, venue: str) -> Path:
        safe = "".join(c if c.isalnum() or c in "._-" else "_" for c in venue)
        return self.folder / f"{safe}.json"

    def read(self, venue: str, digest: str) -> VenueDone | None:
        """What came of a venue, where its inputs are still those; None: it is to be done."""
        with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
            held: dict[str, Any] = json.loads(self._file(venue).read_text("utf-8"))
            if (held["schema"], held["venue"], held["inputs"]) == (KEPT_SCHEMA, venue, digest) and (
                    Path(held["report"]).exists()):
                return VenueDone(held["week"], report=held["report"])
        return None

    def write(self, venue: str, digest: str, done: VenueDone) -> None:
        """Keep what came of a venue; one with a fault is not kept, so that it is tried again.

        Raises
        ------
        OSError
            It cannot be written.
        """
        if done.kept is None or done.faults:
            with contextlib.suppress(FileNotFoundError):
                self._file(venue).unlink()
            return
        make_folder(self.folder)
        held = {"schema": KEPT_SCHEMA, "venue": venue, "inputs": digest, "report": done.report,
                "week": done.kept}
        replace_file(self._file(venue), (json.dumps(held, ensure_ascii=False) + "\n").encode())
