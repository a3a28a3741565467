"""What a new week costs `remanence weekly` with one year stored, and with ten.

    python -m tests.bench.weekly_cost --days 365 3653 --repeat 2
    python -m tests.bench.weekly_cost --idle-hz 0.01 --stages  # a fifth of the records

Each store (built and derived once, see :mod:`tests.bench.build`) is taken over by hard
links, which the store's way of writing leaves alone, and a week of new log is put
beside it. Every run is a process of its own; the stores take turns. With ``--stages``
the processor time of each stage is told as well.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
from datetime import timedelta
from pathlib import Path

import polars as pl

from remanence.pipelines.derive.derive import derive
from remanence.pipelines.sheets.refresh import load_venue
from remanence.pipelines.store.store import Store
from tests.bench.build import DATA, FIRST, GAMES, YEAR, Log, day_records

ROOT = Path(__file__).parents[2]
SCRIPT = """
import json, resource, sys, time
from pathlib import Path
import remanence.pipelines.sheets.weekly as weekly
spent = {}
def timed(name, real):
    def run(*given, **named):
        began = time.process_time()
        try:
            return real(*given, **named)
        finally:
            spent[name] = spent.get(name, 0) + time.process_time() - began
    return run
import dataclasses
import remanence.pipelines.derive.derive as derive
import remanence.pipelines.ingest.ingest as ingest
ingest.ingest = timed("ingest", ingest.ingest)
derive.derive = timed("derive", derive.derive)
sheets = tuple(dataclasses.replace(sheet, write=timed("write_" + sheet.name, sheet.write))
               for sheet in weekly.all_sheets())
weekly.all_sheets = lambda: sheets
weekly.run_weekly(sys.argv[1])
told = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
print(json.dumps({"processor_seconds": sum(of.ru_utime + of.ru_stime for of in told),
                  "peak_mb": sum(of.ru_maxrss for of in told) / 1024, **spent}))
"""


PARTS = "".join(f"""
[[part]]
id = "{mechanism}-a"
unit_cost = 20.0
lead_time_days = 21
in_stock = 2
""" for mechanism in ("magnet", "latch"))
"""The owner's sheet has something to order only where parts are named."""


def new_week(days: int, path: Path, idle_hz: float, games: int) -> None:
    """The log of the seven days after the first ``days``, as a controller's CSV file."""
    parts = []
    for number in range(days, days + 7):
        day = FIRST + timedelta(days=number)
        shift = timedelta(days=number - number % YEAR)
        for frame in day_records(number % YEAR, idle_hz, games):
            parts.append(frame.with_columns(pl.col("time") + shift).filter(
                pl.col("time").dt.date() == day))
    pl.concat(parts).sort("time").select(
        pl.col("time").dt.strftime("%Y-%m-%dT%H:%M:%S%.6fZ"), "channel", "quantity", "value",
    ).write_csv(path)


def prepare(days: int, home: Path, idle_hz: float, games: int) -> Path:
    """A venue with so many days stored, and a week of log not yet taken in."""
    source = Log(days, idle_hz, games).build()
    venue, path = load_venue(source)
    derive(venue, path, Store.open(venue, path))
    shutil.copytree(source / "store", home / "store", copy_function=os.link)
    text = (source / "venue.toml").read_text().replace("none.csv", "week.csv")
    for mechanism in ("magnet", "latch"):
        text = text.replace(f'mechanism = "{mechanism}"',
                            f'mechanism = "{mechanism}"\npart = "{mechanism}-a"')
    (home / "venue.toml").write_text(text + PARTS)
    return home


def run(home: Path) -> dict[str, float]:
    """`remanence weekly` once."""
    done = subprocess.run([sys.executable, "-c", SCRIPT, str(home)], cwd=ROOT, check=True,
                          capture_output=True, text=True)
    found: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return found


def main() -> None:
    """Measure, and print the ratios to the first store."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--days", type=int, nargs="+", default=[YEAR, 10 * YEAR + 3])
    words.add_argument("--repeat", type=int, default=2)
    words.add_argument("--stages", action="store_true")
    words.add_argument("--idle-hz", type=float, default=1.0, help="idle sampling rate [Hz]")
    words.add_argument("--games", type=int, default=GAMES, help="games a day")
    given = words.parse_args()
    best: dict[int, dict[str, float]] = {}
    for _ in range(given.repeat):
        for days in given.days:
            with tempfile.TemporaryDirectory(dir=DATA) as folder:
                home = prepare(days, Path(folder), given.idle_hz, given.games)
                new_week(days, home / "week.csv", given.idle_hz, given.games)
                found = run(home)
            have = best.setdefault(days, found)
            best[days] = {name: min(have[name], found[name]) for name in found}
    base = best[given.days[0]]
    for days, found in best.items():
        print(f"{days} days stored: " + ", ".join(
            f"{name} {value:.2f} ({value / base[name]:.2f})" for name, value in found.items()
            if given.stages or name in ("processor_seconds", "peak_mb")))


if __name__ == "__main__":
    main()
