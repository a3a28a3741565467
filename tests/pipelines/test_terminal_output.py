"""What the commands print: what is new, lines of 100 columns, JSON for programs, completion."""

from __future__ import annotations

import json
import shutil
import subprocess
from argparse import ArgumentParser
from dataclasses import replace
from pathlib import Path

import pytest

from remanence.pipelines.answers import SILENT
from remanence.pipelines.commands import build_parser, main
from remanence.pipelines.completion import SHELLS, completion
from remanence.pipelines.sheets.report_sheet import ReportOutcome
from remanence.shared.findings import Finding
from remanence.shared.terminal import WIDTH
from remanence.shared.weeks import Week

VENUE = Path(__file__).parents[2] / "sample_data" / "venue.toml"


def commands() -> dict[str, ArgumentParser]:
    parser = build_parser()
    return next(dict(action.choices) for action in parser._actions
                if isinstance(action.choices, dict))


@pytest.fixture
def venue(tmp_path) -> Path:
    return Path(shutil.copy(VENUE, tmp_path / "venue.toml"))


def outcome(*findings: Finding, ended: tuple[Finding, ...] = ()) -> ReportOutcome:
    return ReportOutcome(Path("/reports/2026-W47"), Week(2026, 47), findings, ended=ended)


OLD = Finding("old-lock", "lock", "sticking-catch", "week", 0.9, status="standing",
              first_named=Week(2026, 40))


def test_a_week_tells_what_is_new_and_counts_what_stands_as_before():
    new = Finding("new-lock", "lock", "slow-drop", "now", 0.9)
    worse = replace(OLD, subject="worse-lock", status="worse")
    over = replace(OLD, subject="mended-lock", status="ended")
    text = outcome(new, worse, OLD, ended=(over,)).brief()
    assert "Do not use  new-lock: Magnet releases late [slow-drop]" in text
    assert "This week   worse-lock: Catch sticks [sticking-catch] (worse, first named" in text
    assert "This week   as before: old-lock" in text
    assert "old-lock:" not in text
    assert "fixed       mended-lock: Catch sticks" in text


def test_what_must_not_be_used_is_named_however_old_it_is():
    """A lock that is not to be used is told every week, in one line."""
    lines = outcome(*(replace(OLD, subject=f"lock-{n}", urgency="now") for n in range(9))
                    ).brief().splitlines()
    assert len(lines) == 3
    assert all(f"lock-{n}" in lines[1] for n in range(9))


def test_the_report_alone_tells_everything():
    assert "old-lock: Catch sticks" in outcome(OLD).text()


def test_the_wiring_schedule_fits_and_answers_in_json(venue, capsys):
    assert main(["check", str(venue)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= WIDTH
    assert main(["check", str(venue), "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["command"] == "check"
    assert answer["exit_status"] == 0
    assert [line for line in lines if line.strip()] == answer["says"]
    assert "bench-drawer" in {lock["lock"] for lock in answer["locks"]}
    assert {found["condition"] for found in answer["unsafe"]} == {"unsafe-fitting"}


def test_a_fault_has_the_same_exit_status_with_json(tmp_path, capsys):
    (tmp_path / "venue.toml").write_text("nonsense =", encoding="utf-8")
    assert main(["check", str(tmp_path), "--json"]) == main(["check", str(tmp_path)]) == 1
    assert "error" in capsys.readouterr().err


def test_every_command_that_answers_has_json():
    for name, sub in commands().items():
        has = any("--json" in action.option_strings for action in sub._actions)
        assert has == (name not in SILENT), name


def test_weekly_can_write_one_file():
    parsed = build_parser().parse_args(["weekly", ".", "--single-file"])
    assert parsed.single_file


@pytest.mark.parametrize("shell", SHELLS)
def test_a_shell_is_told_every_command_and_accepts_its_script(shell, tmp_path):
    script = completion(build_parser(), shell)
    for name in commands():
        assert name in script
    path = tmp_path / "script"
    path.write_text(script, encoding="utf-8")
    if shutil.which(shell):
        done = subprocess.run([shell, "-n", str(path)], capture_output=True, check=False)
        assert done.returncode == 0, done.stderr


def test_bash_completes_a_command(tmp_path):
    if not shutil.which("bash"):
        pytest.skip("no bash")
    path = tmp_path / "script"
    path.write_text(completion(build_parser(), "bash"), encoding="utf-8")
    ask = (f"source {path}; COMP_WORDS=(remanence wee); COMP_CWORD=1; "
           "_shtab_remanence; echo ${COMPREPLY[@]}")
    said = subprocess.run(["bash", "-c", ask], capture_output=True, text=True, check=True)
    assert said.stdout.split() == ["weekly"]
