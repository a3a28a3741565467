"""A Dask cluster of real processes, whose workers are started again when they die.

Dask's own nanny gives up for good where a worker dies before it has said that it was started, as
it does on a busy machine. Whoever runs a cluster has its workers started again, and so does this.
"""

from __future__ import annotations

import contextlib
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator

from distributed import Client

from tests.pipelines.ingest.log_examples import ROOT


class Cluster:
    """A scheduler, and workers of one thread each, without a nanny."""

    def __init__(self) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        self.address = f"tcp://127.0.0.1:{port}"
        self.running: list[subprocess.Popen[bytes]] = []
        self.ended = threading.Event()
        self.scheduler = self._start("dask_scheduler", "--host", "127.0.0.1", "--port", str(port),
                                     "--no-dashboard", "--no-show")

    def _start(self, module: str, *words: str) -> subprocess.Popen[bytes]:
        begun = subprocess.Popen([sys.executable, "-m", f"distributed.cli.{module}", *words],
                                 cwd=ROOT, stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
        self.running.append(begun)
        return begun

    def keep_a_worker(self, starts: int) -> None:
        """Have a worker, started again so often when it dies."""
        def keep() -> None:
            for _ in range(starts):
                if self.ended.is_set():
                    return
                self._start("dask_worker", self.address, "--no-nanny", "--nthreads", "1",
                            "--no-dashboard", "--death-timeout", "60").wait()
        threading.Thread(target=keep, daemon=True).start()

    def end(self) -> None:
        """End all of its processes."""
        self.ended.set()
        for begun in [*self.running, *self.running]:
            begun.kill()
            begun.wait()


@contextlib.contextmanager
def cluster(workers: int, starts: int = 100) -> Iterator[Cluster]:
    """A cluster for as long as it is looked at."""
    made = Cluster()
    try:
        for _ in range(workers):
            made.keep_a_worker(starts)
        with Client(made.address, timeout=120, set_as_default=False) as client:
            client.wait_for_workers(workers, timeout=120)
        yield made
    finally:
        made.end()
