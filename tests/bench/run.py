"""Measure all contestants in one run and print them as ratios to the bare scan.

    python -m tests.bench.run dense --repeat 3
    python -m tests.bench.run dense sparse 50Hz 200Hz 1kHz --only scan this

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

from tests.bench.build import LOGS

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


def table(found: dict[str, dict[str, Any]]) -> str:
    """The figures as a table."""
    lines = ["| | processor [s] | times the scan | wall [s] | peak [MB] | rows |",
             "| --- | --- | --- | --- | --- | --- |"]
    base = found["scan"]["processor_seconds"] if "scan" in found else float("nan")
    for name, run in found.items():
        used = run["processor_seconds"]
        lines.append(f"| {name} | {used:.2f} | {used / base:.1f} | {run['seconds']:.2f} | "
                     f"{run['peak_mb']:.0f} | {run['rows']} |")
    return "\n".join(lines)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("logs", nargs="*", default=["dense"], choices=sorted(LOGS))
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--only", nargs="*", default=[
        "scan", "this", "this-main", "duckdb", "duckdb-hours", "polars", "polars-hours"])
    arguments = parser.parse_args()
    for log in arguments.logs:
        home = LOGS[log].build()
        runs: dict[str, list[dict[str, Any]]] = {name: [] for name in arguments.only}
        for _ in range(arguments.repeat):
            for name, so_far in runs.items():
                so_far.append(measure(name, home))
        records = int((home / "complete").read_text())
        print(f"{log}: {LOGS[log]}, {records:,} records; {platform.machine()}, "
              f"{os.cpu_count()} processors, load {os.getloadavg()[0]:.1f}\n")
        print(table({name: best(of_name) for name, of_name in runs.items()}), "\n", flush=True)
