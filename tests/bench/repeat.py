"""The demo's venue several times over in one venue file: its locks, rails, log and service log.

    python -m tests.bench.repeat DEMO OUT --times 10

Each copy has controllers, rails and rooms of its own, named with a number; parts are shared.
"""

from __future__ import annotations

import argparse
import re
from pathlib import Path

import polars as pl

_BLOCK = re.compile(r"^\[\[(?:lock|supply|sequence)\]\]$", re.MULTILINE)
_NAME = re.compile(
    r'^(id|supply|channel|lock|room|goes_with|command|contact) = "(.*)"$', re.MULTILINE)


def repeat(demo: Path, out: Path, times: int) -> Path:
    """Write the venue; returns its folder.

    Parameters
    ----------
    demo : Path
        What ``remanence demo`` wrote.
    out : Path
        A folder that is not there yet.
    times : int
        How many copies of each lock.
    """
    (out / "logs").mkdir(parents=True)
    (out / "venue.toml").write_text(_venue(
        (demo / "venue.toml").read_text(encoding="utf-8"), times), encoding="utf-8")
    service = pl.read_csv(demo / "service.csv", infer_schema=False)
    pl.concat([
        service.with_columns(pl.col("lock") + _mark(copy)) for copy in range(times)
    ]).sort("date", maintain_order=True).write_csv(out / "service.csv")
    for path in sorted((demo / "logs").glob("*.csv.gz")):
        log = pl.read_csv(path, infer_schema=False)
        pl.concat([
            log.with_columns(pl.col("channel") + _mark(copy)) for copy in range(times)
        ]).sort("time", maintain_order=True).write_csv(out / "logs" / path.name.removesuffix(".gz"))
    return out


def _mark(copy: int) -> str:
    return f"-{copy:02d}"


def _venue(text: str, times: int) -> str:
    """The venue file, each block of a lock, a rail or a sequence so many times."""
    text = text.replace("*.csv.gz", "*.csv")
    starts = [found.start() for found in re.finditer(r"^\[\[?[a-z]+\]\]?$", text, re.MULTILINE)]
    blocks = [text[a:b] for a, b in zip(starts, [*starts[1:], len(text)], strict=True)]
    parts = []
    for block in blocks:
        if not _BLOCK.search(block):
            parts.append(block)
            continue
        for copy in range(times):
            parts.append(_NAME.sub(rf'\1 = "\2{_mark(copy)}"', block))
    return "\n".join(parts)


if __name__ == "__main__":
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("demo", type=Path)
    words.add_argument("out", type=Path)
    words.add_argument("--times", type=int, default=10)
    given = words.parse_args()
    print(repeat(given.demo, given.out, given.times))
