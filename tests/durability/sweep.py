"""Every fault at every call of every command, on all cores; what broke is told at the end.

    python -m tests.durability.sweep [COMMAND ...] [--jobs 2] [--minutes 20]

Exit status 1 where anything broke. The cases of a command are taken in a random order, so that
those that were run when the time is up are a fair sample. A case in fifty is also gone on with: the
next weekly run, and a look at every file of the store, must find nothing amiss.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from functools import lru_cache
from pathlib import Path

from tests.durability.fault_cases import COMMANDS, Case, Sound, Worker

GONE_ON_WITH = 0.02
A_TIME = 20
"""Cases that a process takes at a time."""


@lru_cache(maxsize=1)
def _worker(work: str) -> Worker:
    """This process's own."""
    folder = Path(work) / str(os.getpid())
    folder.mkdir()
    return Worker(folder)


@lru_cache(maxsize=1)
def _sound(work: str, command: str) -> Sound:
    return Sound(_worker(work), command)


def cases_of(work: str, command: str) -> list[Case]:
    """All of a command's."""
    return list(_sound(work, command).cases())


def done(work: str, command: str, cases: list[Case]) -> tuple[str, int, int, list[str]]:
    """Run some cases: the command, how many were run and gone on with, and what broke."""
    worker, sound = _worker(work), _sound(work, command)
    rng = random.Random(f"{command} {cases[0]}")
    further, broken = 0, []
    for case in cases:
        try:
            told = worker.with_fault(command, case)
            sound.judge(worker, told, (command, *case))
            if rng.random() < GONE_ON_WITH:
                further += 1
                sound.recovered(worker)
        except Exception as error:
            broken.append(f"{command} {case}: {type(error).__name__} {error}")
    return command, len(cases), further, broken


def _parts(command: str, cases: list[Case]) -> Iterator[list[Case]]:
    mixed = random.Random(command).sample(cases, len(cases))
    for start in range(0, len(mixed), A_TIME):
        yield mixed[start:start + A_TIME]


def main() -> int:
    """Run what the command line asks for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("commands", nargs="*", metavar="COMMAND", help=", ".join(COMMANDS))
    parser.add_argument("--jobs", type=int, default=os.cpu_count())
    parser.add_argument("--minutes", type=float, default=float("inf"), help="no longer than this")
    asked = parser.parse_args()
    chosen = asked.commands or list(COMMANDS)
    # (Most of a case would else be spent waiting for the disk.)
    memory = Path("/dev/shm")
    work = tempfile.mkdtemp(prefix="sweep-", dir=memory if memory.is_dir() else None)
    began, run, further, broken = time.perf_counter(), Counter[str](), Counter[str](), []
    try:
        with ProcessPoolExecutor(asked.jobs) as pool:
            for command in chosen:
                cases = pool.submit(cases_of, work, command).result()
                futures = [pool.submit(done, work, command, part)
                           for part in _parts(command, cases)]
                for future in as_completed(futures):
                    if time.perf_counter() - began > 60 * asked.minutes:
                        for waiting in futures:
                            waiting.cancel()
                    if future.cancelled():
                        continue
                    name, count, on, wrong = future.result()
                    run[name] += count
                    further[name] += on
                    broken += wrong
                    for line in wrong:
                        print(f"BROKEN {line}", flush=True)
                print(f"{command}: {run[command]:,} of {len(cases):,} cases, {further[command]} "
                      f"gone on with, {time.perf_counter() - began:,.0f} s", flush=True)
    finally:
        shutil.rmtree(work, ignore_errors=True)
    print(f"{sum(run.values()):,} cases, {len(broken)} broken")
    return int(bool(broken))


if __name__ == "__main__":
    sys.exit(main())
