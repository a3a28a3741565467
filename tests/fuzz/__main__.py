"""Fuzz one target with atheris, guided by coverage of our own modules and of what they call.

    python -m tests.fuzz TARGET FOLDER [libFuzzer's options, like -runs=1000 or -max_total_time=60]

FOLDER takes the inputs that reach new code; the next run goes on from them. An input that breaks
something is written there too, as ``crash-...``, and told with its traceback.
"""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import atheris


def main() -> None:
    name, folder, *options = sys.argv[1:]
    with atheris.instrument_imports(include=["remanence", "tomllib", "csv", "json"]):
        from tests.fuzz import targets
    target = targets.targets()[name]
    corpus = Path(folder)
    corpus.mkdir(parents=True, exist_ok=True)
    for number, seed in enumerate(target.seeds):
        (corpus / f"seed-{number}").write_bytes(seed)

    def one(data: bytes) -> None:
        target.run(data)

    atheris.Setup([sys.argv[0], "-timeout=30", "-rss_limit_mb=4096", "-max_len=16384",
                   "-len_control=0", f"-dict={Path(__file__).with_name('words.dict')}",
                   f"-artifact_prefix={corpus}/", *options, str(corpus)], one)
    try:
        atheris.Fuzz()
    finally:
        shutil.rmtree(targets.FOLDER, ignore_errors=True)


if __name__ == "__main__":
    main()
