"""The weekly run: take in, derive, and write every sheet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from remanence.pipelines.sheets import all_sheets
from remanence.pipelines.sheets.refresh import prepare, take_in
from remanence.pipelines.sheets.sheet import SheetOutcome, SheetRun
from remanence.pipelines.sheets.unchanged import keep_outcomes, kept_outcomes, logged_so_far
from remanence.shared.errors import RemanenceError, UnwritableStoreError
from remanence.shared.weeks import Week


@dataclass(frozen=True)
class WeeklyOutcome:
    """What the weekly run did: what was taken in, in words, and each sheet by its name."""

    taken_in: tuple[str, ...]
    sheets: Mapping[str, SheetOutcome]
    faults: tuple[str, ...] = ()
    """What could not be written, a sentence each."""

    def has(self, urgency: str | None) -> bool:
        """Whether a finding that urgent, or more, stands."""
        return any(sheet.has(urgency) for sheet in self.sheets.values())

    def text(self) -> str:
        """What to print."""
        return "\n".join((*self.taken_in, *(sheet.text() for sheet in self.sheets.values())))


def run_weekly(
    given: str | Path, *, week: Week | None = None, language: str = "en",
    now: datetime | None = None,
) -> WeeklyOutcome:
    """Ingest, then write every sheet into its own folder beside the venue file.

    What cannot be written keeps nothing else from being done: the findings are told on a full
    disk too. Where nothing that a sheet rests on has changed since the run before, its sheets stand
    as they are and are told again.

    Parameters
    ----------
    given : str or Path
        The venue file or its folder.
    week : Week, optional
        The health report's; default: :func:`~remanence.pipelines.sheets.refresh.newest_week`.
    language : str, default "en"
        Language of the pages.
    now : datetime, optional
        Records later than a day after it are set aside; default: what the machine's clock says.
    """
    taken: list[str] = []
    faults: list[str] = []
    try:
        taken.append(take_in(given, now=now)[0])
    except UnwritableStoreError as error:
        faults.append(str(error))
    ready = prepare(given)
    faults += ready.faults
    run = SheetRun(ready, language, options={"week": week})
    kept = None if faults else kept_outcomes(run)
    if kept is not None:
        return WeeklyOutcome(tuple(taken), kept)
    logged = logged_so_far(run)
    sheets: dict[str, SheetOutcome] = {}
    for sheet in all_sheets():
        try:
            sheets[sheet.name] = sheet.write(run)
            faults += sheets[sheet.name].faults
        except RemanenceError as error:
            faults.append(str(error))
    if not faults:
        keep_outcomes(run, logged, sheets)
    return WeeklyOutcome(tuple(taken), sheets, tuple(dict.fromkeys(faults)))
