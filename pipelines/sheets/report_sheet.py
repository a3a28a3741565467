"""``remanence report``: the weekly health report as a folder, and ``findings.json`` beside it."""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from remanence.pipelines.clocks.now import stated_now
from remanence.pipelines.sheets.sheet import (
    Sheet,
    SheetOutcome,
    SheetRun,
    add_single_file,
    add_week,
    program_version,
)
from remanence.shared.errors import RemanenceError
from remanence.shared.findings import STATE_OF_URGENCY, URGENCIES, Finding

if TYPE_CHECKING:
    from remanence.analytics.health.gather import Health
    from remanence.analytics.history import History
    from remanence.dashboards.finding_words import FindingText
    from remanence.dashboards.ways import Ways
    from remanence.pipelines.sheets.refresh import Ready
    from remanence.shared.weeks import Week

FINDINGS_SCHEMA = 2
"""Version of findings.json: the second has ``status``, ``first_named`` and ``ended``."""

_PRINTED = ("now", "week")
"""Findings of these urgencies are printed one by one, the others only counted."""


@dataclass(frozen=True)
class ReportOutcome(SheetOutcome):
    """A report as written."""

    folder: Path
    week: Week
    findings: tuple[Finding, ...]
    set_aside: tuple[str, ...] = ()
    never_came: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()
    """What could not be written, a sentence each; the findings stand all the same."""
    ended: tuple[Finding, ...] = ()

    def has(self, urgency: str | None) -> bool:
        """Whether a finding that urgent, or more, stands."""
        if urgency is None:
            return False
        return any(
            URGENCIES.index(f.urgency) <= URGENCIES.index(urgency) for f in self.findings
        )

    def text(self) -> str:
        """What to print: how many findings of which urgency, the urgent ones, and where."""
        told = [finding for finding in self.findings if finding.urgency in _PRINTED]
        return self._text([_line(finding) for finding in told])

    def brief(self) -> str:
        """The same with what is new, worse or over; what stands as before is only counted."""
        told = [f for f in self.findings if f.urgency in _PRINTED]
        fresh = [f for f in told if f.status in ("new", "worse")]
        same = [f for f in told if f not in fresh]
        lines = [_line(finding) for finding in fresh]
        for urgency in _PRINTED:
            names = list(dict.fromkeys(f.subject for f in same if f.urgency == urgency))
            if names:
                lines.append(f"  {_state(urgency):{_WIDE}}  as before: {', '.join(names)}")
        return self._text(lines)

    def _text(self, told: list[str]) -> str:
        counts = {u: sum(f.urgency == u for f in self.findings) for u in URGENCIES}
        lines = [f"Week {self.week}: " + (", ".join(
            f"{_state(u)} {n}" for u, n in counts.items() if n
        ) or "no faults found"), *told]
        lines += [f"  fixed       {f.subject}: {_title(f)}, ended on {f.ended}"
                  for f in self.ended]
        lines += [f"  set aside: {text}" for text in self.set_aside]
        lines += [f"  never came in any log: {text}" for text in self.never_came]
        if not self.faults or self.front_page.exists():
            lines.append(f"Health report: {self.front_page}")
        return "\n".join(lines)


_WIDE = 10
"""Columns of a state's name."""


def _state(urgency: str) -> str:
    from remanence.dashboards.page import language  # Costs a package; only where it prints.

    return language("en")(f"state.{STATE_OF_URGENCY[urgency]}")


def _title(finding: Finding) -> str:
    from remanence.dashboards.page import language

    return language("en")(f"condition.{finding.condition}.wrong")


def _line(finding: Finding) -> str:
    """One finding: how urgent, of what, since when; how it goes on where it is not new."""
    return (f"  {_state(finding.urgency):{_WIDE}}  {finding.subject}: {_title(finding)} "
            f"[{finding.condition}]" + (f" since {finding.since}" if finding.since else "")
            + (f" ({finding.status}, first named {finding.first_named})"
               if finding.status != "new" else ""))


def made_at() -> datetime:
    """Now, or the moment that ``SOURCE_DATE_EPOCH`` states, so that bytes can repeat."""
    return stated_now() or datetime.now(UTC).replace(microsecond=0)


def findings_json(
    page: Health, findings: list[Finding], moment: datetime, words: FindingText
) -> dict[str, Any]:
    """The object that ``findings.json`` holds, its words in one language."""
    return {
        "schema": FINDINGS_SCHEMA,
        "venue": page.venue_id,
        "week": str(page.week),
        "made_at": moment.strftime("%Y-%m-%dT%H:%M:%SZ"),
        "remanence": program_version(),
        "findings": [words.json(finding) for finding in findings],
        "locks": [lock.as_json() for lock in page.locks],
    }


def write_report(run: SheetRun) -> ReportOutcome:
    """Write the health report of one week, and ``findings.json``.

    Parameters
    ----------
    run : SheetRun
        Its options: ``week``, a Week (default: the newest with two days of log), and
        ``single_file``, for one HTML file instead of a folder of pages.

    Returns
    -------
    ReportOutcome

    Raises
    ------
    RemanenceError
        The store or the week is at fault.
    """
    from remanence.dashboards.finding_words import FindingText
    from remanence.dashboards.page import language
    from remanence.dashboards.ways import REPORT, Ways
    from remanence.pipelines.sheets.write_files import write_files
    from remanence.pipelines.store.past_findings import keep_findings
    from remanence.pipelines.store.service_log import read_service

    ready = run.ready
    week = run.week
    past, made, findings = run.history(week), run.lives(week), run.findings(week)
    ended = [item for item in made.told if item.status == "ended"]
    page = _gather(past, findings, ready, ended)
    folder = run.folder("reports", str(week))
    ways = Ways(REPORT, run.ways(REPORT), tuple(ready.venue.locks_by_id))
    files = _pages(page, run.language, ways, single_file=bool(run.options.get("single_file")))
    words = FindingText(language(run.language), ready.venue)
    held = findings_json(page, [*findings, *ended], made_at(), words)
    text = json.dumps(held, indent=1, ensure_ascii=False, allow_nan=False)
    files["findings.json"] = (text + "\n").encode()
    faults = []
    for write, given_to in ((keep_findings, (ready.store.folder, week, findings, made.standing)),
                            (write_files, (folder, files))):
        try:
            write(*given_to)
        except RemanenceError as error:
            faults.append(str(error))
    aside = read_service(ready.venue, ready.path).set_aside
    return ReportOutcome(folder, week, tuple(findings), aside,
                         tuple(gone.text() for gone in ready.absent), tuple(faults), tuple(ended))


def _gather(
    past: History, findings: list[Finding], ready: Ready, ended: list[Finding]
) -> Health:
    from remanence.analytics.health.gather import health, telling_actuations
    from remanence.pipelines.sheets.traces import load_traces
    from remanence.pipelines.store.past_findings import earlier_findings
    from remanence.pipelines.store.service_log import read_service

    store = ready.store
    earlier = earlier_findings(Path(store.folder), past.week)
    return health(
        past, findings, earlier=earlier, rejects=store.rejects(),
        never_came=ready.absent,
        traces=load_traces(store, telling_actuations(past, findings)),
        service_set_aside=read_service(past.venue, ready.path).set_aside, ended=ended,
        version=program_version(),
    )


def _pages(page: Health, language: str, ways: Ways, *, single_file: bool) -> dict[str, bytes]:
    from remanence.dashboards.health_report import render_health, render_single_file

    if single_file:
        return {"index.html": render_single_file(page, language=language)}
    return render_health(page, language, ways)


def _options(parser: argparse.ArgumentParser) -> None:
    add_week(parser)
    add_single_file(parser)


SHEET = Sheet(
    "report", "write the weekly health report", "health report", write_report, "reports/WEEK",
    _options, "findings.json", place=10)
