"""Sphinx settings, and the pages that are made from the program's own tables."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))
sys.path.insert(0, str(HERE))

from generate import write_generated  # noqa: E402 - needs the path above

project = "Remanence"
author = "The Remanence maintainers"
extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon"]
source_suffix = {".md": "markdown"}
exclude_patterns = ["_build"]
html_extra_path = ["generated/schemas"]
myst_heading_anchors = 3
myst_enable_extensions = ["dollarmath"]
# A log of the examples is no language that a highlighter knows.
suppress_warnings = ["misc.highlighting_failure", "toc.empty_glob"]
autodoc_typehints = "none"
# A line a field, and names that share one stay together.
napoleon_custom_sections = [("Attributes", "params_style")]
html_theme = "alabaster"
html_theme_options = {
    "description": "Reads the logs of puzzle-room locks and says which need work.",
    "fixed_sidebar": False, "page_width": "68rem",
}
html_show_sphinx = False
html_show_copyright = False

write_generated(HERE / "generated")


def plain_references(
    app: object, what: str, name: str, thing: object, options: object, lines: list[str]
) -> None:
    """Numbered references of many docstrings share a page: make them plain text."""
    for number, line in enumerate(lines):
        lines[number] = re.sub(r"\[(\d+)\]_", r"[\1]", re.sub(r"^\.\. \[(\d+)\]", r"| [\1]", line))


def setup(app: Any) -> None:
    """Called by Sphinx."""
    app.connect("autodoc-process-docstring", plain_references, priority=900)
