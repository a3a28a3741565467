"""The messages that the troubleshooting page explains are messages of the program."""

from __future__ import annotations

import ast
import re
from pathlib import Path

ROOT = Path(__file__).parents[1]
PAGE = (ROOT / "docs" / "troubleshooting.md").read_text(encoding="utf-8")


def constants() -> str:
    """Every text that the program can say, a line each."""
    found = []
    for room in ("shared", "pipelines", "dashboards", "analytics"):
        for path in (ROOT / room).rglob("*.py"):
            tree = ast.parse(path.read_text(encoding="utf-8"))
            found += [node.value for node in ast.walk(tree)
                      if isinstance(node, ast.Constant) and isinstance(node.value, str)]
    return "\n".join(found)


def test_every_message_of_the_page_is_one_of_the_program():
    said = constants()
    rows = re.findall(r"^\| (`[^|]+) \|", PAGE, re.MULTILINE)
    assert len(rows) > 15
    missing = []
    for row in rows:
        pieces = [piece.strip(" :,.;()?") for message in re.findall(r"`([^`]+)`", row)
                  for piece in re.split(r"\b[A-Z]{2,}\b|\.\.\.", message)]
        pieces = [piece for piece in pieces if len(piece) > 3]
        assert pieces, row
        missing += [piece for piece in pieces if piece not in said]
    assert not missing
