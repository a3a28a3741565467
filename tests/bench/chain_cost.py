"""What a chain costs beyond its venues' own work, and how much memory a worker needs.

    python -m tests.bench.chain_cost --venues 4 16 64 --jobs 1 2

Each venue is the demo's, reduced to a few weeks, under an id of its own. A run is a process of its
own. Overhead is the processor time of all processes beyond what the venues' own tasks used; both
are processor time of one run, so what else the machine does falls on neither. The wall time is told
too, and means something on an idle machine alone. At the end stands what that comes to on paper for
500 venues and ten years.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
PAPER_VENUES, PAPER_YEARS, WEEKS_A_YEAR = 500, 10, 52.18
SCRIPT = """
import json, resource, sys, time
from functools import partial
import remanence.pipelines.chain.workers as workers
from tests.bench.chain_cost import measured
workers.by_processes = partial(workers.by_processes, work=measured)
if __name__ == "__main__":
    from remanence.pipelines.chain import run_chain
    began = time.perf_counter()
    outcome = run_chain(sys.argv[1], jobs=int(sys.argv[2]), say=lambda line: None)
    assert not outcome.faults, outcome.faults
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    print(json.dumps({"wall": time.perf_counter() - began,
                      "processor": sum(of.ru_utime + of.ru_stime for of in used),
                      "parent": used[0].ru_utime + used[0].ru_stime,
                      "parent_mb": used[0].ru_maxrss / 1024}))
"""
NOTES = "measured.jsonl"
_begun: set[int] = set()
"""The process itself, once it has done a venue."""


def measured(task: Any) -> Any:
    """Do one venue, and write down what it used beside its file."""
    import resource

    from remanence.pipelines.chain.task import run_venue

    before = resource.getrusage(resource.RUSAGE_SELF)
    first = os.getpid() not in _begun
    _begun.add(os.getpid())
    done = run_venue(task)
    after = resource.getrusage(resource.RUSAGE_SELF)
    with (Path(task.path).parents[1] / NOTES).open("a", encoding="utf-8") as notes:
        notes.write(json.dumps({
            "pid": os.getpid(), "start": before.ru_utime + before.ru_stime if first else 0.0,
            "processor": after.ru_utime + after.ru_stime
            - before.ru_utime - before.ru_stime, "peak_mb": after.ru_maxrss / 1024}) + "\n")
    return done


def make_chain(pattern: Path, folder: Path, venues: int) -> None:
    """So many venues, each with the pattern's logs under an id of its own."""
    for number in range(venues):
        home = folder / f"venue-{number:03d}"
        (home / "logs").mkdir(parents=True)
        for log in (pattern / "logs").iterdir():
            os.link(log, home / "logs" / log.name)
        shutil.copy(pattern / "service.csv", home / "service.csv")
        text = (pattern / "venue.toml").read_text(encoding="utf-8")
        (home / "venue.toml").write_text(
            text.replace('id = "clockmaker"', f'id = "venue-{number:03d}"', 1), encoding="utf-8")
    (folder / "chain.toml").write_text('venues = ["*/venue.toml"]\n', encoding="utf-8")


def measure(pattern: Path, venues: int, jobs: int) -> dict[str, Any]:
    """One run."""
    with tempfile.TemporaryDirectory(prefix="chain-") as name:
        folder = Path(name)
        make_chain(pattern, folder, venues)
        script = folder / "script.py"
        script.write_text(SCRIPT, encoding="utf-8")
        done = subprocess.run(
            [sys.executable, str(script), str(folder), str(jobs)], cwd=ROOT, check=True,
            capture_output=True, text=True, env={**os.environ, "PYTHONPATH": str(ROOT)})
        found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
        notes = [json.loads(line) for line in (folder / NOTES).read_text("utf-8").splitlines()]
        tasks = sum(note["processor"] for note in notes)
        quarter = max(1, len(notes) // 4)
        stored = sum(path.stat().st_size for path in folder.glob("venue-000/store/**/*")
                     if path.is_file())
        files = sum(path.is_file() for path in folder.glob("venue-000/store/**/*"))
        return {
            "venues": venues, "jobs": jobs, **found, "tasks": tasks,
            "starts": sum(note["start"] for note in notes),
            "overhead_percent": 100 * (found["processor"] - tasks) / tasks,
            "a_venue": tasks / venues, "workers": len({note["pid"] for note in notes}),
            "worker_mb_first": max(note["peak_mb"] for note in notes[:quarter]),
            "worker_mb_last": max(note["peak_mb"] for note in notes[-quarter:]),
            "store_mb": stored / 1e6, "store_files": files,
        }


def table(rows: list[dict[str, Any]]) -> str:
    """The runs as a table."""
    heads = ("venues", "jobs", "wall", "processor", "tasks", "overhead_percent", "parent", "starts",
             "workers",
             "worker_mb_first", "worker_mb_last", "parent_mb")
    lines = ["| " + " | ".join(heads) + " |", "|" + " --- |" * len(heads)]
    lines += ["| " + " | ".join(f"{row[head]:.4g}" for head in heads) + " |" for row in rows]
    return "\n".join(lines)


def on_paper(rows: list[dict[str, Any]], weeks: int) -> str:
    """What the last run comes to for many venues and years: a first taking in, then week by week.

    The cost of a week is taken as the whole of what was measured, which is the cost of the first
    run over ``weeks`` weeks: more than a later week costs (see weekly_cost).
    """
    last = rows[-1]
    hours = PAPER_VENUES * last["a_venue"] * (1 + last["overhead_percent"] / 100) / 3600
    disk = last["store_mb"] / weeks * WEEKS_A_YEAR * PAPER_YEARS * PAPER_VENUES / 1e6
    memory = last["jobs"] * max(last["worker_mb_first"], last["worker_mb_last"])
    return (f"{PAPER_VENUES} venues: {hours:.1f} h of processor time a run, {hours / 8:.1f} h on 8 "
            f"cores; memory {memory:,.0f} MB with {last['jobs']} workers, and beside them "
            f"{last['parent_mb']:.0f} MB; stores of {PAPER_YEARS} years {disk:.2f} TB, a venue "
            f"{last['store_files']} files after {weeks} weeks.")


if __name__ == "__main__":
    # (Not above: the workers load this file, and what it loads would count as theirs.)
    from remanence.sample_data.generate import write_demo

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--venues", type=int, nargs="*", default=[4, 16, 64])
    parser.add_argument("--jobs", type=int, nargs="*", default=[1, 2])
    parser.add_argument("--weeks", type=int, default=4, help="of log in each venue")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="chain-pattern-") as place:
        write_demo(Path(place), weeks=arguments.weeks)
        measurements = []
        for venues in arguments.venues:
            for jobs in arguments.jobs:
                measurements.append(measure(Path(place), venues, jobs))
                print(table(measurements[-1:]).splitlines()[-1], flush=True)
    print(table(measurements))
    print(on_paper(measurements, arguments.weeks))
