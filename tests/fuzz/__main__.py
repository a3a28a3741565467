"""Fuzz with atheris, guided by the coverage of our own modules and of the parsers in Python.

    python -m tests.fuzz TARGET FOLDER [libFuzzer's options, like -runs=1000 or -max_total_time=60]

TARGET is a name of ``targets.NAMES``, or ``all`` for one after the other. Below FOLDER each has a
folder of the inputs that reach new code; the next run goes on from them. An input that breaks
something is written there too, as ``crash-...``, and told with its traceback. The exit status is 1
where there was one.
"""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["remanence", "tomllib", "csv", "json"]):
    from tests.fuzz import targets


def fuzz(name: str, corpus: Path, options: list[str]) -> None:
    """One target; ends the process."""
    target = targets.targets()[name]
    corpus.mkdir(parents=True, exist_ok=True)
    for number, seed in enumerate(target.seeds):
        (corpus / f"seed-{number}").write_bytes(seed)

    def one(data: bytes) -> None:
        target.run(data)

    atheris.Setup([sys.argv[0], "-timeout=30", "-rss_limit_mb=4096", "-max_len=16384",
                   "-len_control=0", f"-dict={Path(__file__).with_name('words.dict')}",
                   f"-artifact_prefix={corpus}/", *options, str(corpus)], one)
    atheris.Fuzz()


def main() -> int:
    """Each target in a child, which finds everything imported."""
    name, folder, *options = sys.argv[1:]
    broken = []
    for each in targets.NAMES if name == "all" else (name,):
        print(f"{each}:", flush=True)
        child = os.fork()
        if not child:
            fuzz(each, Path(folder) / each, options)
            os._exit(0)
        if os.waitpid(child, 0)[1]:
            broken.append(each)
    shutil.rmtree(targets.FOLDER, ignore_errors=True)
    print(f"broken: {', '.join(broken) or 'none'}")
    return int(bool(broken))


if __name__ == "__main__":
    sys.exit(main())
