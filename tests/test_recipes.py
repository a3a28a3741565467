"""The recipes of DEVELOPERS.md, followed in a copy of the tree: what they add is there."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import start

ROOT = Path(__file__).parents[1]
MOST_FILES = {"A form of log": 4, "A condition": 4, "A sheet": 5}
"""So many files may a recipe touch."""

VENUE = """
[venue]
id = "mill"
time_zone = "Europe/Lisbon"
[[log]]
files = ["*.log"]
format = "words"
joint = ":="
[[supply]]
id = "rail"
rated_volts = 12.0
[[lock]]
id = "flour-bin"
guards = "container"
mechanism = "latch"
supply = "rail"
command = "north/q1"
contact = "north/i1"
contact_closed_when = "locked"
"""
LOG = """time=2026-11-02T18:03:11.482Z channel=north/q1 quantity=command value=1
time=2026-11-02T18:03:11.547Z channel=north/i1 quantity=contact value=0
time=2026-11-02T18:03:11.982Z channel=north/q1 quantity=command value=0
"""


def recipe(name: str) -> dict[str, str]:
    """The files of one recipe, by their path in the project."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    part = re.search(rf"^\*\*{name}\.\*\*.*?(?=^\*\*|^## )", text, re.DOTALL | re.MULTILINE)
    assert part, name
    blocks = re.findall(r"```\w+\n(?:# |\{# )(\S+)(?: #\})?\n(.*?)```", part[0], re.DOTALL)
    return dict(blocks)


@pytest.fixture(scope="module")
def copy(tmp_path_factory) -> Path:
    """A copy of the tree with all recipes followed, and a venue whose log is of the new form."""
    folder = tmp_path_factory.mktemp("copy")
    start.typed_tree(folder)
    for name in MOST_FILES:
        for path, text in recipe(name).items():
            target = folder / "remanence" / path
            assert not target.exists()
            assert target.parent.is_dir()
            target.write_text(text, encoding="utf-8")
    shutil.copytree(ROOT / "docs", folder / "docs")
    (folder / "mill").mkdir()
    (folder / "mill" / "venue.toml").write_text(VENUE, encoding="utf-8")
    (folder / "mill" / "monday.log").write_text(LOG.replace("=", ":="), encoding="utf-8")
    return folder


def run(copy: Path, *words: str, status: int = 0, below: str = ".") -> str:
    """Python on the copy, in a folder below it; what it printed."""
    done = subprocess.run(
        [sys.executable, *words], cwd=copy / below, capture_output=True, text=True, check=False,
        env={**os.environ, "PYTHONPATH": str(copy)})
    assert done.returncode == status, done.stdout + done.stderr
    return done.stdout + done.stderr


@pytest.mark.parametrize("name", sorted(MOST_FILES))
def test_a_recipe_touches_few_files_none_of_them_there_before(name):
    files = recipe(name)
    assert 0 < len(files) <= MOST_FILES[name]
    assert not [path for path in files if (ROOT / path).exists()]


def test_a_log_of_the_new_form_and_the_new_sheet_are_on_pages_after_the_weekly_run(copy):
    printed = run(copy, "-m", "remanence", "weekly", "mill")
    assert "3 new records" in printed
    assert f"Busiest locks: {Path('mill', 'busiest', 'index.html')}" in printed
    front = (copy / "mill" / "reports" / "2026-W45" / "index.html").read_text(encoding="utf-8")
    assert "flour-bin" in front
    page = (copy / "mill" / "busiest" / "index.html").read_text(encoding="utf-8")
    assert "flour-bin: 1 command<" in page


def test_the_new_condition_is_on_a_page_and_in_the_findings(copy):
    run(copy, "-m", "remanence", "ingest", "mill")
    run(copy, "-m", "remanence", "report", "mill", "--out", "german", "--language", "de")
    found = json.loads((copy / "german" / "findings.json").read_text(encoding="utf-8"))
    assert [(item["subject"], item["urgency"]) for item in found["findings"]
            if item["condition"] == "commanded-once"] == [("flour-bin", "watch")]
    page = (copy / "german" / "locks" / "flour-bin.html").read_text(encoding="utf-8")
    assert "Ein einziger Befehl" in page
    assert "Es bekam diese Woche einen Befehl." in page


def test_the_new_sheet_is_a_command_with_help_and_languages(copy):
    assert "write which lock is used most" in run(copy, "-m", "remanence", "--help")
    run(copy, "-m", "remanence", "ingest", "mill")
    run(copy, "-m", "remanence", "busiest", "mill", "--language", "de", "--out", "page")
    page = (copy / "page" / "index.html").read_text(encoding="utf-8")
    assert "flour-bin: 1 Befehl<" in page


def test_a_log_of_the_new_form_is_recognised(copy):
    (copy / "unknown").write_text(LOG, encoding="utf-8")
    said = run(copy, "-m", "remanence", "sniff", "unknown")
    assert 'format = "words"' in said
    assert "2026-11-02 18:03:11.482" in said


def test_a_wrong_key_of_the_new_form_is_told(copy):
    venue = copy / "wrong.toml"
    venue.write_text(VENUE.replace("joint =", "join ="), encoding="utf-8")
    said = run(copy, "-m", "remanence", "check", str(venue), status=1)
    assert "did you mean joint?" in said


def test_the_documentation_has_all_of_it(copy):
    write = "import pathlib, generate; generate.write_generated(pathlib.Path('generated'))"
    run(copy, "-c", write, below="docs")
    commands = (copy / "docs" / "generated" / "commands.md").read_text(encoding="utf-8")
    assert "## remanence busiest" in commands
    keys = (copy / "docs" / "generated" / "venue-file.md").read_text(encoding="utf-8")
    assert "`words`" in keys
    assert "`joint`" in keys
    conditions = (copy / "docs" / "generated" / "conditions.md").read_text(encoding="utf-8")
    assert "## commanded-once" in conditions
    assert "commands this week" in conditions
