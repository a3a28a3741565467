"""The message: five lines of a week's report, and what is not to be used."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from remanence.dashboards.page import Language
from remanence.pipelines.sheets.past_reports import Report, Told, named
from remanence.shared.findings import STATE_OF_URGENCY, URGENCIES
from remanence.shared.tell_target import TellTarget
from remanence.shared.terminal import printable
from remanence.shared.venue import Venue


@dataclass(frozen=True)
class Message:
    """One message.

    Attributes
    ----------
    keys : tuple of str
        What it tells, each by a name that stays the same: nothing is told twice.
    subject, text : str
        In the target's language.
    data : dict
        The same for programs.
    """

    keys: tuple[str, ...]
    subject: str
    text: str
    data: dict[str, Any]

    @property
    def identity(self) -> str:
        """A short name of it, the same at every try."""
        return hashlib.sha256("\n".join(self.keys).encode()).hexdigest()[:32]


def message_of(
    venue: Venue, target: TellTarget, report: Report, lang: Language, already: Collection[str], *,
    due: Sequence[tuple[str, date]] = (), orders: Sequence[tuple[str, date]] = (),
) -> Message | None:
    """What a target has to be told of a report; None where it knows all of it.

    Parameters
    ----------
    venue, target, report, lang
        Of what, to whom, in which language.
    already : collection of str
        Keys that it was told before.
    due : sequence of (lock, day), optional
        Release tests that are due, with the last day on which they are in time.
    orders : sequence of (part, day), optional
        Parts to order, and by when.

    Returns
    -------
    Message or None
    """
    stops = [told for told in report.standing if told.urgency == "now"]
    summary = f"summary/{report.week}"
    with_summary = "summary" in target.what and summary not in already
    if "do-not-use" not in target.what:
        fresh = []
    else:
        fresh = [told for told in stops if _key(told) not in already]
    if not with_summary and not fresh:
        return None
    shown = stops if with_summary and "do-not-use" in target.what else fresh
    keys = ((summary,) if with_summary else ()) + tuple(_key(told) for told in shown)
    lines = _five_lines(venue, report, lang, due, orders) if with_summary else [
        lang("tell.alone", venue=venue.name)]
    if shown:
        lines += ["", lang("state.do-not-run") + ":", *(_line(told, lang) for told in shown)]
    lines += ["", lang("page.advice")]
    subject = (lang("tell.subject", venue=venue.name, week=lang.week(report.week))
               if with_summary else
               lang("tell.subject_stop", venue=venue.name, subjects=named(shown)))
    data = {
        "venue": venue.id, "week": str(report.week), "kind": "summary" if with_summary
        else "do-not-use", "lines": [printable(line) for line in lines if line],
        "do_not_use": [{
            "subject": told.subject, "subject_kind": told.kind, "condition": told.condition,
            "title": told.title, "since": told.since.isoformat() if told.since else None}
            for told in shown]}
    message = Message(keys, printable(subject), "\n".join(map(printable, lines)) + "\n", data)
    data["id"] = message.identity
    return message


def _key(told: Told) -> str:
    """A finding by its life: one that ended and came back is told anew."""
    return f"do-not-use/{told.kind}/{told.subject}/{told.condition}/{told.first_named}"


def _five_lines(
    venue: Venue, report: Report, lang: Language, due: Sequence[tuple[str, date]],
    orders: Sequence[tuple[str, date]],
) -> list[str]:
    """The week in five lines."""
    counts = ", ".join(
        f"{lang('state.' + STATE_OF_URGENCY[urgency])} {lang.number(count)}"
        for urgency in URGENCIES
        if (count := sum(told.urgency == urgency for told in report.standing)))
    nobody = lang("tell.none")

    def of(urgency: str) -> str:
        return named([told for told in report.standing if told.urgency == urgency]) or nobody

    changes = [f"{lang('tell.' + word)} {named(items) or nobody}" for word, items in (
        ("new", report.of_status("new")), ("worse", report.of_status("worse")),
        ("fixed", report.of_status("ended")))]
    dates = [f"{lang('tell.' + word)} " + (", ".join(
        f"{name} ({lang.day(day)})" for name, day in items) or nobody)
        for word, items in (("tests", due), ("orders", orders))]
    return [
        f"{venue.name}, {lang.week(report.week)} ({lang.week_span(report.week)}): "
        + (counts or lang("front.verdict_none")),
        f"{lang('state.do-not-run')}: {of('now')}",
        f"{lang('state.act-this-week')}: {of('week')}",
        ". ".join(changes) + ".",
        ". ".join(dates) + ".",
    ]


def _line(told: Told, lang: Language) -> str:
    since = f", {lang('front.since', day=lang.day(told.since))}" if told.since else ""
    title = lang.phrase(f"condition.{told.condition}.wrong", told.title)
    return f"- {told.subject}: {title}{since}. {told.says}".rstrip()
