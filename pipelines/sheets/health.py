"""``remanence report``: the weekly health report as a folder, and ``findings.json`` beside it."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

from remanence.analytics.conditions.diagnosis import diagnose
from remanence.analytics.health.gather import Health, health, telling_actuations
from remanence.analytics.history import History
from remanence.dashboards.finding_words import FindingText
from remanence.dashboards.page import language as language_of
from remanence.pipelines.sheets.load import load_history
from remanence.pipelines.sheets.refresh import newest_week, prepare
from remanence.pipelines.sheets.traces import load_traces
from remanence.pipelines.sheets.write_files import write_files
from remanence.pipelines.store.past_findings import earlier_findings, keep_findings
from remanence.pipelines.store.service_log import read_service
from remanence.pipelines.store.store import Store
from remanence.shared.errors import RemanenceError
from remanence.shared.findings import URGENCIES, Finding
from remanence.shared.weeks import Week


@dataclass(frozen=True)
class ReportOutcome:
    """A report as written."""

    folder: Path
    front_page: Path
    week: Week
    findings: tuple[Finding, ...]
    set_aside: tuple[str, ...] = ()

    def has(self, urgency: str | None) -> bool:
        """Whether a finding that urgent, or more, stands."""
        if urgency is None:
            return False
        return any(
            URGENCIES.index(f.urgency) <= URGENCIES.index(urgency) for f in self.findings
        )

    def text(self) -> str:
        """What to print: how many findings of which urgency, the first few, and where."""
        counts = {u: sum(f.urgency == u for f in self.findings) for u in URGENCIES}
        words = {"now": "do not run with it", "week": "before the week is out",
                 "plan": "order or schedule", "watch": "nothing to do yet"}
        lines = [f"Week {self.week}: " + (", ".join(
            f"{n} {u} ({words[u]})" for u, n in counts.items() if n
        ) or "nothing found")]
        lines += [
            f"  {f.urgency:5} {f.subject}: {f.condition}" + (f" since {f.since}" if f.since else "")
            for f in self.findings if f.urgency in ("now", "week")
        ]
        lines += [f"  set aside: {text}" for text in self.set_aside]
        lines.append(f"Health report: {self.front_page}")
        return "\n".join(lines)


def made_at() -> datetime:
    """Now, or the moment that ``SOURCE_DATE_EPOCH`` states, so that bytes can repeat.

    Source of the convention: Reproducible Builds, SOURCE_DATE_EPOCH specification.
    """
    stated = os.environ.get("SOURCE_DATE_EPOCH")
    if stated is None:
        return datetime.now(UTC).replace(microsecond=0)
    try:
        return datetime.fromtimestamp(int(stated), UTC)
    except (ValueError, OverflowError, OSError):
        raise RemanenceError(
            f"SOURCE_DATE_EPOCH: found {stated!r}; it must be whole seconds since 1970"
        ) from None


def findings_json(
    page: Health, findings: list[Finding], moment: datetime, words: FindingText
) -> dict[str, Any]:
    """The object that ``findings.json`` holds, its words in one language."""
    return {
        "venue": page.venue_id,
        "week": str(page.week),
        "made_at": moment.strftime("%Y-%m-%dT%H:%M:%SZ"),
        "remanence": version("remanence-locks"),
        "findings": [words.json(finding) for finding in findings],
        "locks": [lock.as_json() for lock in page.locks],
    }


def write_report(
    given: str | Path, *, week: str | None = None, out: Path | None = None,
    language: str = "en", single_file: bool = False,
) -> ReportOutcome:
    """Write the health report of one week.

    Parameters
    ----------
    given : str or Path
        The venue file or its folder.
    week : str, optional
        Like ``2026-W47``; default: :func:`remanence.pipelines.sheets.weekly.newest_week`.
    out : Path, optional
        Folder to write; default ``reports/WEEK`` beside the venue file.
    language : str, default "en"
        Language of the pages.
    single_file : bool, default False
        One HTML file with everything in it instead of a folder of pages.

    Returns
    -------
    ReportOutcome

    Raises
    ------
    RemanenceError
        The venue file, the store or the week is at fault, or ``out`` cannot be written.
    """
    chosen = Week.parse(week) if week else None
    ready = prepare(given)
    chosen = chosen or newest_week(ready.venue, ready.store)
    past = load_history(ready.venue, ready.path, chosen)
    findings = diagnose(past)
    page = _gather(past, findings, ready.store, ready.path)
    moment = made_at()
    folder = out or ready.path.parent / "reports" / str(chosen)
    files = _pages(page, language, single_file=single_file)
    words = FindingText(language_of(language), ready.venue)
    text = json.dumps(findings_json(page, findings, moment, words), indent=1, ensure_ascii=False,
                      allow_nan=False)
    files["findings.json"] = (text + "\n").encode()
    _write(folder, files)
    aside = read_service(ready.venue, ready.path).set_aside
    return ReportOutcome(folder, folder / "index.html", chosen, tuple(findings), aside)


def _gather(past: History, findings: list[Finding], store: Store, path: Path) -> Health:
    folder = Path(store.folder)
    earlier = earlier_findings(folder, past.week)
    keep_findings(folder, past.week, findings)
    return health(
        past, findings, earlier=earlier, rejects=store.rejects(),
        traces=load_traces(store, telling_actuations(past, findings)),
        service_set_aside=read_service(past.venue, path).set_aside,
        version=version("remanence-locks"),
    )


def _pages(page: Health, language: str, *, single_file: bool) -> dict[str, bytes]:
    from remanence.dashboards.health_report import render_health, render_single_file

    if single_file:
        return {"index.html": render_single_file(page, language=language)}
    return render_health(page, language=language)


def _write(folder: Path, files: dict[str, bytes]) -> None:
    write_files(folder, files)
    for stale in (*folder.glob("locks/*.html"), *folder.glob("supplies/*.html")):
        if stale.relative_to(folder).as_posix() not in files:
            stale.unlink()
