"""How many files a store has after some years, folder by folder.

    python -m tests.bench.store_files --years 10

A small venue is taken in month by month, as its logs come, with a weekly report's findings kept
each week. Counted are the files that the manifests name: what is there once a week has passed.
"""

from __future__ import annotations

import argparse
import tempfile
from collections import Counter
from datetime import timedelta
from pathlib import Path

from remanence.pipelines.derive import store as derived
from remanence.pipelines.derive.derive import derive
from remanence.pipelines.ingest.ingest import ingest
from remanence.pipelines.ingest.progress import Silent
from remanence.pipelines.sheets.refresh import load_venue
from remanence.pipelines.store.manifest import read_manifest
from remanence.pipelines.store.past_findings import keep_findings
from remanence.pipelines.store.store import Store
from remanence.shared.findings import Finding
from remanence.shared.weeks import Week
from tests.durability.small_venue import FIRST, make

MONTH_DAYS = 30


def count(folder: Path, years: float) -> Counter[str]:
    """Files by the folder that they lie in, of a venue made and taken in below ``folder``."""
    days = round(365.25 * years)
    venue, path = load_venue(make(folder, days=days))
    logs = sorted((folder / "logs").glob("*.csv"))
    for log in logs:
        log.rename(log.with_suffix(".later"))
    store = Store.open(venue, path)
    first = Week.of(FIRST.date())
    told = [Finding(subject="chart-drawer", condition="sticking-catch", urgency="week", score=0.9,
                    subject_kind="lock")]
    for begin in range(0, days, MONTH_DAYS):
        for log in logs[begin:begin + MONTH_DAYS]:
            log.with_suffix(".later").rename(log)
        ingest(venue, path, progress=Silent(), now=FIRST + timedelta(days=days + 1))
        for log in logs[begin:begin + MONTH_DAYS]:
            log.rename(log.with_suffix(".later"))
        for week in range(begin // 7, (begin + MONTH_DAYS) // 7):
            keep_findings(store.folder, first.plus(week), told)
    derive(venue, path, store)
    manifest = read_manifest(store.folder)
    assert manifest is not None
    found = Counter(path.partition("/")[0] if "/" in path else path.partition("-")[0]
                    for path in manifest.named())
    found["derived"] = len(derived.read_manifest(store.folder).named())
    return found


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--years", type=float, default=10)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="store-files-") as place:
        counted = count(Path(place) / "venue", asked.years)
    for name, number in sorted(counted.items()):
        print(f"{name:14} {number:6,}")
    print(f"{'in all':14} {sum(counted.values()):6,}")
