"""Run from test_faults.py, with faults.so preloaded: one command a fault, each in a child.

Reads cases as JSON, a line each, and answers each with what came of it. It never uses Polars
itself, whose threads would not live through a fork.
"""

from __future__ import annotations

import contextlib
import ctypes
import importlib
import io
import json
import os
import pkgutil
import shutil
import signal
import sys
import traceback
from pathlib import Path

import jinja2.ext
import xlsxwriter

from remanence.pipelines.commands import main

ROOMS = [importlib.import_module(f"remanence.{room}")
         for room in ("analytics", "dashboards", "pipelines", "shared")]
LOADED = [jinja2.ext, xlsxwriter, *(
    importlib.import_module(module.name) for room in ROOMS
    for module in pkgutil.walk_packages(room.__path__, f"{room.__name__}."))]
"""A child finds everything loaded, and is done in a fifth of a second."""

SHIM = ctypes.CDLL(None)
LONGEST_S = 600
"""By the clock on the wall: a busy machine gives a child little of its time."""


def run(case: dict, folder: Path, out: Path) -> None:
    """In the child: one command with its fault, what it said, and how it ended."""
    said = io.StringIO()
    SHIM.fault_arm(str(folder).encode(), case["nth"], case["kind"], case["stay"],
                   case["writes_only"])
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        try:
            status = main([word.replace("VENUE", str(folder)) for word in case["words"]])
        except BaseException:
            status = "traceback"
            said.write(traceback.format_exc())
    calls = SHIM.fault_count()
    SHIM.fault_arm(b"", 0, 0, 0, 0)
    out.write_text(json.dumps({"status": status, "said": said.getvalue(), "calls": calls}))


def serve(whole: Path, work: Path) -> None:
    """Each case on a copy of a venue."""
    for line in sys.stdin:
        case = json.loads(line)
        folder, out = work / "house", work / "out.json"
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(whole, folder)
        out.unlink(missing_ok=True)
        child = os.fork()
        if not child:
            signal.alarm(LONGEST_S)  # a command that never ends is a fault of ours, and told
            try:
                run(case, folder, out)
            finally:
                os._exit(0)
        os.waitpid(child, 0)
        print(out.read_text() if out.exists() else json.dumps(
            {"status": "died", "said": "", "calls": 0}), flush=True)


if __name__ == "__main__":
    serve(Path(sys.argv[1]), Path(sys.argv[2]))
