"""A second process of our own that works on tasks while this one goes on.

It is started by its command line and spoken to over its two pipes. (The standard library's
pools load the program that started them a second time, which nobody who calls this
from a script of theirs expects.) It ends when this process does, however that ends. If it
is lost on the way, or cannot be started, its tasks are still here to be done: what it
would have to say of that is of no use to anybody.
"""

from __future__ import annotations

import contextlib
import json
import os
import pickle
import queue
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from typing import IO, Any, Generic, TypeVar

Task = TypeVar("Task")
Result = TypeVar("Result")

_START = ("import json, sys; sys.path[:] = json.loads(sys.argv[1]); "
          "from remanence.pipelines.derive.beside import serve; serve()")
_SIZE = 8
"""Bytes before each message that tell how long it is."""
_PIPE = 1 << 20
_WAIT_S = 5.0


class LostError(Exception):
    """The second process has ended, or could not do a task."""


class Beside(Generic[Task, Result]):
    """The second process, as seen from the first.

    Parameters
    ----------
    make : callable
        A function of a module. Called there with ``args``, it gives what does the tasks.
    args
        What that needs; like tasks and results, anything that can be pickled.

    Raises
    ------
    LostError
        It cannot be started.
    """

    def __init__(self, make: Callable[..., Callable[[Task], Result]], *args: Any) -> None:
        self.waiting = 0
        """Tasks that are not done yet."""
        if not sys.executable or getattr(sys, "frozen", False):
            raise LostError
        try:
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-c", _START, json.dumps(sys.path)],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
        except OSError as error:
            raise LostError from error
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._into, self._outof = self._process.stdin, self._process.stdout
        for pipe in (self._into, self._outof):
            _widen(pipe)
        self._answers: queue.Queue[bytes | None] = queue.Queue()
        self._thread = threading.Thread(
            target=_receive, args=(self._outof, self._answers), name="beside", daemon=True)
        self._thread.start()
        try:
            _send(self._into, (make, args))
        except OSError as error:
            self.close()
            raise LostError from error

    def send(self, task: Task) -> None:
        """Hand over a task.

        Raises
        ------
        LostError
            The second process has ended.
        """
        try:
            _send(self._into, task)
        except OSError as error:
            raise LostError from error
        self.waiting += 1

    def done(self) -> bool:
        """Whether the earliest task waited for is done, or will never be."""
        return not self._answers.empty()

    def take(self) -> Result:
        """The result of the earliest task that was not taken yet.

        Raises
        ------
        LostError
            The second process has ended, or the task failed there.
        """
        answer = self._answers.get()
        if answer is None:
            self._answers.put(None)
            raise LostError
        self.waiting -= 1
        good, result = pickle.loads(answer)
        if not good:
            raise LostError
        return result  # type: ignore[no-any-return]

    def close(self) -> None:
        """End it."""
        with contextlib.suppress(OSError):
            self._into.close()
        try:
            self._process.wait(0 if self.waiting else _WAIT_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._thread.join()
        self._outof.close()


def serve() -> None:
    """What the second process does: tasks in the order in which they come, until there are none."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the first process says when to stop
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # what a library may print is no answer
    tasks: queue.Queue[bytes | None] = queue.Queue()
    # (Read at once, so that the first process never waits to get rid of a task.)
    threading.Thread(target=_receive, args=(sys.stdin.buffer, tasks), daemon=True).start()
    first = tasks.get()
    if first is None:
        return
    make, args = pickle.loads(first)
    work = make(*args)
    while (task := tasks.get()) is not None:
        try:
            answer = True, work(pickle.loads(task))
        except Exception:  # the first process meets it as well, and has the words for it
            answer = False, None
        try:
            _send(answers, answer)
        except OSError:  # nobody waits for it any more
            os._exit(1)


def _widen(pipe: IO[bytes]) -> None:
    """Let a pipe hold a whole message, where the system has a way to ask for that.

    Who writes more than it holds waits for the reader, who may be busy for a while.
    """
    with contextlib.suppress(ImportError, AttributeError, OSError):
        import fcntl

        fcntl.fcntl(pipe.fileno(), fcntl.F_SETPIPE_SZ, _PIPE)


def _send(into: IO[bytes], thing: object) -> None:
    message = pickle.dumps(thing, protocol=pickle.HIGHEST_PROTOCOL)
    into.write(len(message).to_bytes(_SIZE, "little"))
    into.write(message)
    into.flush()


def _receive(outof: IO[bytes], into: queue.Queue[bytes | None]) -> None:
    """Put all messages into a queue, and None once there will be no more."""
    with contextlib.suppress(OSError, ValueError):
        while len(size := outof.read(_SIZE)) == _SIZE:
            length = int.from_bytes(size, "little")
            message = outof.read(length)
            if len(message) < length:
                break
            into.put(message)
    into.put(None)
