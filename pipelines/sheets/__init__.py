"""The sheets, and the other commands' work.

The module ``NAME_sheet.py`` of this package is the sheet that ``remanence NAME`` writes: its
``SHEET`` (a :class:`~remanence.pipelines.sheets.sheet.Sheet`) is all that the commands, the weekly
run, the demo and the documentation know of it. Whoever adds such a module has added the sheet.
A sheet's module is imported for ``remanence --help``: it imports what it needs when it writes.
"""

from __future__ import annotations

import importlib
import pkgutil
from functools import cache

from remanence.pipelines.sheets.sheet import Sheet

__all__ = ["Sheet", "all_sheets"]

_ENDING = "_sheet"


@cache
def all_sheets() -> tuple[Sheet, ...]:
    """Every sheet, in the order in which the weekly run writes them."""
    found = [
        importlib.import_module(f"{__name__}.{module.name}").SHEET
        for module in pkgutil.iter_modules(__path__) if module.name.endswith(_ENDING)
    ]
    return tuple(sorted(found, key=lambda sheet: (sheet.place, sheet.name)))
