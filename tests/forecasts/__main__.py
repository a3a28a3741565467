"""``python -m tests.forecasts``: hold stated intervals of remaining life against known futures."""

from __future__ import annotations

import argparse
import os
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

# One thread to a process: the worlds are what runs side by side.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "POLARS_MAX_THREADS"):
    os.environ.setdefault(_name, "1")

from tests.forecasts.judge import Judged, judge, table, together  # noqa: E402
from tests.forecasts.worlds import BEYOND, STILL, WORLDS, World  # noqa: E402

BEGIN, END = "<!-- measured -->", "<!-- end -->"


def _one(work: tuple[World, int, int, int]) -> Judged:
    world, venues, locks, seed = work
    return together(world.name, [judge(world, locks, seed + i) for i in range(venues)])


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.forecasts", description=__doc__)
    parser.add_argument("--locks", type=int, default=250, help="locks a venue (default 250)")
    parser.add_argument("--venues", type=int, default=1,
                        help="venues a world, each by its own seed (default 1)")
    parser.add_argument("--seed", type=int, default=1000, help="of the chance (default 1000)")
    parser.add_argument("--workers", type=int, default=1, help="processes (default 1)")
    parser.add_argument("--page", type=Path, help="put the table into this page")
    parser.add_argument("--only", nargs="*", help="names of the worlds (default all)")
    given = parser.parse_args()
    groups = [[w for w in group if given.only is None or w.name in given.only]
              for group in (WORLDS, BEYOND, STILL)]
    work = [(world, given.venues, given.locks, given.seed) for group in groups for world in group]
    with ProcessPoolExecutor(given.workers) as pool:
        judged = []
        for one in pool.map(_one, work):
            judged.append(one)
            print(f"{one.world}: {one.place.size} of {one.locks}", file=sys.stderr)
    now = iter(judged)
    wearing, beyond, still = ([next(now) for _ in group] for group in groups)
    parts = [f"Written by `python -m tests.forecasts --venues {given.venues} --locks {given.locks} "
             f"--seed {given.seed}`."]
    parts += [table(group) for group in (wearing, beyond) if group]
    parts += ["Dates given to locks that do not wear:",
              "\n".join(f"- {one.world}: {one.place.size} of {one.locks}" for one in still)]
    found = "\n\n".join(parts)
    print(found)
    if given.page:
        text = given.page.read_text(encoding="utf-8")
        head, rest = text.split(BEGIN, 1)
        given.page.write_text(
            f"{head}{BEGIN}\n\n{found}\n\n{END}{rest.split(END, 1)[1]}", encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
