"""The sheets, and the other commands' work.

The module ``NAME_sheet.py`` of this package is the sheet that ``remanence NAME`` writes: its
``SHEET`` (a :class:`~remanence.pipelines.sheets.sheet.Sheet`) is all that the commands, the weekly
run, the demo and the documentation know of it. Whoever adds such a module has added the sheet.
A sheet's module is imported for ``remanence --help``: it imports what it needs when it writes. An
installed package adds a sheet by an entry point of the group ``remanence.sheets``.
"""

from __future__ import annotations

import importlib
import pkgutil
from functools import cache
from typing import TYPE_CHECKING

from remanence.pipelines.sheets.sheet import Sheet, SheetOutcome
from remanence.shared.added import added, added_names, taken
from remanence.shared.on_demand import on_demand

if TYPE_CHECKING:
    from remanence.pipelines.sheets.check import report_text, schedule
    from remanence.pipelines.sheets.check_logs import logs_text
    from remanence.pipelines.sheets.demo import run_demo
    from remanence.pipelines.sheets.load import load_history, load_table
    from remanence.pipelines.sheets.parts_sheet import PARTS_SCHEMA
    from remanence.pipelines.sheets.past_reports import (
        REPORTS,
        Report,
        Told,
        named,
        read_report,
        reports,
    )
    from remanence.pipelines.sheets.refresh import (
        last_week,
        load_venue,
        newest_week,
        prepare,
        take_in,
        venue_file,
    )
    from remanence.pipelines.sheets.report_sheet import FINDINGS_SCHEMA, made_at
    from remanence.pipelines.sheets.sheet import (
        SheetOutcome,
        SheetRun,
        add_single_file,
        add_week,
        program_version,
    )
    from remanence.pipelines.sheets.timing_sheet import TIMING_SCHEMA
    from remanence.pipelines.sheets.weekly import run_weekly

__all__ = [
    "FINDINGS_SCHEMA", "PARTS_SCHEMA", "REPORTS", "Report", "Sheet", "SheetOutcome", "SheetRun",
    "TIMING_SCHEMA", "Told", "add_single_file", "add_week", "all_sheets", "last_week",
    "load_history", "load_table", "load_venue", "logs_text", "made_at", "named", "newest_week",
    "prepare", "program_version", "read_report", "report_text", "reports", "run_demo",
    "run_weekly", "schedule", "take_in", "venue_file",
]

_ENDING = "_sheet"
_GROUP = "remanence.sheets"


@cache
def all_sheets() -> tuple[Sheet, ...]:
    """Every sheet, in the order in which the weekly run writes them."""
    found = [
        importlib.import_module(f"{__name__}.{module.name}").SHEET
        for module in pkgutil.iter_modules(__path__) if module.name.endswith(_ENDING)
    ]
    own = {sheet.name for sheet in found}
    for name in added_names(_GROUP):
        sheet = added(_GROUP, name, Sheet)
        if sheet.name in own:
            raise taken(_GROUP, name)
        found.append(sheet)
    return tuple(sorted(found, key=lambda sheet: (sheet.place, sheet.name)))


__getattr__ = on_demand(__name__, {
    "check": ("report_text", "schedule"),
    "check_logs": ("logs_text",),
    "demo": ("run_demo",),
    "load": ("load_history", "load_table"),
    "parts_sheet": ("PARTS_SCHEMA",),
    "past_reports": ("REPORTS", "Report", "Told", "named", "read_report", "reports"),
    "refresh": ("last_week", "load_venue", "newest_week", "prepare", "take_in", "venue_file"),
    "report_sheet": ("FINDINGS_SCHEMA", "made_at"),
    "sheet": ("SheetOutcome", "SheetRun", "add_single_file", "add_week", "program_version"),
    "timing_sheet": ("TIMING_SCHEMA",),
    "weekly": ("run_weekly",),
})
