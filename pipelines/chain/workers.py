"""Processes of this machine do the work.

A process that dies takes its venue with it. Maybe there was not memory enough for all that were at
work, so such a venue is tried again when nothing else is at work.
"""

from __future__ import annotations

import atexit
import contextlib
import gc
import multiprocessing
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from queue import SimpleQueue

from remanence.pipelines.chain.task import VenueDone, VenueTask, run_venue

Numbered = tuple[int, VenueDone]
Work = Callable[[VenueTask], VenueDone]

VENUES_A_PROCESS = 16
"""A process is replaced after so many venues, so that its memory does not grow with their number
(measured in ``tests/bench/chain_cost.py``)."""

_THREADS = ("POLARS_MAX_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS")


def by_processes(
    tasks: Sequence[VenueTask], jobs: int, retries: int, work: Work = run_venue
) -> Iterator[Numbered]:
    """Do the tasks in processes of this machine.

    Parameters
    ----------
    tasks : sequence of VenueTask
        What is to be done.
    jobs : int
        How many processes.
    retries : int
        How often a task is tried again where that may help.
    work : callable
        What is done with each.

    Yields
    ------
    (int, VenueDone)
        The task's place and what came of it, in the order in which they end.
    """
    tried = dict.fromkeys(range(len(tasks)), 0)
    waiting = list(tried)
    alone = False
    with _share_of_the_cores(jobs):
        while waiting:
            batch, waiting = (waiting[:1], waiting[1:]) if alone else (waiting, [])
            lost: list[int] = []
            for number, done in _done_by(tasks, batch, 1 if alone else jobs, work):
                if done is None:
                    lost.append(number)
                elif done.again and tried[number] < retries:
                    tried[number] += 1
                    waiting.append(number)
                else:
                    yield number, done
            if alone:
                for number in lost:
                    tried[number] += 1
                    if tried[number] > retries:
                        yield number, VenueDone(None, (
                            "its process was killed each time, maybe for lack of memory; try "
                            "fewer --jobs",))
                    else:
                        waiting.append(number)
            else:
                waiting, alone = [*waiting, *lost], bool(lost)


def _done_by(
    tasks: Sequence[VenueTask], batch: Sequence[int], jobs: int, work: Work
) -> Iterator[tuple[int, VenueDone | None]]:
    """Each task's result, or None for those whose process died."""
    processes = [_Process() for _ in range(min(jobs, len(batch)))]
    idle: SimpleQueue[_Process] = SimpleQueue()
    for process in processes:
        idle.put(process)

    def one(task: VenueTask) -> VenueDone | None:
        process = idle.get()
        try:
            return process.do(work, task)
        finally:
            idle.put(process)

    threads = ThreadPoolExecutor(len(processes), thread_name_prefix="chain")
    try:
        at_work = {threads.submit(one, tasks[number]): number for number in batch}
        for future in as_completed(at_work):
            yield at_work[future], future.result()
    finally:
        threads.shutdown(wait=True, cancel_futures=True)
        for process in processes:
            process.end()


class _Process:
    """A process that does venues one after another, with a new one in its place when it is due.

    A pool of one, and not one pool for all: such a pool tells whose process died; and one that
    replaces its processes by itself (``max_tasks_per_child``) may wait for ever when its last
    process ends (Python 3.11 to 3.14; https://github.com/python/cpython/issues/115634).
    """

    def __init__(self) -> None:
        self._pool: ProcessPoolExecutor | None = None
        self._venues = 0

    def do(self, work: Work, task: VenueTask) -> VenueDone | None:
        """What came of the task; None where the process died."""
        if self._venues == VENUES_A_PROCESS:
            self.end()
        if self._pool is None:
            self._pool = ProcessPoolExecutor(
                1, mp_context=multiprocessing.get_context("spawn"), initializer=_quiet)
        self._venues += 1
        try:
            return self._pool.submit(work, task).result()
        except BrokenProcessPool:
            self.end()
            return None

    def end(self) -> None:
        """Let the process end; the next task gets a new one."""
        if self._pool is not None:
            self._pool.shutdown()
        self._pool, self._venues = None, 0


def _quiet() -> None:
    """The progress of one venue among many tells nobody anything: a line a venue does."""
    # Python looks through all objects when it ends. Here that is a sixth of what a venue takes,
    # and nobody needs it.
    atexit.register(gc.freeze)
    sys.stderr = open(os.devnull, "w", encoding="utf-8")  # noqa: PTH123, SIM115 - for life


@contextlib.contextmanager
def _share_of_the_cores(jobs: int) -> Iterator[None]:
    """Processes that start meanwhile take their share of the cores, and not all of them each."""
    share = str(max(1, (os.cpu_count() or 1) // jobs))
    own = {name for name in _THREADS if name not in os.environ}
    os.environ.update(dict.fromkeys(own, share))
    try:
        yield
    finally:
        for name in own:
            os.environ.pop(name, None)
