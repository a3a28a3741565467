"""``python -m tests.orders``: hold needs and stocks against the futures of simulated venues."""

from __future__ import annotations

import argparse
import os
import sys
from concurrent.futures import ProcessPoolExecutor

# One thread to a process: the worlds are what runs side by side.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "POLARS_MAX_THREADS"):
    os.environ.setdefault(_name, "1")

from tests.orders.judge import JudgedOrders, judge_orders, orders_table  # noqa: E402
from tests.orders.worlds import ORDER_WORLDS, OrderWorld  # noqa: E402


def _one(work: tuple[OrderWorld, int, int]) -> JudgedOrders:
    return judge_orders(*work)


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.orders", description=__doc__)
    parser.add_argument("--venues", type=int, default=40, help="venues a world (default 40)")
    parser.add_argument("--seed", type=int, default=1000, help="of the chance (default 1000)")
    parser.add_argument("--workers", type=int, default=1, help="processes (default 1)")
    parser.add_argument("--only", nargs="*", help="names of the worlds (default all)")
    given = parser.parse_args()
    worlds = [w for w in ORDER_WORLDS if given.only is None or w.name in given.only]
    with ProcessPoolExecutor(given.workers) as pool:
        judged = []
        for one in pool.map(_one, [(w, given.venues, given.seed) for w in worlds]):
            judged.append(one)
            print(orders_table([one]).splitlines()[-1].replace("all together", one.world),
                  file=sys.stderr)
    print(f"Written by `python -m tests.orders --venues {given.venues} --seed {given.seed}`.\n")
    print(orders_table(judged))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
