"""The workers of a Dask cluster do the work, and no venue is waited for that nobody works on.

A cluster can forget a task: its worker dies while it takes the task, or with the result, or a
worker that died is not started again. To the one who waits this looks like a long task. So
whoever waits asks, and what no worker will do is given out again, so often and no more.
"""

from __future__ import annotations

import asyncio
import concurrent.futures
import contextlib
import logging
import time
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from remanence.pipelines.chain.task import VenueDone, VenueTask, run_venue
from remanence.pipelines.chain.workers import Numbered, Work
from remanence.shared.errors import RemanenceError

if TYPE_CHECKING:
    from distributed import Client, Future

CONNECT_S = 30.0
"""How long a scheduler may take to answer at first: it may be busy, or just be starting."""
LOOK_S = 5.0
"""How often the scheduler is asked what became of the tasks that are out."""
LOST_AFTER_S = 60.0
"""A task that no worker will do for so long is lost. A worker that takes a task, ends one or is
started again is between two states for some seconds, on a busy machine for more."""
GONE_AFTER_S = 300.0
"""So long a scheduler may be without a worker, or without an answer: as long as it takes to start
a machine anew."""
ANSWER_S = 60.0
"""How long one answer may take: twice what Dask itself waits for a worker that is not there."""

# (Each is another class in some of the versions that are allowed.)
_TIMEOUT = (TimeoutError, asyncio.TimeoutError)
_CANCELLED = (concurrent.futures.CancelledError, asyncio.CancelledError)


def by_cluster(
    tasks: Sequence[VenueTask], scheduler: str, retries: int, work: Work = run_venue
) -> Iterator[Numbered]:
    """Do the tasks on a Dask cluster, whose workers reach the venues' folders by the same paths.

    Parameters
    ----------
    tasks : sequence of VenueTask
        What is to be done.
    scheduler : str
        Address of its scheduler, like ``tcp://10.0.0.5:8786``.
    retries : int
        How often a task is tried again where that may help.
    work : callable
        What is done with each.

    Yields
    ------
    (int, VenueDone)
        The task's place and what came of it, in the order in which they end. It ends whatever
        becomes of the cluster.

    Raises
    ------
    RemanenceError
        Dask is not installed, or there is no scheduler under that address.
    """
    try:
        from distributed import Client
    except ImportError:
        raise RemanenceError("--scheduler needs Dask: install the extra chain, like "
                             'pip install "remanence-locks[chain]"') from None
    try:
        client = Client(scheduler, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise RemanenceError(f"--scheduler: no Dask scheduler answers under {scheduler}: "
                             f"{error}") from None
    run = _Run(client, tasks, retries, work)
    with _quiet():
        try:
            yield from run.ends()
        except _GoneError as error:
            for number in run.left():
                yield number, VenueDone(None, (
                    f"{error}; run the same again once that is put right",))
        finally:
            with contextlib.suppress(Exception):  # nothing is asked of it any more
                client.close(timeout=LOOK_S)


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """What becomes of a venue is told in its line, and not by Dask between the lines."""
    loggers = [logging.getLogger(name) for name in ("distributed", "distributed.client")]
    levels = [logger.level for logger in loggers]
    for logger in loggers:
        logger.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        for logger, level in zip(loggers, levels, strict=True):
            logger.setLevel(level)


class _GoneError(Exception):
    """Nobody is left to do the work."""


class _Run:
    """The tasks that are out, and those that are to go out alone."""

    def __init__(
        self, client: Client, tasks: Sequence[VenueTask], retries: int, work: Work
    ) -> None:
        self.client, self.tasks, self.retries, self.work = client, tasks, retries, work
        self.tried = dict.fromkeys(range(len(tasks)), 0)
        self.out: dict[Future, int] = {}
        self.to_be_done_alone: list[int] = []
        self.alone = False
        self.watch = _Watch(client)

    def left(self) -> list[int]:
        """The tasks of which nothing came yet."""
        return sorted([*self.out.values(), *self.to_be_done_alone])

    def ends(self) -> Iterator[Numbered]:
        """What came of each.

        Raises
        ------
        _GoneError
            Nobody is left to do the others.
        """
        for number in self.tried:
            self._give_out(number)
        while self.out or self.to_be_done_alone:
            if not self.out:
                self.alone = True
                self._give_out(self.to_be_done_alone.pop(0))
            for future in self._ended():
                yield from self._told(future, self.out.pop(future))
            for future in self.watch.lost(self.out):
                future.cancel()
                yield from self._lost(self.out.pop(future))

    def _give_out(self, number: int) -> None:
        self.out[self.client.submit(self.work, self.tasks[number], pure=False)] = number

    def _ended(self) -> list[Future]:
        from distributed import wait

        with self.client.as_current(), contextlib.suppress(*_TIMEOUT, *_CANCELLED):
            wait(list(self.out), timeout=LOOK_S, return_when="FIRST_COMPLETED")
        return [future for future in self.out
                if future.status in ("finished", "error", "cancelled")]

    def _told(self, future: Future, number: int) -> Iterator[Numbered]:
        from distributed.scheduler import KilledWorker

        try:
            done: VenueDone = future.result(timeout=ANSWER_S)
        except KilledWorker:
            # A task that waits on a worker which another one kills counts as if it had killed it.
            # So those whose workers were killed are tried once more, each alone.
            if self.alone:
                yield number, VenueDone(None, (
                    "each worker that took it was killed, maybe for lack of memory",))
            else:
                self.to_be_done_alone.append(number)
        except (*_TIMEOUT, *_CANCELLED):
            yield from self._lost(number)  # the worker died with the result, or the scheduler did
        except Exception as error:  # a worker without this program, or of another version
            yield number, VenueDone(None, (f"the worker could not do it: {error!r}; install the "
                                           "same remanence-locks on every worker",))
        else:
            if done.again and self.tried[number] < self.retries:
                self.tried[number] += 1
                self._give_out(number)
            else:
                yield number, done

    def _lost(self, number: int) -> Iterator[Numbered]:
        """The cluster does not do it: give it out again, so often and no more."""
        self.tried[number] += 1
        if self.tried[number] > self.retries:
            yield number, VenueDone(None, ("the cluster lost it each time; look at the logs of its "
                                           "workers",))
            return
        try:
            self._give_out(number)
        except Exception as error:  # a client whose scheduler is gone raises this and that
            self.to_be_done_alone.append(number)
            raise _GoneError(f"the Dask scheduler is gone ({error})") from None


class _Watch:
    """Since when nobody works on a task that is out, as far as the cluster tells."""

    def __init__(self, client: Client) -> None:
        self.client = client
        self.idle_since: dict[str, float] = {}
        self.answered = self.had_worker = self.looked = time.monotonic()

    def lost(self, out: Collection[Future]) -> list[Future]:
        """Of the tasks that are out those that no worker will do.

        Raises
        ------
        _GoneError
            There has been no answer, or no worker, for too long.
        """
        now = time.monotonic()
        if now - self.looked < LOOK_S:
            return []
        self.looked = now
        try:
            waits, at_work = self._asked("processing"), self._asked("call_stack")
        except Exception as error:  # whatever went wrong on the way, it is no answer
            if now - self.answered > GONE_AFTER_S:
                raise _GoneError("the Dask scheduler, or one of its workers, has given no answer "
                                 f"for {GONE_AFTER_S:.0f} s ({error!r})") from None
            return []
        self.answered = now
        if waits:
            self.had_worker = now
        elif now - self.had_worker > GONE_AFTER_S:
            raise _GoneError("the Dask scheduler has had no worker for "
                             f"{GONE_AFTER_S:.0f} s")
        dead = nobodys({future.key for future in out}, waits, at_work)
        self.idle_since = {key: self.idle_since.get(key, now) for key in dead} if waits else {}
        return [future for future in out
                if now - self.idle_since.get(future.key, now) > LOST_AFTER_S]

    def _asked(self, what: str) -> Mapping[str, Collection[str]]:
        # (The client's own methods of these names wait for ever.)
        found: dict[str, Any] = self.client.sync(
            getattr(self.client.scheduler, what), callback_timeout=ANSWER_S)
        return found


def nobodys(
    out: Collection[str], waits: Mapping[str, Collection[str]],
    at_work: Mapping[str, Collection[str]],
) -> set[str]:
    """The tasks that no worker does, nor will do next.

    Parameters
    ----------
    out : collection of str
        Keys of the tasks that nothing came of yet.
    waits : mapping of str to collection of str
        By worker: what the scheduler has given it.
    at_work : mapping of str to collection of str
        By worker: what it says that it does.

    Returns
    -------
    set of str
        Those given to a worker that does nothing, and, where all workers do nothing, those that
        were given to none. (While one is at work its next task may be any of these.)
    """
    busy = {worker for worker, keys in at_work.items() if keys}
    given = {key: worker for worker, keys in waits.items() for key in keys}
    return {key for key in out if (given[key] not in busy if key in given else not busy)}
