"""``python -m remanence`` is the command ``remanence``."""

import atexit
import gc
import os
import sys

from remanence.pipelines.commands import main

ALLOCATIONS_BETWEEN_LOOKS = 100_000
"""Python's own 700 has it look for circles of objects 300 times in a weekly run, a twentieth of the
run's time; there is hardly one to find."""


def run() -> int:
    """Run the command that this process was begun for; the process ends with its status."""
    # A command takes thousands of small steps in Polars, and ingest has threads of its own: further
    # ones only wait for work, which costs a tenth of a weekly run. Polars reads this when it is
    # first imported; whoever wants more threads sets their number in the environment.
    os.environ.setdefault("POLARS_MAX_THREADS", "1")
    # What Polars no longer uses goes back to the system, and is not kept for as long as that has
    # enough: with hundreds of locks some 50 MB.
    os.environ.setdefault("_RJEM_MALLOC_CONF", "muzzy_decay_ms:0")
    # All memory goes back at once: to look through it for what is in use costs up to half a second.
    atexit.register(gc.freeze)
    gc.set_threshold(ALLOCATIONS_BETWEEN_LOOKS, *gc.get_threshold()[1:])
    return main()


if __name__ == "__main__":
    sys.exit(run())
