"""The weekly run: take in, derive, and write the three sheets."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from remanence.pipelines.sheets.health import ReportOutcome, write_report
from remanence.pipelines.sheets.refresh import load_venue, take_in


@dataclass(frozen=True)
class WeeklyOutcome:
    """What the weekly run did."""

    taken_in: str
    report: ReportOutcome
    timing: str
    parts: str

    def has(self, urgency: str | None) -> bool:
        """Whether a finding that urgent, or more, stands."""
        return self.report.has(urgency)

    def text(self) -> str:
        """What to print."""
        return "\n".join((self.taken_in, self.report.text(), self.timing, self.parts))


def run_weekly(
    given: str | Path, *, week: str | None = None, language: str = "en"
) -> WeeklyOutcome:
    """Ingest, then write the health report, the designer's and the owner's sheet.

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

    taken, _ = take_in(given)
    report = write_report(given, week=week, language=language)
    venue, path = load_venue(given)
    timing = write_timing(venue, path, path.parent / "timing", language=language).text()
    parts = write_parts(venue, path, path.parent / "parts", language=language,
                        found=(report.week, report.findings)).text()
    return WeeklyOutcome(taken, report, timing, parts)
