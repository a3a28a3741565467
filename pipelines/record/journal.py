"""The journal of one source: append-only JSON Lines, a file a day (UTC), synced to the disk.

A file is only ever added to. The one exception is its end after a kill or a full disk: what stands
there of a batch that was not synced, and is no whole line, is cut off before the next line.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Sequence
from itertools import groupby
from pathlib import Path
from typing import Any

from remanence.pipelines.store.disk import make_folder, sync_folder

Row = dict[str, Any]

TAIL_BYTES = 32 << 20
"""So much of the journal is read back at a start: some 100,000 messages of 300 bytes, far more
than any broker keeps unacknowledged."""


class JournalError(Exception):
    """Rows could not be brought onto the disk: how many of them could, and why not the next."""

    def __init__(self, kept: int, reason: str) -> None:
        super().__init__(reason)
        self.kept = kept


class Journal:
    """The daily files of one source; one process at a time writes them."""

    def __init__(self, folder: Path) -> None:
        """Open the journal in ``folder``, and mend the end of its newest file.

        Raises
        ------
        OSError
            The folder cannot be made or written.
        """
        self.folder = folder
        make_folder(folder)
        self._day = ""
        self._handle = -1
        self._size = 0
        newest = self._files()[-1:]
        if newest:
            self._open(newest[0].stem)

    def _files(self) -> list[Path]:
        return sorted(self.folder.glob("????-??-??.jsonl"))

    def _open(self, day: str) -> None:
        """Go on in the file of a day; what its end lacks of a whole line is cut off."""
        self.close()
        path = self.folder / f"{day}.jsonl"
        new = not path.exists()
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o644)
        try:
            self._size = whole_size(handle)
            if os.fstat(handle).st_size > self._size:
                os.ftruncate(handle, self._size)
            # What a killed recorder wrote counts as kept from here on: it must be on the disk.
            os.fsync(handle)
            if new:
                sync_folder(self.folder)
        except OSError:
            os.close(handle)
            raise
        self._day, self._handle = day, handle

    def append(self, rows: Sequence[Row]) -> None:
        """Add rows, each by the day of its ``received``; on return they are on the disk.

        Parameters
        ----------
        rows : sequence of dict
            Each has ``received``, an ISO 8601 time in UTC.

        Raises
        ------
        JournalError
            Only the first of them are; a part of the others that was written is cut off.
        """
        done = 0
        try:
            for day, group in groupby(rows, key=lambda row: str(row["received"])[:10]):
                some = list(group)
                if day > self._day or self._handle < 0:  # a clock set back stays in its file
                    self._open(max(day, self._day))
                data = b"".join(
                    json.dumps(row, ensure_ascii=False, separators=(",", ":")).encode() + b"\n"
                    for row in some)
                view = memoryview(data)
                while view:
                    view = view[os.write(self._handle, view):]
                os.fsync(self._handle)
                self._size += len(data)
                done += len(some)
        except OSError as error:
            self._cut_back()
            raise JournalError(done, error.strerror or str(error)) from None

    def _cut_back(self) -> None:
        """After a failed write: the file ends where the last synced batch ended."""
        if self._handle < 0:
            return
        try:
            os.ftruncate(self._handle, self._size)
        except OSError:
            self.close()  # the next write opens it anew, and mends its end

    def tail(self) -> Iterator[Row]:
        """The last rows, oldest first: :data:`TAIL_BYTES` of the two newest files."""
        for path in self._files()[-2:]:
            with path.open("rb") as file:
                size = file.seek(0, os.SEEK_END)
                file.seek(max(0, size - TAIL_BYTES))
                if size > TAIL_BYTES:
                    file.readline()
                for line in file:
                    row = _row(line)
                    if row is not None:
                        yield row

    def close(self) -> None:
        """Close the file; what was appended is on the disk already."""
        if self._handle >= 0:
            os.close(self._handle)
        self._handle = -1


def _row(line: bytes) -> Row | None:
    if not line.endswith(b"\n"):
        return None
    try:
        row = json.loads(line)
    except (ValueError, RecursionError):
        return None
    return row if isinstance(row, dict) and isinstance(row.get("received"), str) else None


def whole_size(handle: int) -> int:
    """Bytes of a journal file up to the end of its last line that is whole.

    A line without its end was being written when the recorder was killed; a line that is no row
    (zeros, say) is what a power cut left of one.
    """
    end = os.fstat(handle).st_size
    while end:
        start = end
        line = b""
        while start and b"\n" not in line[:-1]:
            step = min(1 << 16, start)
            start -= step
            line = os.pread(handle, step, start) + line
        line = line[line.rfind(b"\n", 0, -1) + 1:]
        if _row(line) is not None:
            return end
        end -= len(line)
    return 0
