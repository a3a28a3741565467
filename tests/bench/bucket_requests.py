"""How many requests a store in a bucket costs, counted at a server on this machine.

    python -m tests.bench.bucket_requests --days 70

One run of ``remanence weekly`` as a scheduler has it: the first, one with a new week of logs, one
with nothing new, and the first on another machine, which fetches all there is.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

from tests.durability.small_venue import make
from tests.pipelines.store.bucket_server import BucketServer

ROOT = Path(__file__).parents[2]
WEEK = 7


def weekly(server: BucketServer, home: Path) -> Counter[str]:
    """Requests of one run by what they do."""
    server.seen.clear()
    environ = {name: value for name, value in os.environ.items() if not name.startswith("AWS_")}
    # (The venue's days lie ahead: the clock is to say so, else they are set aside.)
    done = subprocess.run(
        [sys.executable, "-m", "remanence", "weekly", str(home)], cwd=ROOT, text=True,
        env=environ | server.keys | {"SOURCE_DATE_EPOCH": "1830297600"}, capture_output=True)
    if not (home / "parts" / "index.html").exists():
        raise SystemExit(done.stderr)
    return Counter(method for method, _ in server.seen)


def measure(days: int) -> list[tuple[str, Counter[str]]]:
    """The runs of a small venue of so many days, the last week of which comes later."""
    server = BucketServer()
    try:
        with tempfile.TemporaryDirectory(prefix="bucket-") as name:
            home = Path(name) / "one"
            make(home, days=days)
            text = (home / "venue.toml").read_text(encoding="utf-8")
            (home / "venue.toml").write_text(text.replace(
                'store = "store"', f'store = "s3://{server.bucket()}/venue"', 1), "utf-8")
            later = Path(name) / "later"
            later.mkdir()
            for log in sorted((home / "logs").iterdir())[-WEEK:]:
                log.rename(later / log.name)
            found = [("the first run", weekly(server, home))]
            for log in later.iterdir():
                log.rename(home / "logs" / log.name)
            found.append(("with a new week", weekly(server, home)))
            found.append(("with nothing new", weekly(server, home)))
            other = Path(name) / "other"
            shutil.copytree(home, other, ignore=shutil.ignore_patterns("store*", "reports"))
            found.append(("the first on another machine", weekly(server, other)))
            return found
    finally:
        server.stop()


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=70)
    print("| run | " + " | ".join(("read", "written", "listed or removed")) + " |\n| --- " * 1
          + "| --- | --- | --- |")
    for what, counts in measure(parser.parse_args().days):
        print(f"| {what} | {counts['GET'] + counts['HEAD']} | {counts['PUT']} | "
              f"{counts['POST'] + counts['DELETE']} |")
