"""Text on its way to a terminal, which obeys some signs instead of showing them."""

from __future__ import annotations

import os
import re
import textwrap
import unicodedata
from typing import TextIO

_OBEYED = ("Cc", "Cf", "Cs", "Co", "Zl", "Zp")
"""Unicode categories of signs that do something instead of being shown: controls, marks that
turn the direction of writing, halves of pairs."""


def printable(text: str) -> str:
    """Text without control characters, which a terminal would obey; line breaks stay."""
    return "".join(
        sign if sign in "\n\t" or unicodedata.category(sign) not in _OBEYED else "\ufffd"
        for sign in text)


WIDTH = 100
"""Columns that printed lines fit into."""

_COLOURS = (
    (re.compile(r"^(\s*)(Do not use|error:)", re.MULTILINE), "31;1"),
    (re.compile(r"^(\s*)(This week)\b", re.MULTILINE), "33;1"),
    (re.compile(r"^(\s*)(Plan|new|worse)(?=  )", re.MULTILINE), "34;1"),
    (re.compile(r"^(\s*)(Good|fixed)(?=  )", re.MULTILINE), "32;1"),
)
"""Words that begin a line, and the colour they have where a person watches. Codes: ECMA-48,
8.3.117 (select graphic rendition)."""


def fitted(text: str) -> str:
    """Text in lines of at most :data:`WIDTH` columns; a longer word, such as a path, stays whole.

    What a line goes on with is set in under it.
    """
    made = []
    for line in text.split("\n"):
        if len(line) <= WIDTH:
            made.append(line)
            continue
        indent = " " * (len(line) - len(line.lstrip()) + 4)
        made += textwrap.wrap(line, WIDTH, subsequent_indent=indent, break_long_words=False,
                              break_on_hyphens=False, replace_whitespace=False,
                              drop_whitespace=True) or [line]
    return "\n".join(made)


def coloured(text: str, stream: TextIO) -> str:
    """Text with the words that begin its lines in colour, where a person watches the stream.

    ``NO_COLOR`` in the environment, with any value, turns it off (https://no-color.org), and so
    does a terminal that calls itself dumb.
    """
    if os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb" or not stream.isatty():
        return text
    for words, code in _COLOURS:
        text = words.sub(f"\\1\x1b[{code}m\\2\x1b[0m", text)
    return text
