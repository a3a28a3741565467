"""The examples of docs/log-formats.md, taken out of the page."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parents[3]
PAGE = ROOT / "docs" / "log-formats.md"


def examples():
    """From each heading to its [[log]] block and its files (name to text)."""
    found = {}
    for section in re.split(r"^## ", PAGE.read_text("utf-8"), flags=re.MULTILINE)[1:]:
        title = section.split("\n", 1)[0]
        block = "".join(re.findall(r"^```toml\n(.*?)^```$", section, re.DOTALL | re.MULTILINE))
        files = dict(re.findall(r"^```\w+ (\S+)\n(.*?)^```$", section, re.DOTALL | re.MULTILINE))
        if block:
            found[title] = (block, files)
    return found
