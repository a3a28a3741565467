"""One writer at a time, and the one that waits says for whom."""

from __future__ import annotations

import subprocess
import sys

import pytest

from remanence.pipelines.store import writer_lock as module
from remanence.pipelines.store.writer_lock import HeldError, writer_lock

HOLDS = """
import sys
from pathlib import Path
from remanence.pipelines.store.writer_lock import writer_lock
with writer_lock(Path(sys.argv[1])):
    print("held", flush=True)
    sys.stdin.readline()
"""


def test_a_waiting_writer_says_for_whom_it_waits_and_goes_on_after_it(
    tmp_path, monkeypatch, capsys
):
    monkeypatch.setattr(module, "TELL_AFTER_S", 0.0)
    with subprocess.Popen([sys.executable, "-c", HOLDS, tmp_path / "store"], text=True,
                          stdin=subprocess.PIPE, stdout=subprocess.PIPE) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        who = rf"another run \(process {other.pid}\)"
        with pytest.raises(HeldError, match=f"has been held by {who}"), writer_lock(
                tmp_path / "store", wait_s=0.1):
            pass
        told = " ".join(capsys.readouterr().err.split())
        assert f"waiting for another run (process {other.pid}), which writes to" in told
        assert told.count("waiting for") == 1
        other.communicate("go on\n")
    with writer_lock(tmp_path / "store", wait_s=5.0):
        pass
    assert "waiting for" not in capsys.readouterr().err
