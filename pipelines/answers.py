"""What a command answers to a program: one JSON object instead of lines for people.

Every answer has ``command``, ``exit_status`` and ``says``, the lines that a person would have
read. Beside them stands what the command tells in figures.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from remanence.pipelines.say import say

SILENT = ("demo", "completion", "schema", "serve")
"""Commands that answer no question: they take their time, run on, or print a script."""


def answered(words: argparse.Namespace, run: Callable[[argparse.Namespace], int]) -> int:
    """Run a command and print its answer as one JSON object.

    Parameters
    ----------
    words : argparse.Namespace
        The command's words; a command leaves there, as ``outcome``, what it made.
    run : function
        The command.

    Returns
    -------
    int
        The exit status.
    """
    heard = io.StringIO()
    with contextlib.redirect_stdout(heard):
        status = run(words)
    said = [line for line in heard.getvalue().splitlines() if line.strip()]
    answer = {"command": words.command, "exit_status": status, "says": said,
              **_figures(words.command, vars(words).get("outcome"))}
    say(json.dumps(answer, indent=1, ensure_ascii=False, allow_nan=False, default=str), wrap=False)
    return status


def _figures(command: str, outcome: Any) -> dict[str, Any]:
    """What a command made, in the form that files of the same content have."""
    from remanence.pipelines.sheets import SheetOutcome, all_sheets

    data = {sheet.name: sheet.data for sheet in all_sheets()}
    if isinstance(outcome, SheetOutcome):
        return _sheet(outcome, data[command])
    if command == "weekly" and outcome is not None:
        return {"sheets": {name: _sheet(one, data[name]) for name, one in outcome.sheets.items()},
                "faults": list(outcome.faults)}
    return dict(outcome) if isinstance(outcome, Mapping) else {}


def _sheet(outcome: Any, data: str) -> dict[str, Any]:
    made: dict[str, Any] = {"page": str(outcome.front_page), "faults": list(outcome.faults)}
    with contextlib.suppress(OSError, ValueError):  # A disk that took nothing is told in faults.
        made |= json.loads(Path(outcome.folder, data).read_text("utf-8"))
    return made
