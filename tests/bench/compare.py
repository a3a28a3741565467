"""Compare the speed of two commits on the same data.

    python -m tests.bench.compare OLD NEW --log dense

Each commit is checked out into a temporary work tree of its own; both derive the
same store in turn, and the ratio of the best times is printed. Exit status 1 where
the new one is slower by more than ``--tolerance``.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from tests.bench.build import LOGS

ROOT = Path(__file__).parents[2]
SCRIPT = """
import json, resource as r, shutil, sys, time
from pathlib import Path
from remanence.pipelines.derive.derive import derive
from remanence.pipelines.store.store import Store
from remanence.pipelines.sheets.refresh import load_venue
venue, path = load_venue(sys.argv[1])
store = Store.open(venue, path)
shutil.rmtree(store.folder / "derived", ignore_errors=True)
def told():
    return [r.getrusage(who) for who in (r.RUSAGE_SELF, r.RUSAGE_CHILDREN)]
def used():
    return sum(of.ru_utime + of.ru_stime for of in told())
before, wall = used(), time.perf_counter()
derive(venue, path, store)
print(json.dumps({
    "code": sys.modules[derive.__module__].__file__, "seconds": time.perf_counter() - wall,
    "processor_seconds": used() - before,
    "peak_mb": sum(of.ru_maxrss for of in told()) / 1024}))
"""


def run_at(tree: Path, folder: Path) -> dict[str, Any]:
    """Derive ``folder`` with the code in ``tree``, laid out there as it is imported."""
    laid_out = tree / "build" / "types"
    if not laid_out.exists():
        subprocess.run([sys.executable, "-c", "import start; start.typed_tree()"], cwd=tree,
                       check=True)
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT, str(folder)], cwd=laid_out, check=True, capture_output=True,
        text=True, env={**os.environ, "PYTHONPATH": str(laid_out)})
    found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    # (An installed copy would be compared with itself.)
    assert found.pop("code").startswith(str(laid_out)), "another copy of the program was measured"
    return found


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("old")
    parser.add_argument("new")
    parser.add_argument("--log", default="dense", choices=sorted(LOGS))
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--tolerance", type=float, default=1.15)
    arguments = parser.parse_args()
    home = LOGS[arguments.log].build()
    with tempfile.TemporaryDirectory() as temporary:
        trees = {}
        for name in (arguments.old, arguments.new):
            trees[name] = Path(temporary) / f"tree-{len(trees)}"
            subprocess.run(["git", "worktree", "add", "--detach", str(trees[name]), name],
                           cwd=ROOT, check=True, capture_output=True)
        try:
            runs: dict[str, list[dict[str, Any]]] = {name: [] for name in trees}
            for _ in range(arguments.repeat):
                for name, tree in trees.items():
                    runs[name].append(run_at(tree, home))
        finally:
            for tree in trees.values():
                subprocess.run(["git", "worktree", "remove", "--force", str(tree)],
                               cwd=ROOT, check=False, capture_output=True)
    best = {name: {key: min(run[key] for run in of_name) for key in of_name[0]}
            for name, of_name in runs.items()}
    for name, figures in best.items():
        print(name, ", ".join(f"{key} {value:.2f}" for key, value in figures.items()))
    ratio = (best[arguments.new]["processor_seconds"]
             / best[arguments.old]["processor_seconds"])
    print(f"{arguments.new} takes {ratio:.2f} times the processor time of {arguments.old}")
    sys.exit(1 if ratio > arguments.tolerance else 0)
