"""Count how many situations are told right: ``python -m tests.analytics.situations``."""

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor

from tests.analytics.situations import catalogue
from tests.analytics.situations.told import SITUATIONS


def _one(job):
    name, seed = job
    try:
        return name, seed, SITUATIONS[name](seed)
    except Exception as fault:  # A crash counts as told wrongly, and is shown.
        from tests.analytics.situations.told import Told

        return name, seed, Told(wrong=(f"crashed: {type(fault).__name__}: {fault}",))


def main(arguments=None):
    """Play all of them, or those whose names begin so."""
    asked = argparse.ArgumentParser()
    asked.add_argument("names", nargs="*")
    asked.add_argument("--seeds", default="1-4")
    asked.add_argument("--jobs", type=int, default=2)
    given = asked.parse_args(arguments)
    low, _, high = given.seeds.partition("-")
    seeds = range(int(low), int(high or low) + 1)
    names = [name for name in SITUATIONS
             if not given.names or any(name.startswith(start) for start in given.names)]
    jobs = [(name, seed) for name in names for seed in seeds]
    right = dict.fromkeys(names, 0)
    with ProcessPoolExecutor(given.jobs) as pool:
        for name, seed, told in pool.map(_one, jobs):
            right[name] += told.right
            for line in (*told.wrong[:6], *(f"missed {line}" for line in told.missed)):
                print(f"  {name} {seed}: {line}")
            sys.stdout.flush()
    for name in names:
        print(f"{right[name]}/{len(seeds)} {name}")
    print(f"{sum(right.values())} of {len(jobs)}")
    return 0


if __name__ == "__main__":
    assert catalogue
    sys.exit(main())
