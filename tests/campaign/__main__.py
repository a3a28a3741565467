"""Command line of the campaign."""

import argparse
import json
import os
import subprocess
import sys
import time
from dataclasses import asdict
from pathlib import Path

# One thread to a process: the venues are what runs side by side.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "POLARS_MAX_THREADS"):
    os.environ.setdefault(_name, "1")

from tests.campaign import report  # noqa: E402
from tests.campaign.run import campaign  # noqa: E402

HELD_OUT = 1000

EPILOG = """\
examples:
  python -m tests.campaign --venues 6 --seed 1            a quick look, on tuning seeds
  python -m tests.campaign --venues 30 --seed 3000        docs/campaign-tables.md
  python -m tests.campaign --only 17 --details out.json   one venue, everything written out
  python -m tests.campaign --venues 4 --level log         raw records, paired by the program

Seeds below 1000 are for choosing thresholds; from 1000 on they are held out and only
measure; docs/campaign.md says which are used up, because the analysis was mended after looking at
them. Even seeds are healthy venues, odd ones have faults. docs/campaign-tables.md is written only
by a held-out run of 30 venues or more, or where --page says so.
"""


def main(argv=None):
    parser = argparse.ArgumentParser(
        prog="python -m tests.campaign", epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        description="Judge simulated venues week by week and hold the findings against the truth.",
    )
    parser.add_argument("--venues", type=int, default=30, help="how many venues (default 30)")
    parser.add_argument("--seed", type=int, default=HELD_OUT, help="the first seed (default 1000)")
    parser.add_argument("--only", type=int, nargs="+", help="just these seeds")
    parser.add_argument("--jobs", type=int, default=2, help="processes (default 2)")
    parser.add_argument("--weeks", type=int, default=26, help="length of the logs (default 26)")
    parser.add_argument("--level", choices=("tables", "log"), default="tables",
                        help="tables: fast; log: raw records through the program's own pairing")
    parser.add_argument("--details", type=Path, help="write every fault and false finding as JSON")
    parser.add_argument("--page", type=Path, help="write the page there")
    parser.add_argument("--keep", type=Path, help="folder of venues already judged: an interrupted "
                        "run goes on where it stopped (empty it after a change of the analysis)")
    parser.add_argument("--false", type=int, default=25, help="false findings to print")
    args = parser.parse_args(argv)
    seeds = args.only or list(range(args.seed, args.seed + args.venues))
    begin = time.perf_counter()

    def progress(score):
        print(f"  venue {score.seed}: {len(score.false)} false findings, "
              f"{sum(f['named_in_time'] for f in score.faults)} of {len(score.faults)} faults in "
              f"time, {time.perf_counter() - begin:.0f} s", file=sys.stderr, flush=True)

    scores = campaign(seeds, level=args.level, jobs=args.jobs, weeks=args.weeks,
                      keep=args.keep, progress=progress)
    held_out = min(seeds) >= HELD_OUT
    command = "python -m tests.campaign " + " ".join(argv if argv is not None else sys.argv[1:])
    text = report.page(scores, command.strip(), held_out, args.level, _commit())
    print(text)
    print_worst(scores, args.false)
    page = args.page
    if page is None and held_out and len(seeds) >= 30 and args.level == "tables":
        page = Path(__file__).parents[2] / "docs" / "campaign-tables.md"
    if page:
        page.parent.mkdir(exist_ok=True)
        page.write_text(text, encoding="utf-8")
        print(f"written: {page}", file=sys.stderr)
    if args.details:
        args.details.write_text(json.dumps([asdict(s) for s in scores], indent=1, default=str))
    return 0


def _commit():
    """Which analysis was judged, where this is a clone that can tell."""
    try:
        told = subprocess.run(
            ["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True, check=True,
            cwd=Path(__file__).parent,
        )
    except (OSError, subprocess.CalledProcessError):
        return None
    return told.stdout.strip()


def print_worst(scores, most):
    """Missed faults and false findings, one a line, for whoever mends the detectors."""
    print("\nmissed, late or misnamed (seed, subject, condition, course, since, reached, named, "
          "first condition, since error):")
    for s in scores:
        for f in s.faults:
            if f["counted"] and not (
                    f["named_in_time"] and f["first_condition"] == f["condition"]):
                print(f"  {f['seed']} {f['subject']} {f['condition']} {f['shape']} "
                      f"day {f['since_day']} reached {f['reached_day']} named {f['named_day']} "
                      f"first {f['first_condition']} since error {f['since_error_days']} "
                      f"({f['per_week']:.0f} a week)")
    print("\nnamed, and not named in later weeks (seed, subject, condition, weeks):")
    for s in scores:
        for f in s.faults:
            lost = [f"{week} {said}" for week, said in f["lasted"] if said != "named"]
            if lost:
                print(f"  {f['seed']} {f['subject']} {f['condition']}: {', '.join(lost)}")
    false = [f for s in scores for f in s.false]
    print(f"\nfalse findings ({len(false)}):")
    for f in false[:most]:
        print(f"  {f['seed']} {f['subject']} week {f['week']} {f['condition']} {f['urgency']} "
              f"{f['score']:.2f} since {f['since']}: {'; '.join(f['evidence'][:2])}")


if __name__ == "__main__":
    sys.exit(main())
