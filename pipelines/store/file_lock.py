"""A lock on an open file, held by one process at a time and let go when it ends."""

from __future__ import annotations

import os

try:
    import fcntl

    def try_lock(handle: int) -> bool:
        """Lock an open file for this process alone; False where another holds it."""
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True

    def unlock(handle: int) -> None:
        """Let go of the lock."""
        fcntl.flock(handle, fcntl.LOCK_UN)
except ImportError:  # Windows
    import msvcrt

    def try_lock(handle: int) -> bool:
        """Lock an open file for this process alone; False where another holds it."""
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
        except OSError:
            return False
        return True

    def unlock(handle: int) -> None:
        """Let go of the lock."""
        os.lseek(handle, 0, os.SEEK_SET)
        msvcrt.locking(handle, msvcrt.LK_UNLCK, 1)  # type: ignore[attr-defined]
