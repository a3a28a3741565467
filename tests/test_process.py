"""What a command sets for the process that it has to itself."""

import os
import subprocess
import sys

import pytest

ASKED = """
import contextlib, sys
sys.argv = ["remanence", "schema"]
from remanence.__main__ import run
assert "polars" not in sys.modules, "it reads the number of its threads when it is imported"
with contextlib.redirect_stdout(sys.stderr), contextlib.suppress(SystemExit):
    run()
import polars
print(polars.thread_pool_size())
"""


@pytest.mark.parametrize(("own", "threads"), [({}, 1), ({"POLARS_MAX_THREADS": "3"}, 3)])
def test_a_command_takes_one_thread_for_its_small_steps_unless_told_otherwise(own, threads):
    without = {name: value for name, value in os.environ.items() if name != "POLARS_MAX_THREADS"}
    done = subprocess.run([sys.executable, "-c", ASKED], check=True, capture_output=True, text=True,
                          env={**without, **own})
    assert int(done.stdout) == threads


def test_a_command_gives_memory_back_unless_told_otherwise():
    script = ("import os, sys\nfrom remanence import __main__\n__main__.main = lambda: 0\n"
              "__main__.run()\nprint(os.environ['_RJEM_MALLOC_CONF'])")
    for own, told in (({}, "muzzy_decay_ms:0"), ({"_RJEM_MALLOC_CONF": "tcache:true"},
                                                 "tcache:true")):
        without = {name: value for name, value in os.environ.items() if name != "_RJEM_MALLOC_CONF"}
        done = subprocess.run([sys.executable, "-c", script], check=True, capture_output=True,
                              text=True, env={**without, **own})
        assert done.stdout.strip() == told
