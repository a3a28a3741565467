"""Text on its way to a terminal, which obeys some signs instead of showing them."""

from __future__ import annotations

import unicodedata

_OBEYED = ("Cc", "Cf", "Cs", "Co", "Zl", "Zp")
"""Unicode categories of signs that do something instead of being shown: controls, marks that
turn the direction of writing, halves of pairs."""


def printable(text: str) -> str:
    """Text without control characters, which a terminal would obey; line breaks stay."""
    return "".join(
        sign if sign in "\n\t" or unicodedata.category(sign) not in _OBEYED else "\ufffd"
        for sign in text)
