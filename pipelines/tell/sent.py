"""What was sent to whom, kept beside the store: nothing is told twice.

Before a message goes out a line says so, synced to the disk; after it, how it went. A process that
is killed in between, or a server that broke off after it had all, leaves it open whether it went
out: such a message is not sent again, and said to be open.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import IO

from remanence.pipelines.store.disk import make_folder, sync_folder
from remanence.pipelines.store.writer_lock import try_lock
from remanence.shared.errors import RemanenceError, UnwritableStoreError

FOLDER = "told"
"""Beside the store."""

GOING, SENT, FAILED, UNKNOWN = "going", "sent", "failed", "unknown"


class Sent:
    """What one target was told; open it with :func:`open_sent`."""

    def __init__(self, path: Path, file: IO[bytes]) -> None:
        self.path, self._file = path, file
        self._state: dict[str, str] = {}
        for line in file:
            try:
                entry = json.loads(line)
                for key in entry["keys"]:
                    self._state[str(key)] = str(entry["state"])
            except (ValueError, KeyError, TypeError):
                continue  # A line that a kill cut short: what it began had not gone out.

    @property
    def told(self) -> frozenset[str]:
        """Keys that are not to be sent again."""
        return frozenset(key for key, state in self._state.items() if state != FAILED)

    @property
    def unknown(self) -> tuple[str, ...]:
        """Keys of which it is not known whether they went out."""
        return tuple(key for key, state in self._state.items() if state in (GOING, UNKNOWN))

    def note(self, keys: Sequence[str], state: str, why: str = "") -> None:
        """Put down how it stands with some keys; on the disk when it returns.

        Raises
        ------
        UnwritableStoreError
            It cannot be written; nothing may go out then.
        """
        entry = {"at": datetime.now(UTC).isoformat(timespec="seconds"), "state": state,
                 "keys": list(keys), **({"why": why} if why else {})}
        try:
            start = b"" if self._is_whole() else b"\n"
            self._file.write(start + json.dumps(entry, ensure_ascii=False).encode() + b"\n")
            self._file.flush()
            os.fsync(self._file.fileno())
        except OSError as error:
            raise UnwritableStoreError(
                f"{self.path} cannot be written: {error.strerror or error}") from None
        self._state.update(dict.fromkeys(keys, state))

    def _is_whole(self) -> bool:
        size = self._file.seek(0, os.SEEK_END)
        if not size:
            return True
        self._file.seek(size - 1)
        return self._file.read(1) == b"\n"


@contextlib.contextmanager
def open_sent(store: Path, target: str) -> Iterator[Sent]:
    """What a target was told, held against everybody else who would tell it.

    Parameters
    ----------
    store : Path
        The store's folder.
    target : str
        The target's id.

    Raises
    ------
    RemanenceError
        Another run tells it just now.
    UnwritableStoreError
        It cannot be read or written.
    """
    path = store.parent / FOLDER / f"{target}.jsonl"
    try:
        make_folder(path.parent)
        new = not path.exists()
        file = path.open("a+b")
        if new:
            sync_folder(path.parent)
    except OSError as error:
        raise UnwritableStoreError(
            f"{path} cannot be written: {error.strerror or error}; nothing was sent") from None
    with file:
        if not try_lock(file.fileno()):
            raise RemanenceError(f"{path}: another run tells {target} just now")
        file.seek(0)
        yield Sent(path, file)
