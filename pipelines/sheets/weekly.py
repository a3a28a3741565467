"""The weekly run: take in, derive, and write the three sheets."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from remanence.pipelines.sheets.health import ReportOutcome, write_report
from remanence.pipelines.sheets.refresh import load_venue, take_in
from remanence.shared.errors import RemanenceError, UnwritableStoreError


@dataclass(frozen=True)
class WeeklyOutcome:
    """What the weekly run did."""

    taken_in: tuple[str, ...]
    report: ReportOutcome
    rest: tuple[str, ...]
    faults: tuple[str, ...] = ()
    """What could not be written, a sentence each."""

    def has(self, urgency: str | None) -> bool:
        """Whether a finding that urgent, or more, stands."""
        return self.report.has(urgency)

    def text(self) -> str:
        """What to print."""
        return "\n".join((*self.taken_in, self.report.text(), *self.rest))


def run_weekly(
    given: str | Path, *, week: str | None = None, language: str = "en"
) -> WeeklyOutcome:
    """Ingest, then write the health report, the designer's and the owner's sheet.

    What cannot be written keeps nothing else from being done: the findings are told on a full
    disk too.

    Parameters
    ----------
    given : str or Path
        The venue file or its folder.
    week : str, optional
        Like ``2026-W47``; default: :func:`newest_week`.
    language : str, default "en"
        Language of the pages.
    """
    from remanence.pipelines.sheets.parts import write_parts
    from remanence.pipelines.sheets.timing import write_timing

    taken: list[str] = []
    rest: list[str] = []
    faults: list[str] = []
    try:
        taken.append(take_in(given)[0])
    except UnwritableStoreError as error:
        faults.append(str(error))
    report = write_report(given, week=week, language=language)
    venue, path = load_venue(given)
    for write in (
        lambda: write_timing(venue, path, path.parent / "timing", language=language),
        lambda: write_parts(venue, path, path.parent / "parts", language=language,
                            found=(report.week, report.findings)),
    ):
        try:
            outcome = write()
            rest.append(outcome.text())
            faults += outcome.faults
        except RemanenceError as error:
            faults.append(str(error))
    faults = list(dict.fromkeys([*faults, *report.faults]))
    return WeeklyOutcome(tuple(taken), report, tuple(rest), tuple(faults))
