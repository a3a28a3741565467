"""Documentation that cannot drift: it builds, and what it names exists."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from remanence.analytics.conditions import catalogue
from remanence.dashboards.page import LANGUAGES, language
from remanence.pipelines.commands import build_parser
from remanence.pipelines.schemas import SCHEMAS
from remanence.pipelines.sheets import all_sheets
from remanence.shared.tables import RESULTS, TABLES
from remanence.shared.venue_file import parse_venue

ROOT = Path(__file__).parents[1]
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]


def fenced(text: str, *languages: str) -> list[str]:
    """The fenced blocks of these languages ("" for none)."""
    return [body for kind, body in re.findall(r"```([^\n`]*)\n(.*?)```", text, re.DOTALL)
            if kind.strip() in languages]


def commands_in(text: str) -> list[list[str]]:
    """Every line of an untagged block or inline code that calls ``remanence``."""
    lines = [line for block in fenced(text, "", "sh", "text") for line in block.splitlines()]
    lines += re.findall(r"`(remanence [^`]+)`", text)
    found = []
    for line in lines:
        match = re.match(r"\s*(?:\S*/)?remanence (.*)", line)
        if match:
            words = shlex.split(re.split(r"\s{3,}|\s#", match[1])[0])
            found.append([w for w in words if w != "..."])
    return found


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.name)
def test_every_command_and_option_named_exists(page):
    for words in commands_in(page.read_text(encoding="utf-8")):
        if words and words[0].startswith("-"):
            continue
        action = next(a for a in build_parser()._actions if a.dest == "command")
        assert words[0] in action.choices, f"{page.name}: remanence {words[0]}"
        known = {option for a in action.choices[words[0]]._actions for option in a.option_strings}
        for word in words[1:]:
            option = word.strip("[]").split("=")[0]
            if option.startswith("--"):
                assert option in known, f"{page.name}: remanence {words[0]} {option}"


def test_the_readme_names_every_command_but_sheets_that_are_added():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    action = next(a for a in build_parser()._actions if a.dest == "command")
    named = {words[0] for words in commands_in(text) if words}
    added = {sheet.name for sheet in all_sheets()} - {"report", "timing", "parts"}
    assert set(action.choices) - named - {"demo"} - added == set()
    assert "start.py demo" in text


def test_the_readme_says_what_each_dependency_is_for():
    project = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    block = re.search(r"^dependencies = \[(.*?)\]", project, re.DOTALL | re.MULTILINE)
    assert block
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    extras = re.findall(r"^(?:live|serve|tell|chain|notebooks) = \[(.*?)\]", project,
                        re.DOTALL | re.MULTILINE)
    assert len(extras) == 5
    for name in re.findall(r'"([a-z0-9-]+)', "".join([block[1], *extras])):
        assert re.search(rf"^\| [^|]*\b{re.escape(name)}\b", text, re.MULTILINE), name


def test_the_venue_of_the_first_steps_is_free_of_faults():
    text = (ROOT / "docs" / "getting-started.md").read_text(encoding="utf-8")
    blocks = [block for block in fenced(text, "toml") if "[venue]" in block]
    assert len(blocks) == 1
    assert parse_venue(blocks[0]).locks[0].id == "flour-bin"


def test_links_between_pages_lead_somewhere():
    made = ["venue-file", "tables", "conditions", "commands", "outputs"]
    made += re.findall(r'"(reference-\w+)"', (ROOT / "docs" / "reference.py").read_text("utf-8"))
    generated = {f"generated/{name}.md" for name in made}
    for page in PAGES:
        for target in re.findall(r"\]\(([^)#:]+\.(?:md|png))\)", page.read_text(encoding="utf-8")):
            exists = (page.parent / target).exists()
            assert exists or target in generated, f"{page.name}: {target}"


def test_the_documentation_builds_without_a_warning(tmp_path):
    done = subprocess.run(
        [sys.executable, "-m", "sphinx", "-W", "--keep-going", "-q", "-b", "html",
         "-d", str(tmp_path / "trees"), str(ROOT / "docs"), str(tmp_path / "site")],
        capture_output=True, text=True, check=False, cwd=ROOT,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    tables = (tmp_path / "site" / "generated" / "tables.html").read_text(encoding="utf-8")
    for name in SCHEMAS:
        assert (tmp_path / "site" / f"{name}.schema.json").exists()
    for name in (*TABLES, *RESULTS):
        assert f'id="{name.replace("_", "-")}"' in tables


@pytest.mark.parametrize("code", LANGUAGES)
def test_every_condition_has_its_words(code):
    lang = language(code)
    for name, condition in catalogue().items():
        for word in ("wrong", "means", "told_apart", "needs"):
            assert lang(f"condition.{name}.{word}"), (name, word)
        assert lang(f"condition.{name}.told_apart").endswith("."), name
        assert lang.has(f"check.{name}.1.do"), name
        for figure in condition.figures:
            assert lang.has(f"figure.{figure}"), (name, figure)
