"""Lines of files that another program writes, by watchfiles; by polling on a network share.

How far each file was read stands in ``positions.json``, which follows the journal: it is written
after a batch is on the disk, and what the journal holds beyond it is found there at a start.
"""

from __future__ import annotations

import contextlib
import glob
import hashlib
import json
import os
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from watchfiles import watch

from remanence.pipelines.record.capture import Hearing
from remanence.pipelines.record.inbox import Arrival
from remanence.pipelines.record.journal import Journal, Row
from remanence.pipelines.record.stream_listener import StreamListener
from remanence.pipelines.store.disk import replace_file
from remanence.shared.live_source import LiveSource

LOOK_MS = 1_000
"""Files are looked at so often even where the system tells of no change."""

BLOCK = 1 << 20
NETWORK_SHARES = ("nfs", "cifs", "smb", "fuse.sshfs", "9p", "afs", "ncpfs", "davfs")
"""How the names of file systems begin whose changes the system is not told of."""

POSITIONS_NAME = "positions.json"

Position = tuple[str, int]
"""A digest of a file's first line, and the offset up to which it was read."""


class FileListener(StreamListener):
    """Reads whatever is added to the files that ``address`` names."""

    def __init__(self, source: LiveSource, venue_folder: Path, hearing: Hearing) -> None:
        super().__init__(source, venue_folder, hearing)
        self._own = source.folder(venue_folder)
        self._positions = read_positions(self._own)  # of what is on the disk
        self._read_to = dict(self._positions)  # of what was handed over
        self._caught_up = False

    def hold(self) -> None:
        """Read no more."""
        self.hearing.inbox.close()
        super().hold()

    def written(self, rows: list[Row]) -> None:
        """Keep how far the files are read, now that it is on the disk."""
        new = {row["topic"]: (row["head"], row["end"]) for row in rows if "end" in row}
        if not new:
            return
        self._positions |= new
        # Where that fails, the journal's own end tells it at the next start.
        with contextlib.suppress(OSError):
            replace_file(self._own / POSITIONS_NAME, json.dumps(self._positions).encode())

    def listen(self) -> None:
        """What is there already, then what is added, until it is time to stop."""
        place = _folder_above(self.folder / self.source.address)
        self._caught_up = False
        self._look()
        self.listening(held=True)
        self._caught_up = True
        polling = self.source.polling
        for _ in watch(
            place, stop_event=self.hearing.stopping, rust_timeout=LOOK_MS, step=20,
            debounce=100, yield_on_timeout=True, raise_interrupt=False,
            force_polling=on_network_share(place) if polling is None else polling,
            poll_delay_ms=LOOK_MS,
        ):
            self._look()

    def _look(self) -> None:
        for name in sorted(glob.glob(  # noqa: PTH207 - relative names are wanted
                self.source.address, root_dir=self.folder, recursive=True)):
            if (self.folder / name).is_file():
                self._read(name)

    def _read(self, name: str) -> None:
        """Hand over the whole lines that were added to one file."""
        with (self.folder / name).open("rb") as file:
            head = file.readline(BLOCK)
            if not head.endswith(b"\n"):
                return
            digest = hashlib.sha256(head).hexdigest()[:16]
            before, offset = self._read_to.get(name, (digest, 0))
            if before != digest or os.fstat(file.fileno()).st_size < offset:
                offset = 0  # another file under the same name
            file.seek(offset)
            while block := file.read(BLOCK):
                end = block.rfind(b"\n") + 1
                if not end and len(block) < BLOCK:
                    return  # the line is still being written
                whole = block[:end] if end else block + file.readline()
                for line in whole.splitlines(keepends=True):
                    if not self._hand_over(name, digest, offset, line):
                        return
                    offset += len(line)
                    self._read_to[name] = (digest, offset)
                file.seek(offset)

    def _hand_over(self, name: str, digest: str, offset: int, line: bytes) -> bool:
        facts: dict[str, Any] = {"head": digest, "end": offset + len(line)}
        if not self._caught_up:
            facts["late"] = True
        return not line.strip() or self.hearing.inbox.put(Arrival(
            datetime.now(UTC), name, line.rstrip(b"\r\n"), facts, identity=f"{digest}-{offset}"))


def read_positions(folder: Path) -> dict[str, Position]:
    """How far each file was read: what was kept of it, and what the journal holds beyond."""
    try:
        told = json.loads((folder / POSITIONS_NAME).read_text(encoding="utf-8"))
        positions = {str(name): (str(head), int(end)) for name, (head, end) in told.items()}
    except (OSError, ValueError, TypeError, AttributeError):
        positions = {}
    for row in Journal(folder).tail():
        if "end" in row and "head" in row:
            positions[row["topic"]] = (row["head"], row["end"])
    return positions


def _folder_above(pattern: Path) -> Path:
    """The deepest folder above a pattern that has no wildcard in it and is there."""
    place = pattern.parent
    while glob.has_magic(str(place)) or not place.is_dir():
        place = place.parent
    return place


def on_network_share(place: Path) -> bool:
    """Whether a folder lies on a network share, as far as the system tells (Linux)."""
    try:
        mounts = Path("/proc/self/mounts").read_text(encoding="utf-8").splitlines()
    except OSError:
        return False
    best, kind = "", ""
    real = f"{place.resolve()}/"
    for mount in mounts:
        _, where, what, *_ = [*mount.replace("\\040", " ").split(" "), "", "", ""]
        if real.startswith(where.rstrip("/") + "/") and len(where) >= len(best):
            best, kind = where, what
    return kind.startswith(NETWORK_SHARES)
