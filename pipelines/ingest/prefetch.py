"""Work out the next items of a series in a thread of their own while the last ones are used."""

from __future__ import annotations

import queue
import threading
from collections.abc import Generator, Iterator
from typing import Generic, TypeVar

T = TypeVar("T")

_POLL_S = 0.2


class Prefetch(Generic[T]):
    """The items of a generator, in order, worked out up to ``depth`` ahead, beginning at once.

    An error of the generator comes up where its item would have; the generator is
    closed when the caller stops early (:meth:`close`).
    """

    def __init__(
        self, items: Generator[T, None, None], depth: int = 2, after: Prefetch[T] | None = None
    ) -> None:
        """``after``: a series before this one; nothing is worked out until all of it is."""
        self._items = items
        self._made: queue.Queue[tuple[list[T], BaseException | None]] = queue.Queue(depth)
        self._stop = threading.Event()
        self._over = threading.Event()
        self._thread = threading.Thread(
            target=self._work, args=(after._over if after else None,), name="read-ahead",
            daemon=True)
        self._thread.start()

    def __iter__(self) -> Iterator[T]:
        return self

    def __next__(self) -> T:
        if self._stop.is_set():
            raise StopIteration
        found, error = self._made.get()
        if found:
            return found[0]
        self.close()
        if error is not None:
            raise error
        raise StopIteration

    def close(self) -> None:
        """Want no further item; nothing is left running."""
        self._stop.set()
        self._thread.join()

    def _work(self, before: threading.Event | None) -> None:
        while before is not None and not before.wait(_POLL_S):
            if self._stop.is_set():
                return
        try:
            for item in self._items:
                self._put(([item], None))
                if self._stop.is_set():
                    break
            # (What comes after may begin before the last items of this series are used.)
            self._items.close()
            self._over.set()
            self._put(([], None))
        except BaseException as error:  # handed on to the caller, whatever it is
            self._over.set()
            self._put(([], error))
        finally:
            self._items.close()
            self._over.set()

    def _put(self, entry: tuple[list[T], BaseException | None]) -> None:
        while not self._stop.is_set():
            try:
                self._made.put(entry, timeout=_POLL_S)
            except queue.Full:
                continue
            return
