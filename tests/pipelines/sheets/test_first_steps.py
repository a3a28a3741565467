"""What somebody meets whose first log does not fit yet, and whose words are mistyped."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest

from remanence.pipelines.commands import AT_FAULT, DONE, USAGE, main

ROOT = Path(__file__).parents[3]
VENUE = (ROOT / "sample_data" / "by_hand" / "venue.toml").read_text(encoding="utf-8")


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A venue, and a log in it that its file does not describe; one stands in it."""
    (tmp_path / "venue.toml").write_text(VENUE, encoding="utf-8")
    (tmp_path / "strange.csv").write_text(
        "time,channel,quantity,value\n2026-11-02T18:03:11.482Z,nowhere/q1,command,1\n" * 3,
        encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_a_log_that_is_rejected_whole_is_a_fault_and_says_what_to_do(folder, capsys):
    assert main(["ingest", "strange.csv"]) == AT_FAULT
    out = capsys.readouterr().out
    assert "Nothing was taken: every line was rejected" in out
    assert "remanence sniff" in out
    assert main(["report"]) == AT_FAULT
    err = capsys.readouterr().err
    assert "all 3 lines of the logs were rejected" in err
    assert "not in the venue file" in err


def test_its_rejects_can_be_exported(folder, capsys):
    main(["ingest", "strange.csv"])
    assert main(["export", "rejects", "rejects.csv"]) == DONE
    capsys.readouterr()
    assert pl.read_csv(folder / "rejects.csv").height == 3


def test_the_venue_is_the_folder_one_stands_in(folder, capsys):
    assert main(["check"]) == DONE
    here = capsys.readouterr().out
    assert main(["check", str(folder)]) == DONE
    assert here == capsys.readouterr().out
    assert main(["service", "--part", "p", "bench-drawer", "replaced"]) == AT_FAULT
    assert "venue.toml, [venue]: found no service_log" in capsys.readouterr().err


@pytest.mark.parametrize(("word", "meant"), [
    ("reprot", "did you mean report?"), ("wekly", "did you mean weekly?"), ("xyzzy", "use demo, "),
])
def test_a_mistyped_command_is_answered_with_the_nearest(word, meant, capsys):
    assert main([word]) == USAGE
    assert meant in capsys.readouterr().err


def imported(code: str) -> set[str]:
    """The packages that some code has imported when it is done."""
    code += "; import json, sys; print(json.dumps(sorted(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True,
                          check=True)
    return {name.partition(".")[0] for name in json.loads(done.stdout.splitlines()[-1])}


def test_the_venue_file_is_checked_without_the_packages_for_tables():
    folder = str(ROOT / "sample_data" / "by_hand")
    found = imported(f"from remanence.pipelines.commands import main; main(['check', {folder!r}])")
    assert "remanence" in found
    assert not found & {"polars", "numpy", "scipy", "pyarrow", "pandas", "sklearn"}
