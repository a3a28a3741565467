"""What the analyses name in a finding has words on the pages, in every language."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import remanence.analytics as analytics
import remanence.dashboards as dashboards
from remanence.analytics.conditions import catalogue
from remanence.dashboards.finding_words import FindingText
from remanence.dashboards.page import LANGUAGES, language
from remanence.shared.findings import Finding
from tests.dashboards import small_venue

CALLS = ("Evidence", "share_evidence")


def _constants(node: ast.AST) -> set[str]:
    """The texts that an expression can come to, as far as they stand in the source."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return {node.value}
    if isinstance(node, ast.IfExp):
        return _constants(node.body) | _constants(node.orelse)
    if isinstance(node, (ast.Tuple, ast.List)):
        return set().union(*(_constants(item) for item in node.elts))
    return set()


def _texts(node: ast.AST) -> set[str]:
    """The same; of a text with a blank, what stands before it, and a star."""
    if isinstance(node, ast.JoinedStr):
        head = node.values[0]
        return {f"{head.value}*"} if isinstance(head, ast.Constant) else set()
    if isinstance(node, ast.IfExp):
        return _texts(node.body) | _texts(node.orelse)
    return _constants(node)


def _named() -> tuple[set[str], set[str], set[str]]:
    figures, causes, sentences = set(), set(), set()
    for path in Path(analytics.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call):
                continue
            name = getattr(node.func, "id", getattr(node.func, "attr", ""))
            if name in CALLS and node.args:
                figures |= _constants(node.args[0])
            if name in ("say", "_says") and node.args and path.parent.name == "conditions":
                sentences |= _texts(node.args[0])
            for word in node.keywords:
                if word.arg == "not_excluded":
                    causes |= _constants(word.value)
    return figures, causes, sentences


FIGURES, CAUSES, SENTENCES = _named()


def test_the_source_is_read_at_all():
    assert len(FIGURES) > 20
    assert len(SENTENCES) > 50
    assert "sticking-catch" in CAUSES


@pytest.mark.parametrize("code", LANGUAGES)
def test_every_figure_of_a_finding_has_words(code):
    lang = language(code)
    lost = sorted(figure for figure in FIGURES if not lang.has(f"figure.{figure}"))
    assert not lost, f"add these to [figure] in dashboards/words: {lost}"


@pytest.mark.parametrize("code", LANGUAGES)
def test_every_sentence_of_a_finding_has_words(code):
    lang = language(code)
    lost = sorted(
        item for item in SENTENCES if not (
            any(key.startswith(f"says.{item[:-1]}") for key in lang.words) if item.endswith("*")
            else lang.has(f"says.{item}")))
    assert not lost, f"add these to [says] in dashboards/words: {lost}"


def test_no_sentence_has_lost_its_finding():
    code = "".join(path.read_text(encoding="utf-8")
                   for room in (analytics, dashboards)
                   for path in Path(room.__file__).parent.rglob("*.py"))
    for key in language("en").words:
        head, _, rest = key.partition(".")
        if head == "says":
            name = rest.removesuffix(".one").removesuffix(".other")
            assert name in code or any(
                item.endswith("*") and name.startswith(item[:-1]) for item in SENTENCES
            ) or name.startswith(("opened-", "release-", "heat-")), name


@pytest.mark.parametrize("code", LANGUAGES)
def test_every_cause_that_is_not_excluded_has_words(code):
    lang = language(code)
    lost = sorted(name for name in CAUSES - set(catalogue()) if not lang.has(f"cause.{name}"))
    assert not lost, f"add these to [cause] in dashboards/words: {lost}"


@pytest.mark.parametrize("code", LANGUAGES)
def test_bounce_of_a_controller_has_checks_of_its_inputs(code):
    text = FindingText(language(code), small_venue.venue())
    lock, controller = (text.checks(Finding(subject, kind, "contact-chatter", "plan", 0.9))
                        for subject, kind in (("door", "lock"), ("plc", "controller")))
    assert len(lock) == 2
    assert len(controller) == 3
    assert all(check.do and check.expect and check.means for check in controller)
    assert not set(lock) & set(controller)
