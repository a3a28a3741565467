"""Text in the cells of files for spreadsheets: it stays text, whatever it begins with.

A spreadsheet takes a cell of a CSV file for a formula where it begins with one of a few
characters. An apostrophe before it keeps it text (common practice). A workbook says of each
cell what it is, if the writer is told not to guess.
"""

from __future__ import annotations

import re
from typing import Any

import polars as pl

BEGIN = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""What a formula may begin with; the last four are the wide forms of the first."""

_NUMBER = re.compile(r"^[+-]?[0-9]+([.][0-9]+)?(e[+-]?[0-9]+)?$")
"""A plain number calls nothing."""

TEXT_STAYS_TEXT: dict[str, Any] = {
    "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
"""Options of a workbook."""


def as_text(texts: pl.Expr) -> pl.Expr:
    """Texts as they may stand in a CSV file."""
    begins = texts.str.strip_chars_start(" ").str.slice(0, 1).is_in(list(BEGIN))
    begins &= ~texts.str.contains(_NUMBER.pattern)
    return pl.when(begins).then(pl.lit("'") + texts).otherwise(texts).name.keep()


def text_cell(cell: object) -> object:
    """One cell as it may stand in a CSV file; what is no text stays as it is."""
    if isinstance(cell, str) and cell.lstrip(" ").startswith(BEGIN) and not _NUMBER.search(cell):
        return "'" + cell
    return cell


def from_cell(cell: str) -> str:
    """The text that :func:`text_cell` put into a cell."""
    return cell[1:] if cell[:1] == "'" and cell[1:].lstrip(" ").startswith(BEGIN) else cell
