"""Whatever bytes come in: a result, rejects with reasons, or a plain message, and no fault.

A bounded run of the fuzzer at every target. REMANENCE_FUZZ_RUNS makes it longer.
"""

from __future__ import annotations

import importlib.util
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.fuzz.targets import NAMES, targets

RUNS = int(os.environ.get("REMANENCE_FUZZ_RUNS", "200"))
FOUND = Path(__file__).with_name("found")
"""What broke something once: a file an input, below a folder of the target's name."""


def test_every_form_of_log_has_a_target():
    assert set(targets()) == set(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_what_broke_something_once_breaks_nothing_now(name):
    target = targets()[name]
    for data in (*target.seeds, *(path.read_bytes() for path in (FOUND / name).glob("*"))):
        target.run(data)


@pytest.mark.skipif(importlib.util.find_spec("atheris") is None,
                    reason="atheris is for Linux and Python to 3.13")
def test_a_bounded_run_of_the_fuzzer_breaks_nothing(tmp_path):
    done = subprocess.run(
        [sys.executable, "-m", "tests.fuzz", "all", str(tmp_path), f"-runs={RUNS}", "-seed=24"],
        cwd=Path(__file__).parents[2], capture_output=True, text=True, check=False)
    said = done.stdout + done.stderr
    assert done.returncode == 0, said[-4000:]
    assert len(re.findall(rf"Done {RUNS} runs", said)) == len(NAMES)
    grown = [name for name in NAMES
             if len(list((tmp_path / name).iterdir())) > len(targets()[name].seeds)]
    assert len(grown) > len(NAMES) / 2, "the fuzzer sees no coverage"
