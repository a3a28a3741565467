"""Run by fault_cases.py, with faults.so preloaded: one command a fault, each in a child.

Reads cases as JSON, a line each, and answers each with what came of it. It never uses Polars
itself, whose threads would not live through a fork.
"""

from __future__ import annotations

import contextlib
import ctypes
import gc
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
from typing import Any

import jinja2.ext
import xlsxwriter

import remanence.pipelines.chain.workers
from remanence.dashboards.page import environment, language
from remanence.pipelines.chain.task import run_venue
from remanence.pipelines.commands import build_parser, main

ROOMS = [importlib.import_module(f"remanence.{room}")
         for room in ("analytics", "dashboards", "pipelines", "shared")]
LOADED = [jinja2.ext, xlsxwriter, *(
    importlib.import_module(module.name) for room in ROOMS
    for module in pkgutil.walk_packages(room.__path__, f"{room.__name__}."))]
"""A child finds everything loaded, and is done in a tenth of a second."""

SHIM = ctypes.CDLL(None)
LONGEST_S = 600
"""By the clock on the wall: a busy machine gives a child little of its time."""


def make_ready() -> None:
    """Do once what every child would do for itself: templates, words, numbers of a language."""
    for name in environment().list_templates():
        environment().get_template(name)
    words = language("en")
    words.number(1234.5, 1)
    words.week_span(importlib.import_module("remanence.shared.weeks").Week(2026, 47))
    build_parser()
    gc.collect()
    gc.freeze()


def here(tasks: Any, *_: Any, **__: Any) -> Any:
    """A chain's venues without processes of their own, in which no fault would be met."""
    for number, task in enumerate(tasks):
        yield number, run_venue(task)


def prepare(folder: Path, how: str | None) -> None:
    """Make of the venue what a command is to find (see ``PREPARED``)."""
    if how == "told":
        with (folder / "venue.toml").open("a", encoding="utf-8") as venue:
            venue.write('[[tell]]\nkind = "webhook"\naddress = "http://127.0.0.1:9/"\n')
    if how == "done":
        for log in sorted((folder / "logs").glob("*.csv"))[7:]:
            log.rename(log.with_suffix(".later"))
    if how != "damaged":
        return
    store = folder / "store"
    for pattern in ("signals/2026-11/levels-*", "derived/actuations/*"):
        path = max(store.glob(pattern))
        path.write_bytes(path.read_bytes()[:-9] + b"x" * 9)


def run(case: dict[str, Any], folder: Path, out: Path) -> None:
    """In the child: one command with its fault, what it said, and how it ended."""
    said = io.StringIO()
    SHIM.fault_arm(str(folder).encode(), case["nth"], case["kind"], case["stay"],
                   case["writes_only"])
    status: int | str
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
    remanence.pipelines.chain.workers.by_processes = here
    make_ready()
    for line in sys.stdin:
        case = json.loads(line)
        folder, out = work / "house", work / "out.json"
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(whole, folder)
        prepare(folder, case["prepared"])
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
