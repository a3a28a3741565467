"""What the program says: to standard output what was asked for, to standard error the rest.

All of it goes through here, for it may hold names out of logs: no control character reaches the
terminal.
"""

from __future__ import annotations

import sys

from remanence.shared.terminal import printable


def say(text: str) -> None:
    """Print what was asked for."""
    print(printable(text))


def note(text: str) -> None:
    """Tell the person at the terminal, or the system's own log, at once."""
    print(printable(text), file=sys.stderr, flush=True)
