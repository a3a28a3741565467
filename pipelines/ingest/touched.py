"""Log files that were only touched: a new time on the same bytes is no reason to read records.

Where the size is what it was, the text's digest decides. Which time a file was found touched at is
kept beside the store, so that the next run need not look at the bytes again.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Mapping
from pathlib import Path

from remanence.pipelines.readers import reader_of
from remanence.pipelines.readers.source import Recoded, Source, UnreadableSourceError
from remanence.pipelines.store.disk import replace_file
from remanence.shared.log_format import LogFormat

TOUCHED = "touched.json"
"""The file in the store's folder. It may be deleted: the next run looks at the bytes again."""

_BLOCK = 8 << 20


class Touched:
    """When each log that was only touched was last found to hold the text of which digest.

    Parameters
    ----------
    folder : Path
        The store's.
    """

    def __init__(self, folder: Path) -> None:
        self.path = folder / TOUCHED
        self.found: dict[str, list[object]] = {}
        self.new = False
        with contextlib.suppress(OSError, ValueError, RecursionError):
            held = json.loads(self.path.read_text("utf-8"))
            if isinstance(held, dict):
                self.found = held

    def same_text(
        self, source: Source, log: LogFormat, known: Mapping[str, object], modified_ns: int
    ) -> bool:
        """Whether a log of the size that it had holds the text that was read then.

        Parameters
        ----------
        source, log
            The log as it is now.
        known : mapping
            Its row of FILES from the last reading.
        modified_ns : int
            When it was last modified. [ns since 1970]

        Returns
        -------
        bool
            False also where that reading kept no digest of a text (rows of a database, say).
        """
        seen = [modified_ns, known["digest"]]
        if self.found.get(source.name) == seen:
            return True
        if reader_of(log.format).lines is None:
            return False
        digest = hashlib.sha1(usedforsecurity=False)
        try:
            with source.open() as (stream, _):
                text = Recoded(stream, log.encoding)
                while block := text.read(_BLOCK):
                    digest.update(block)
        except UnreadableSourceError:
            return False
        if digest.hexdigest() != known["digest"]:
            return False
        self.found[source.name], self.new = seen, True
        return True

    def keep(self) -> None:
        """Keep what was found; a store that may only be read keeps nothing."""
        if self.new:
            with contextlib.suppress(OSError):
                replace_file(self.path, (json.dumps(self.found, indent=1) + "\n").encode())
