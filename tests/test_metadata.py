"""What the package says of itself."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def test_the_metadata_are_complete():
    for name in ("description", "readme", "license", "authors", "keywords", "classifiers"):
        assert PROJECT[name], name


def test_the_classifiers_agree_with_what_is_required():
    least = re.fullmatch(r">=3\.(\d+)", PROJECT["requires-python"])
    assert least
    named = [int(found[1]) for line in PROJECT["classifiers"]
             if (found := re.fullmatch(r"Programming Language :: Python :: 3\.(\d+)", line))]
    assert min(named) == int(least[1])
    assert named == list(range(min(named), max(named) + 1))
    assert "Typing :: Typed" in PROJECT["classifiers"]
    assert (ROOT / "remanence" / "py.typed").exists()
    # A licence classifier beside a licence expression is refused by package indexes (PEP 639).
    assert not [line for line in PROJECT["classifiers"] if line.startswith("License ::")]

