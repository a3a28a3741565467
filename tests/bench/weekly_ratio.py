"""What `remanence weekly` costs against a loop of 30 million additions, all in one run.

    python -m tests.bench.weekly_ratio --times 1 10

Measured on the demo's venue, and on the same venue several times over (:mod:`tests.bench.repeat`):
with nothing new since the run before, with everything worked out, and with one new week of log
beside half a year that is stored, which is what people wait for. Each run is a process of its own,
in turn; processor time, the best of the repeats, and the largest memory a run took. Python keeps
what it compiled, as it does for an installed program.
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

from remanence.pipelines.sheets.unchanged import NAME as UNCHANGED
from tests.bench.build import DATA
from tests.bench.repeat import repeat

ROOT = Path(__file__).parents[2]
LOOP = "total = 0\nfor number in range(30_000_000):\n    total += number\n"
WEEKLY = "from remanence.__main__ import run\nsys.argv.insert(1, 'weekly')\nrun()\n"
TOLD = """
used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
# Linux counts the memory of the process that began this one as well, but not here.
peak = next(int(line.split()[1]) for line in open("/proc/self/status") if "VmHWM" in line)
print(json.dumps([sum(of.ru_utime + of.ru_stime for of in used), peak / 1024]))
"""


def cost(script: str, *words: str) -> tuple[float, float]:
    """Processor seconds and peak memory [MB] of a script in a process of its own."""
    kept = {name: value for name, value in os.environ.items()
            if name != "PYTHONDONTWRITEBYTECODE"} | {"PYTHONPYCACHEPREFIX": str(DATA / "compiled")}
    done = subprocess.run(
        [sys.executable, "-c", f"import json, resource, sys\n{script}{TOLD}", *words], cwd=ROOT,
        check=True, capture_output=True, text=True, env=kept)
    seconds, peak = json.loads(done.stdout.splitlines()[-1])
    return seconds, peak


def week_before(home: Path, out: Path) -> Path:
    """Take the logs in, the newest last, and keep the venue as it was before that.

    Returns
    -------
    Path
        The newest log; ``out`` is as the weekly run left the venue a week before.
    """
    newest = max((home / "logs").iterdir())
    aside = newest.rename(home.parent / newest.name)
    cost(WEEKLY, str(home))
    # The store writes each file anew, so that the links keep what they hold.
    shutil.copytree(home, out, copy_function=os.link)
    aside.rename(newest)
    cost(WEEKLY, str(home))
    return newest


def new_week(before: Path, newest: Path) -> tuple[float, float]:
    """What the weekly run costs when the newest log has come."""
    with tempfile.TemporaryDirectory(dir=before.parent) as folder:
        home = Path(folder) / "venue"
        shutil.copytree(before, home, copy_function=os.link)
        os.link(newest, home / "logs" / newest.name)
        return cost(WEEKLY, str(home))


def main() -> None:
    """Measure, and print a table."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--times", type=int, nargs="+", default=[1, 10],
                       help="how many times the demo's 38 locks")
    words.add_argument("--repeat", type=int, default=2)
    words.add_argument("--demo", type=Path, help="a demo that was written before")
    given = words.parse_args()
    DATA.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory(dir=DATA) as folder:
        demo = given.demo or Path(folder) / "demo"
        if not given.demo:
            subprocess.run([sys.executable, "-m", "remanence", "demo", "--out", str(demo)],
                           cwd=ROOT, check=True, capture_output=True)
        homes = {times: repeat(demo, Path(folder) / f"{times}-times", times)
                 for times in given.times}
        newest = {home: week_before(home, home.with_name(f"{home.name}-before"))
                  for home in homes.values()}
        found: dict[str, tuple[float, float]] = {}

        def keep(name: str, new: tuple[float, float]) -> None:
            held = found.get(name, (float("inf"), 0.0))
            found[name] = min(held[0], new[0]), max(held[1], new[1])

        for _ in range(given.repeat):
            keep("loop of 30 million additions", cost(LOOP))
            for times, home in homes.items():
                keep(f"{38 * times} locks, nothing new", cost(WEEKLY, str(home)))
                (home / "store" / UNCHANGED).unlink()
                keep(f"{38 * times} locks, worked out", cost(WEEKLY, str(home)))
                keep(f"{38 * times} locks, a new week",
                     new_week(home.with_name(f"{home.name}-before"), newest[home]))
    floor = found["loop of 30 million additions"][0]
    first = found[f"{38 * given.times[0]} locks, worked out"][0]
    print("| | processor [s] | times the loop | times the first worked out | peak [MB] |\n"
          "| --- | --- | --- | --- | --- |")
    for name, (seconds, peak) in found.items():
        print(f"| {name} | {seconds:.2f} | {seconds / floor:.2f} | {seconds / first:.2f} | "
              f"{peak:.0f} |")


if __name__ == "__main__":
    main()
