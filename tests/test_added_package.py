"""A package of somebody else, installed beside: it adds a reader, a condition and a sheet."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.durability.small_venue import make

FILES = {
    "pyproject.toml": """\
[build-system]
requires = ["setuptools"]
build-backend = "setuptools.build_meta"
[project]
name = "toy-locks"
version = "1.0"
[project.entry-points."remanence.readers"]
NAME = "toy_locks.reader:READER"
[project.entry-points."remanence.conditions"]
always-said = "toy_locks.always:ALWAYS_SAID"
[project.entry-points."remanence.sheets"]
toy = "toy_locks.sheet:SHEET"
[project.entry-points."remanence.pages"]
toy = "toy_locks"
[tool.setuptools]
packages = ["toy_locks"]
[tool.setuptools.package-data]
toy_locks = ["words/*", "templates/*"]
""",
    "toy_locks/__init__.py": "",
    "toy_locks/reader.py": """\
import polars as pl
from remanence.pipelines.readers.raw import ChunkText, LogReader, Parsed, decoded, reject_frame

class BarsReader:
    header_line = None
    def __init__(self, log, name, fields):
        self.wanted = fields.wanted
    def parse(self, chunk):
        text = ChunkText(chunk)
        rows = []
        for number, line in enumerate(text.lines, start=chunk.first_line):
            cells = dict(zip(("time", "channel", "quantity", "value"), decoded(line).split("|")))
            rows.append((number, *(cells.get(name) for name in self.wanted)))
        schema = {"line": pl.Int64, **dict.fromkeys(self.wanted, pl.String)}
        return Parsed(pl.DataFrame(rows, schema=schema, orient="row"), reject_frame([]), 0, text)

READER = LogReader("fields with bars between them", lines=BarsReader)
""",
    "toy_locks/always.py": """\
from remanence.analytics.conditions.condition import Condition, finding
from remanence.shared.findings import say

def always(history):
    return [finding(lock.id, "always-said", "watch", 0.9, says=[say("always")])
            for lock in history.venue.locks]

ALWAYS_SAID = Condition("always-said", (always,), ())
""",
    "toy_locks/sheet.py": """\
from dataclasses import dataclass
from pathlib import Path
from remanence.pipelines.sheets.sheet import Sheet, SheetOutcome

@dataclass(frozen=True)
class ToyOutcome(SheetOutcome):
    folder: Path
    def text(self):
        return f"Toy: {self.front_page}"

def write(run):
    from remanence.dashboards.page import assets, language, page
    from remanence.pipelines.sheets.write_files import write_files
    lang, out = language(run.language), run.folder("toy")
    write_files(out, {"index.html": page("toy.html.jinja", lang, title=lang("toy.title")),
                      **assets()})
    return ToyOutcome(out)

SHEET = Sheet("toy", "write the toy's page", "toy's page", write, "toy", place=90)
""",
    "toy_locks/templates/toy.html.jinja":
        "{% extends base %}{% block content %}<h1>{{ lang('toy.title') }}</h1>{% endblock %}\n",
    "toy_locks/words/en.toy.toml": """\
says.always = "This is said of {subject} every week."
[toy]
title = "A page of the toy"
[condition.always-said]
wrong = "Always said"
means = "It is always said."
told_apart = "It is not."
needs = "Nothing."
bring = "nothing"
""",
}


def install(folder: Path, reader: str = "bars") -> dict[str, str]:
    """Install the toy beside what is installed; the environment that sees it."""
    for name, text in FILES.items():
        path = folder / "source" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text.replace("NAME", reader))
    place = folder / "site"
    subprocess.run(
        [sys.executable, "-m", "pip", "--disable-pip-version-check", "-q", "install", "--no-deps",
         "--target", str(place), str(folder / "source")], check=True)
    return {**os.environ, "PYTHONPATH": str(place)}


def run(environment: dict[str, str], *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", "remanence", *words], env=environment,
                          capture_output=True, text=True, check=False)


@pytest.fixture(scope="module")
def environment(tmp_path_factory) -> dict[str, str]:
    return install(tmp_path_factory.mktemp("toy"))


def test_what_a_package_adds_is_read_said_and_written(environment, tmp_path):
    venue = make(tmp_path, days=8)
    text = venue.read_text().replace('format = "csv"', 'format = "bars"')
    venue.write_text(text.replace('["logs/*.csv", "logs/*.csv.gz"]', '["logs/*.bars"]'))
    for path in list((tmp_path / "logs").iterdir()):
        lines = [line for line in path.read_text().splitlines()[1:] if "," in line]
        path.with_suffix(".bars").write_text("\n".join(lines).replace(",", "|") + "\n")
        path.unlink()
    assert "write the toy's page" in run(environment, "--help").stdout
    done = run(environment, "weekly", str(tmp_path))
    assert done.returncode == 0, done.stdout + done.stderr
    assert "Toy: " in done.stdout
    assert "A page of the toy" in (tmp_path / "toy" / "index.html").read_text()
    found = json.loads(next((tmp_path / "reports").glob("*/findings.json")).read_text())
    always = [item for item in found["findings"] if item["condition"] == "always-said"]
    assert {item["subject"] for item in always} == {"chart-drawer", "store-door"}
    assert always[0]["title"] == "Always said"
    assert always[0]["says"].startswith("This is said of ")


def test_without_it_nothing_of_it_is_there():
    assert "toy" not in run(dict(os.environ), "--help").stdout


def test_a_package_that_takes_a_name_of_ours_is_named(tmp_path):
    environment = install(tmp_path, reader="csv")
    make(tmp_path / "house", days=2)
    done = run(environment, "check", str(tmp_path / "house"))
    assert done.returncode == 1
    assert "the package toy-locks adds 'csv' (remanence.readers)" in done.stderr


def test_a_package_that_cannot_be_imported_is_named(tmp_path):
    environment = install(tmp_path)
    (tmp_path / "site" / "toy_locks" / "sheet.py").write_text("import nothing_of_that_name\n")
    done = run(environment, "--help")
    assert "the package toy-locks adds 'toy' (remanence.sheets), which cannot be imported" in (
        done.stdout + done.stderr)
    assert "Traceback" not in done.stderr
