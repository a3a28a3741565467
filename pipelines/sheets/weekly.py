"""The weekly run: take in, derive, write every sheet, and tell whom the venue file names."""

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
from remanence.shared.weeks import AskedWeek


@dataclass(frozen=True)
class WeeklyOutcome:
    """What the weekly run did: what was taken in, in words, and each sheet by its name."""

    taken_in: tuple[str, ...]
    sheets: Mapping[str, SheetOutcome]
    faults: tuple[str, ...] = ()
    """What could not be written or told, a sentence each."""
    told: tuple[str, ...] = ()
    """Whom was told what."""

    def has(self, urgency: str | None) -> bool:
        """Whether a finding that urgent, or more, stands."""
        return any(sheet.has(urgency) for sheet in self.sheets.values())

    def text(self) -> str:
        """What to print: what is new, where the sheets lie, and who was told."""
        return "\n".join((*self.taken_in, *(sheet.brief() for sheet in self.sheets.values()),
                          *self.told))


def run_weekly(
    given: str | Path, *, week: AskedWeek | None = None, language: str = "en",
    now: datetime | None = None, single_file: bool = False, again: bool = False,
    dry_run: bool = False,
) -> WeeklyOutcome:
    """Ingest, then write every sheet into its own folder beside the venue file, then tell.

    What cannot be written keeps nothing else from being done: the findings are told on a full
    disk too. Where nothing that a sheet rests on has changed since the run before, its sheets stand
    as they are and are told again.

    Parameters
    ----------
    given : str or Path
        The venue file or its folder.
    week : Week or "last", optional
        That all sheets tell of, ``"last"`` for the one that ended last, with or without a log;
        default: :func:`~remanence.pipelines.sheets.refresh.newest_week`.
    language : str, default "en"
        Language of the pages.
    now : datetime, optional
        Records later than a day after it are set aside; default: what the machine's clock says.
    single_file : bool, default False
        The health report as one file with everything in it.
    again : bool, default False
        Work the sheets out in any case: whoever asks needs their numbers.
    dry_run : bool, default False
        Say what would be told, and send nothing.

    Raises
    ------
    RemanenceError
        The venue file is at fault, or no record could be taken; says what came of the logs.
    """
    taken: list[str] = []
    faults: list[str] = []
    try:
        taken.append(take_in(given, now=now).brief)
    except UnwritableStoreError as error:
        faults.append(str(error))
    try:
        ready = prepare(given)
    except RemanenceError as error:
        if faults:  # that nothing could be written says why the store is empty
            raise UnwritableStoreError("\n".join(faults)) from None
        raise RemanenceError("\n".join((str(error), *taken))) from None
    faults += ready.faults
    run = SheetRun(ready, language, options={"week": week, "single_file": single_file},
                   together=True)
    kept = None if faults or again else kept_outcomes(run)
    sheets = dict(kept or {})
    if kept is None:
        logged = logged_so_far(run)
        for sheet in all_sheets():
            try:
                sheets[sheet.name] = sheet.write(run)
                faults += sheets[sheet.name].faults
            except RemanenceError as error:
                faults.append(str(error))
        if not faults:
            keep_outcomes(run, logged, sheets)
    told: tuple[str, ...] = ()
    if ready.venue.tells:
        from remanence.pipelines.tell import tell  # Costs packages; only where somebody is told.

        try:
            outcome = tell(given, dry_run=dry_run)
            told, faults = outcome.lines, [*faults, *outcome.faults]
        except RemanenceError as error:
            faults.append(str(error))
    return WeeklyOutcome(tuple(taken), sheets, tuple(dict.fromkeys(faults)), told)
