"""The reports that lie beside a venue file, as their ``findings.json`` tells them."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from pathlib import Path
from typing import Any

from remanence.analytics.health.morning import Usual
from remanence.shared.errors import RemanenceError
from remanence.shared.weeks import Week

REPORTS = "reports"
"""The folder beside the venue file that ``report`` and ``weekly`` write weeks into."""


@dataclass(frozen=True)
class Told:
    """One finding of a report, in its words.

    Attributes
    ----------
    subject, kind, condition, title, says, urgency, status : str
        As ``findings.json`` has them.
    since : date or None
        First day it holds from.
    first_named : str
        The week in which it was first said.
    """

    subject: str
    kind: str
    condition: str
    title: str
    says: str
    urgency: str
    status: str
    since: date | None = None
    first_named: str = ""


@dataclass(frozen=True)
class Report:
    """One week's report.

    Attributes
    ----------
    week : Week
        Which week.
    folder : str
        The name of its folder in ``reports``.
    findings : tuple of Told
        What stands, most urgent first, and what ended this week.
    states : mapping of str to str
        State of each lock.
    usual : mapping of str to Usual
        Usual time to release of each lock.
    """

    week: Week
    folder: str
    findings: tuple[Told, ...]
    states: Mapping[str, str]
    usual: Mapping[str, Usual]

    @property
    def standing(self) -> tuple[Told, ...]:
        """What has not ended."""
        return tuple(told for told in self.findings if told.status != "ended")

    def of_status(self, *statuses: str) -> tuple[Told, ...]:
        """Findings where they are in their lives."""
        return tuple(told for told in self.findings if told.status in statuses)


def reports(venue_folder: Path) -> list[Report]:
    """Every week's report, the newest first; a folder that holds none is passed over.

    Parameters
    ----------
    venue_folder : Path
        The venue file's.

    Returns
    -------
    list of Report
    """
    found = []
    home = venue_folder / REPORTS
    for folder in home.iterdir() if home.is_dir() else ():
        report = read_report(folder)
        if report is not None:
            found.append(report)
    return sorted(found, key=lambda report: report.week, reverse=True)


def read_report(folder: Path) -> Report | None:
    """The report that a folder holds; None where it holds none, or one that cannot be read."""
    path = folder / "findings.json"
    try:
        return _read(path, path.stat().st_mtime_ns)
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RemanenceError):
        return None


@lru_cache(maxsize=120)
def _read(path: Path, _changed: int) -> Report:
    """A report as it was at a time of change: two years of them are not read for every page."""
    held = json.loads(path.read_text(encoding="utf-8"))
    folder = path.parent
    return Report(
        Week.parse(folder.name), folder.name, tuple(_told(item) for item in held["findings"]),
        {item["lock"]: item["state"] for item in held["locks"]},
        {item["lock"]: _usual(item) for item in held["locks"]})


def _told(item: Mapping[str, Any]) -> Told:
    since = item.get("since")
    return Told(
        str(item["subject"]), str(item["subject_kind"]), str(item["condition"]),
        str(item.get("title", item["condition"])), str(item.get("says", "")),
        str(item["urgency"]), str(item.get("status", "standing")),
        date.fromisoformat(since) if since else None, str(item.get("first_named") or ""))


def _usual(item: Mapping[str, Any]) -> Usual:
    def value(name: str) -> float | None:
        figure = (item.get(name) or {}).get("value")
        return float(figure) if isinstance(figure, int | float) else None

    step = item.get("resolution_ms")
    return Usual(
        item.get("latency_from"), value("latency_before_ms"), value("latency_p95_before_ms"),
        float(step) if isinstance(step, int | float) else None)


def named(items: Sequence[Told]) -> str:
    """Subjects, each once, in their order."""
    return ", ".join(dict.fromkeys(told.subject for told in items))
