"""``python -m remanence`` is the command ``remanence``."""

import atexit
import gc
import sys

from remanence.pipelines.commands import main


def run() -> int:
    """Run the command that this process was begun for; the process ends with its status."""
    # All memory goes back at once: to look through it for what is in use costs up to half a second.
    atexit.register(gc.freeze)
    return main()


if __name__ == "__main__":
    sys.exit(run())
