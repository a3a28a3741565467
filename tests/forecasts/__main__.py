"""``python -m tests.forecasts``: hold stated intervals of remaining life against known futures."""

from __future__ import annotations

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor

from tests.forecasts.judge import Judged, judge, table
from tests.forecasts.worlds import STILL, WORLDS, World


def _one(work: tuple[World, int, int]) -> Judged:
    return judge(*work)


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.forecasts", description=__doc__)
    parser.add_argument("--locks", type=int, default=250, help="locks a world (default 250)")
    parser.add_argument("--seed", type=int, default=1000, help="of the chance (default 1000)")
    parser.add_argument("--workers", type=int, default=1, help="processes (default 1)")
    given = parser.parse_args()
    work = [(world, given.locks, given.seed) for world in (*WORLDS, *STILL)]
    with ProcessPoolExecutor(given.workers) as pool:
        judged = []
        for one in pool.map(_one, work):
            judged.append(one)
            print(f"{one.world}: {one.place.size} of {one.locks}", file=sys.stderr)
    wearing, still = judged[: len(WORLDS)], judged[len(WORLDS):]
    print(table(wearing))
    print("\nDates given to locks that do not wear:")
    for one in still:
        print(f"- {one.world}: {one.place.size} of {one.locks}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
