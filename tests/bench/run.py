"""Measure all contestants in one run and print them as ratios to the bare scan.

    python -m tests.bench.run --days 31 --repeat 3

Each repeat runs every contestant once, in turn, in a process of its own, so that
what else the machine does falls on all of them; the best of the repeats counts.
Processor time says more than wall time where the machine is not idle.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
from pathlib import Path
from typing import Any

from tests.bench.build import build

ROOT = Path(__file__).parents[2]


def measure(name: str, folder: Path, days: int | None = None) -> dict[str, Any]:
    """One contestant once, in a process of its own."""
    command = [sys.executable, "-m", "tests.bench.contestants", name, str(folder)]
    if days is not None:
        command += ["--days", str(days)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return found


def best(runs: list[dict[str, Any]]) -> dict[str, Any]:
    """The smallest of each figure."""
    return {key: min(run[key] for run in runs) if key != "name" else runs[0]["name"]
            for key in runs[0]}


def table(found: dict[str, dict[str, Any]], scaled: dict[str, float]) -> str:
    """The figures as a table, times scaled up for those that ran on fewer days."""
    lines = ["| | wall [s] | times the scan | processor [s] | times the scan | peak [MB] | rows |",
             "| --- | --- | --- | --- | --- | --- | --- |"]
    base = found["scan"]
    for name, run in found.items():
        factor = scaled.get(name, 1.0)
        wall, used = run["seconds"] * factor, run["processor_seconds"] * factor
        note = f" (measured on 1/{factor:.1f} of the days)" if factor != 1 else ""
        lines.append(
            f"| {name}{note} | {wall:.2f} | {wall / base['seconds']:.1f} | {used:.2f} | "
            f"{used / base['processor_seconds']:.1f} | {run['peak_mb']:.0f} | {run['rows']} |")
    return "\n".join(lines)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=31)
    parser.add_argument("--idle-hz", type=float, default=1.0)
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--notebook-days", type=int, default=4,
                        help="the notebook takes so long that it gets only so many days")
    parser.add_argument("--only", nargs="*", default=["scan", "this", "duckdb", "notebook"])
    arguments = parser.parse_args()
    home = build(arguments.days, arguments.idle_hz)
    runs: dict[str, list[dict[str, Any]]] = {name: [] for name in arguments.only}
    for _ in range(arguments.repeat):
        for name, so_far in runs.items():
            if name == "notebook" and so_far:
                continue
            so_far.append(measure(
                name, home, min(arguments.notebook_days, arguments.days)
                if name == "notebook" else None))
    results = {name: best(of_name) for name, of_name in runs.items()}
    records = (home / "complete").read_text().strip()
    print(f"{arguments.days} days, {int(records):,} records; {platform.machine()}, "
          f"{os.cpu_count()} processors, load {os.getloadavg()[0]:.1f}\n")
    print(table(results, {"notebook": arguments.days / min(
        arguments.notebook_days, arguments.days)}))
