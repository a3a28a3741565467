"""The weekly run: take in, derive, and write every sheet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from remanence.pipelines.sheets import all_sheets
from remanence.pipelines.sheets.refresh import prepare, take_in
from remanence.pipelines.sheets.sheet import SheetOutcome, SheetRun
from remanence.shared.weeks import Week


@dataclass(frozen=True)
class WeeklyOutcome:
    """What the weekly run did: what was taken in, in words, and each sheet by its name."""

    taken_in: str
    sheets: Mapping[str, SheetOutcome]

    def has(self, urgency: str | None) -> bool:
        """Whether a finding that urgent, or more, stands."""
        return any(sheet.has(urgency) for sheet in self.sheets.values())

    def text(self) -> str:
        """What to print."""
        return "\n".join((self.taken_in, *(sheet.text() for sheet in self.sheets.values())))


def run_weekly(
    given: str | Path, *, week: Week | None = None, language: str = "en"
) -> WeeklyOutcome:
    """Ingest, then write every sheet into its own folder beside the venue file.

    Parameters
    ----------
    given : str or Path
        The venue file or its folder.
    week : Week, optional
        The health report's; default: :func:`~remanence.pipelines.sheets.refresh.newest_week`.
    language : str, default "en"
        Language of the pages.
    """
    taken, _ = take_in(given)
    run = SheetRun(prepare(given), language, options={"week": week})
    return WeeklyOutcome(taken, {sheet.name: sheet.write(run) for sheet in all_sheets()})
