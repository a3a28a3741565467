"""What the analyses name in a finding has words on the pages, in every language."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import remanence.analytics as analytics
from remanence.dashboards.health_words import slug
from remanence.dashboards.page import LANGUAGES, language
from remanence.shared.conditions import CONDITIONS

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


def _named() -> tuple[set[str], set[str]]:
    figures, causes = set(), set()
    for path in Path(analytics.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call):
                continue
            name = getattr(node.func, "id", getattr(node.func, "attr", ""))
            if name in CALLS:
                what = node.args[0] if node.args else next(
                    (word.value for word in node.keywords if word.arg == "what"), None)
                figures |= _constants(what) if what is not None else set()
            for word in node.keywords:
                if word.arg == "not_excluded":
                    causes |= _constants(word.value)
    return figures, causes


FIGURES, CAUSES = _named()


def test_the_source_is_read_at_all():
    assert len(FIGURES) > 20
    assert "sticking-catch" in CAUSES


@pytest.mark.parametrize("code", LANGUAGES)
def test_every_figure_of_a_finding_has_words(code):
    lang = language(code)
    lost = sorted(what for what in FIGURES if not lang.has(f"figure.{slug(what)}"))
    assert not lost, f"add these to [figure] in dashboards/words: {lost}"


@pytest.mark.parametrize("code", LANGUAGES)
def test_every_cause_that_is_not_excluded_has_words(code):
    lang = language(code)
    lost = sorted(name for name in CAUSES - set(CONDITIONS)
                  if not lang.has(f"cause.{slug(name)}"))
    assert not lost, f"add these to [cause] in dashboards/words: {lost}"
