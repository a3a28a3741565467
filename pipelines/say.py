"""What the program says: to standard output what was asked for, to standard error the rest.

All of it goes through here, for it may hold names out of logs: no control character reaches the
terminal.
"""

from __future__ import annotations

import sys

from remanence.shared.terminal import coloured, fitted, printable


def say(text: str, *, wrap: bool = True) -> None:
    """Print what was asked for; without ``wrap`` as it is, for a file that is made of it."""
    shown = printable(text)
    print(coloured(fitted(shown), sys.stdout) if wrap else shown, flush=True)


def note(text: str) -> None:
    """Tell the person at the terminal, or the system's own log, at once.

    It stays one line, which a program may look for.
    """
    print(coloured(printable(text), sys.stderr), file=sys.stderr, flush=True)
