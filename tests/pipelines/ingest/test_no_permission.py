"""What may not be read or written is said in plain words, and the rest of the work is done."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from tests.pipelines.ingest.house import GOOD, HEADER, VENUE
from tests.pipelines.ingest.log_examples import ROOT

pytestmark = pytest.mark.skipif(not hasattr(os, "geteuid"), reason="permissions of POSIX")


@pytest.fixture
def folder():
    """A venue that anybody may read, and write only where a test lets them."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o755)
        (folder / "logs").mkdir()
        text = VENUE.replace('id = "harbour"', 'id = "harbour"\nservice_log = "service.csv"')
        (folder / "venue.toml").write_text(text)
        (folder / "logs" / "a.csv").write_text(HEADER + "\n".join(GOOD) + "\n")
        (folder / "logs" / "b.csv").write_text(HEADER + GOOD[0].replace(":11.", ":12.") + "\n")
        (folder / "store").mkdir()
        (folder / "store").chmod(0o777)
        yield folder


def run(*words):
    done = subprocess.run(
        [sys.executable, "-m", "tests.pipelines.ingest.unprivileged", *map(str, words)],
        cwd=ROOT, capture_output=True, text=True, timeout=120, check=False)
    assert "Traceback" not in done.stderr
    return done.returncode, done.stdout + done.stderr


def forbid(path):
    path.chmod(0o000 if path.is_file() else 0o555)


def test_a_log_that_may_not_be_read_is_named_and_the_others_are_taken(folder):
    forbid(folder / "logs" / "a.csv")
    code, said = run("ingest", folder)
    assert code == 1
    assert "logs/a.csv: no permission to read it" in said
    assert "1 taken" in said
    (folder / "logs" / "a.csv").chmod(0o644)
    code, said = run("ingest", folder)
    assert code == 0
    assert "3 taken" in said


def test_a_venue_file_that_may_not_be_read(folder):
    forbid(folder / "venue.toml")
    for command in ("check", "ingest", "report"):
        code, said = run(command, folder)
        assert code == 1
        assert "venue.toml" in said
        assert "ermission" in said


def test_a_store_that_may_not_be_written(folder):
    (folder / "store").chmod(0o555)
    code, said = run("ingest", folder)
    assert code == 1
    assert "store cannot be written" in said
    assert "ermission" in said
    assert not list((folder / "store").iterdir())


def test_a_store_that_may_not_be_made(folder):
    (folder / "store").rmdir()
    code, said = run("ingest", folder)
    assert code == 1
    assert "store cannot be written" in said
    assert not (folder / "store").exists()


def test_a_store_that_may_not_be_read(folder):
    assert run("ingest", folder)[0] == 0
    (folder / "store" / "manifest.json").chmod(0o000)
    if os.geteuid() != 0:
        (folder / "store").chmod(0o555)
    code, said = run("export", folder, "signals", folder / "store" / "x.csv")
    assert code == 1
    assert "manifest.json cannot be read" in said


def test_a_service_log_that_may_not_be_written_or_read(folder):
    log = folder / "service.csv"
    log.write_text("date,lock,action,part,note\n")
    log.chmod(0o444)
    words = ("service", folder, "chart-drawer", "inspected", "--date", "2026-11-02")
    code, said = run(*words)
    assert code == 1
    assert "service.csv" in said
    assert "ermission" in said
    assert log.read_text() == "date,lock,action,part,note\n"
    forbid(log)
    code, said = run(*words)
    assert code == 1
    assert "service.csv" in said


def test_sniff_says_which_file_may_not_be_read(folder):
    forbid(folder / "logs" / "a.csv")
    code, said = run("sniff", folder / "logs" / "a.csv")
    assert code == 1
    assert "a.csv: no permission to read it" in said
