"""Files that people keep too, and to which we add a line: all of it, or nothing."""

from __future__ import annotations

import contextlib
import csv
import errno
import io
import os
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import BinaryIO

from remanence.pipelines.store.disk import make_folder, sync_folder
from remanence.pipelines.store.writer_lock import held


@contextlib.contextmanager
def opened_alone(path: Path) -> Iterator[BinaryIO]:
    """The file at its beginning, open for appending, held against everybody else who adds to it.

    It is made, and its folder, where it is missing.
    """
    make_folder(path.parent)
    while True:
        with path.open("ab+", buffering=0) as file, held(file.fileno()):
            # Somebody may have put a file with a longer header in its place meanwhile.
            if path.exists() and (
                    os.fstat(file.fileno()).st_ino == path.stat().st_ino):
                file.seek(0)
                yield file
                return


def add_line(path: Path, file: BinaryIO, held_before: bytes, header: Sequence[str],
             line: str) -> None:
    """Add a line to an open file, and the header where it is empty; on the disk when it returns.

    Parameters
    ----------
    path, file
        See :func:`opened_alone`.
    held_before : bytes
        Its whole content.
    header : sequence of str
        The columns.
    line : str
        With its line break.

    Raises
    ------
    OSError
        It cannot be written; the file is as it was.
    """
    data = b"" if not held_before or held_before.endswith(b"\n") else b"\n"
    data += (b"" if held_before.strip() else csv_line(header).encode()) + line.encode()
    try:
        if file.write(data) != len(data):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        os.fsync(file.fileno())
        if not held_before:
            sync_folder(path.parent)
    except OSError:
        with contextlib.suppress(OSError):
            file.truncate(len(held_before))
        raise


def csv_line(cells: Iterable[str]) -> str:
    """A line of CSV with its line break."""
    buffer = io.StringIO()
    csv.writer(buffer, lineterminator="\n").writerow(list(cells))
    return buffer.getvalue()
