"""Fit the numbers of a score on seeds of their own, and judge scores on others."""

import argparse
import os
import pickle
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

# One thread to a process: the venues are what runs side by side.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "POLARS_MAX_THREADS"):
    os.environ.setdefault(_name, "1")

from tests.calibration import measure  # noqa: E402

EPILOG = """\
examples:
  python -m tests.calibration --seeds 51000-51119 --fit   writes the numbers anew
  python -m tests.calibration --seeds 71000-71079         judges them
  python -m tests.calibration --seeds 81000-81079         judges them on harder venues

Seeds from 50000 to 69999 are for fitting, those from 70000 on judge, and those from 80000 on are
of harder venues, on which nothing is fitted. Played venues are kept, and what their judges found
for as long as the judges stay what they are.
"""

NUMBERS = Path(__file__).parents[2] / "analytics" / "conditions" / "calibration.py"
KEPT = Path(__file__).parents[2] / "build" / "calibration"


def rows_of(job):
    """Play one venue, or take it from its file, and tell it."""
    from tests.calibration.gather import judged
    from tests.calibration.rows import told

    return told(judged(job))


def main(arguments=None):
    """Gather, fit where asked, and judge."""
    asked = argparse.ArgumentParser(
        prog="python -m tests.calibration", epilog=EPILOG, description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--seeds", nargs="+", default=["70000-70029"],
                       help="first and last, of one stretch or several (70000-70029)")
    asked.add_argument("--keep", type=Path, default=KEPT,
                       help="folder of played venues (build/calibration)")
    asked.add_argument("--jobs", type=int, default=2, help="processes (2)")
    asked.add_argument("--fit", action="store_true", help="write the numbers of the scores anew")
    asked.add_argument("--rows", type=Path, help="write every row there, pickled")
    given = asked.parse_args(arguments)
    given.keep.mkdir(parents=True, exist_ok=True)
    seeds = []
    for stretch in given.seeds:
        low, _, high = stretch.partition("-")
        seeds += range(int(low), int(high or low) + 1)
    with ProcessPoolExecutor(given.jobs) as pool:
        rows = [row for part in pool.map(rows_of, [(seed, given.keep) for seed in seeds])
                for row in part]
    if given.rows:
        given.rows.write_bytes(pickle.dumps(rows))
    if given.fit:
        fitted = measure.fit(rows)
        text = measure.written(NUMBERS.read_text(encoding="utf-8"), fitted, " ".join(given.seeds))
        NUMBERS.write_text(text, encoding="utf-8")
        print(f"written: {NUMBERS.name}; run it again to judge what was fitted", file=sys.stderr)
    for name, some in (("all", rows), ("raised", [row for row in rows if row.urgency != "watch"])):
        for what, score in (("judges alone", [row.judged for row in some]), ("scores", None)):
            print(f"{name}, {what}: " + "\n".join(measure.lines(measure.judged(some, score))))
    return 0


if __name__ == "__main__":
    sys.exit(main())
