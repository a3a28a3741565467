"""Compiled page templates are kept beside the program's own compiled modules."""

import sys

import jinja2
import pytest

from remanence.dashboards import page


@pytest.fixture
def fresh(monkeypatch, tmp_path):
    """A folder for what is compiled, and a function that begins as a new process would."""
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    monkeypatch.setattr(sys, "pycache_prefix", str(tmp_path))
    compiled = []
    real = jinja2.Environment.compile

    def counted(self, source, name=None, *words, **more):
        compiled.append(name)
        return real(self, source, name, *words, **more)

    monkeypatch.setattr(jinja2.Environment, "compile", counted)

    def begin():
        compiled.clear()
        return page.environment.__wrapped__(), compiled

    return begin


def test_a_second_process_compiles_nothing(fresh):
    for expected in (["base.html.jinja"], []):
        environment, compiled = fresh()
        environment.get_template("base.html.jinja")
        assert compiled == expected


def test_a_changed_template_is_compiled_again(fresh, tmp_path):
    template = tmp_path / "one.jinja"
    seen = []
    for text in ("before", "after", "after"):
        template.write_text(text, encoding="utf-8")
        environment, compiled = fresh()
        environment.loader = jinja2.FileSystemLoader(tmp_path)
        assert environment.get_template("one.jinja").render() == text
        seen.append(len(compiled))
    assert seen == [1, 1, 0]


def test_where_nothing_can_be_written_pages_are_made_all_the_same(fresh, tmp_path, monkeypatch):
    taken = tmp_path / "taken"
    taken.write_text("a file where the folder would be", encoding="utf-8")
    monkeypatch.setattr(sys, "pycache_prefix", str(taken))
    environment, compiled = fresh()
    environment.get_template("base.html.jinja")
    assert compiled == ["base.html.jinja"]


def test_a_process_that_writes_no_compiled_modules_keeps_no_templates(fresh, monkeypatch):
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    environment, _ = fresh()
    assert environment.bytecode_cache is None
