"""Work out the next items of a series in a thread of their own while the last ones are used."""

from __future__ import annotations

import queue
import threading
from collections.abc import Generator
from typing import TypeVar

T = TypeVar("T")

_POLL_S = 0.2


def prefetch(items: Generator[T, None, None], depth: int = 2) -> Generator[T, None, None]:
    """The items of a generator, in order, worked out up to ``depth`` ahead.

    An error of the generator comes up where its item would have; the generator is
    closed when the caller stops early.
    """
    made: queue.Queue[tuple[list[T], BaseException | None]] = queue.Queue(depth)
    stop = threading.Event()

    def put(entry: tuple[list[T], BaseException | None]) -> None:
        while not stop.is_set():
            try:
                made.put(entry, timeout=_POLL_S)
            except queue.Full:
                continue
            return

    def work() -> None:
        try:
            for item in items:
                put(([item], None))
                if stop.is_set():
                    break
            put(([], None))
        except BaseException as error:  # handed on to the caller, whatever it is
            put(([], error))
        finally:
            items.close()

    thread = threading.Thread(target=work, name="read-ahead", daemon=True)
    thread.start()
    try:
        while True:
            found, error = made.get()
            if error is not None:
                raise error
            if not found:
                return
            yield found[0]
    finally:
        stop.set()
        thread.join()
