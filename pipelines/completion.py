"""Scripts by which a shell completes the commands, their options and file names."""

from __future__ import annotations

import argparse

SHELLS = ("bash", "zsh", "fish")


def completion(parser: argparse.ArgumentParser, shell: str) -> str:
    """The script of a shell.

    Parameters
    ----------
    parser : argparse.ArgumentParser
        Of all commands.
    shell : str
        One of :data:`SHELLS`.
    """
    import shtab

    for sub in _parsers(parser):
        for action in sub._actions:
            if action.metavar in ("FILE", "[VENUE]"):
                action.complete = shtab.FILE  # type: ignore[attr-defined]
            elif action.metavar == "DIR":
                action.complete = shtab.DIRECTORY  # type: ignore[attr-defined]
    return str(shtab.complete(parser, shell))


def _parsers(parser: argparse.ArgumentParser) -> list[argparse.ArgumentParser]:
    groups = [action for action in parser._actions
              if isinstance(action, argparse._SubParsersAction)]
    return [parser, *(sub for group in groups for sub in group.choices.values())]
