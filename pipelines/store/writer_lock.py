"""One writer at a time: a lock of the operating system, which a killed process lets go of."""

from __future__ import annotations

import contextlib
import os
import re
import time
from collections.abc import Iterator
from pathlib import Path

from remanence.pipelines.say import note
from remanence.pipelines.store.disk import make_folder
from remanence.shared.errors import StoreError, UnwritableStoreError

LOCK = ".lock"
LOCK_WAIT_S = 600.0
"""How long a writer waits for another one before it gives up."""
TELL_AFTER_S = 2.0
"""So long a wait is worth a word: a commit takes less."""


class HeldError(StoreError):
    """Another writer holds the store."""


@contextlib.contextmanager
def writer_lock(folder: Path, wait_s: float = LOCK_WAIT_S) -> Iterator[None]:
    """Hold the store for writing; the system lets go of it when the process ends, however it ends.

    Raises
    ------
    StoreError
        The folder cannot be made or written, or another writer holds it too long.
    """
    try:
        make_folder(folder)
        file = (folder / LOCK).open("a+b")
    except OSError as error:
        raise UnwritableStoreError(
            f"{folder} cannot be written: {error.strerror or error}") from None
    with file:
        began, told = time.monotonic(), False
        while not try_lock(file.fileno()):
            waited = time.monotonic() - began
            if waited > wait_s:
                raise HeldError(f"{folder} has been held by {_holder(folder)} for "
                                f"{wait_s:.0f} s; let it end, then run this again")
            if waited > TELL_AFTER_S and not told:
                told = True
                note(f"waiting for {_holder(folder)}, which writes to {folder}")
            time.sleep(0.02)
        try:
            with contextlib.suppress(OSError):  # who holds it is worth telling, and no more
                file.truncate(0)
                file.write(f"process {os.getpid()}".encode())
                file.flush()
            yield
        finally:
            _unlock(file.fileno())


@contextlib.contextmanager
def held(handle: int) -> Iterator[None]:
    """Hold an open file against others who do so too, for as long as a line takes to write."""
    while not try_lock(handle):
        time.sleep(0.02)
    try:
        yield
    finally:
        _unlock(handle)


def _holder(folder: Path) -> str:
    """Who holds the lock, as far as it said so."""
    with contextlib.suppress(OSError):
        text = (folder / LOCK).read_text("utf-8", errors="replace")
        if re.fullmatch(r"process \d+", text):
            return f"another run ({text})"
    return "another run"


try:
    import fcntl

    def try_lock(handle: int) -> bool:
        """Lock an open file; False where another process holds it."""
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True

    def _unlock(handle: int) -> None:
        fcntl.flock(handle, fcntl.LOCK_UN)
except ImportError:  # Windows
    import msvcrt

    def try_lock(handle: int) -> bool:
        """Lock an open file; False where another process holds it."""
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
        except OSError:
            return False
        return True

    def _unlock(handle: int) -> None:
        os.lseek(handle, 0, os.SEEK_SET)
        msvcrt.locking(handle, msvcrt.LK_UNLCK, 1)  # type: ignore[attr-defined]
