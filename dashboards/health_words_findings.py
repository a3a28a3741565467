"""Findings in words: what is wrong, how sure, since when, what to check."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from remanence.dashboards.health_words_figures import LONG_MS, FigureWords
from remanence.shared.findings import STATE_OF_URGENCY, Evidence, Finding

_UNTOLD_UNITS = ("nat", "standard deviations")
"""Figures in these units serve programs, and stand in findings.json only."""


@dataclass(frozen=True)
class Check:
    """One check at the bench."""

    do: str
    expect: str = ""
    means: str = ""


@dataclass(frozen=True)
class FindingWords(FigureWords):
    """Findings in the words of one language."""

    def subject(self, finding: Finding) -> str:
        """Name of the subject; the venue by its own name."""
        return self.health.venue.name if finding.subject_kind == "venue" else finding.subject

    def has_page(self, finding: Finding) -> bool:
        """Whether the subject has a page of its own."""
        venue = self.health.venue
        return (finding.subject_kind == "lock" and finding.subject in venue.locks_by_id) or (
            finding.subject_kind == "supply" and finding.subject in venue.supplies_by_id
        )

    def knows(self, lock: str) -> bool:
        """Whether the venue file names this lock."""
        return lock in self.health.venue.locks_by_id

    def wrong(self, finding: Finding | str) -> str:
        """What is wrong, in plain words."""
        name = finding if isinstance(finding, str) else finding.condition
        return self.lang(f"condition.{name}.wrong")

    def conditions(self, names: Sequence[str]) -> str:
        """Several conditions in plain words; what is no condition stands as it is."""
        return self.lang.listing(
            self.wrong(name) if self.lang.has(f"condition.{name}.wrong")
            else self.lang.phrase(f"cause.{slug(name)}", name)
            for name in names
        )

    def figure(self, finding: Finding, lead: str = "") -> str:
        """The finding's first telling figure: ``: 101 ms, was 61``; nothing without one."""
        if finding.condition == "unsafe-fitting":
            return lead + self.unsafe(finding)
        for item in finding.evidence:
            key = f"lead.{slug(item.what)}"
            if not self.lang.has(key):
                key = "front.now_before"
            if item.now is None or (item.before is None and "{before}" in self.lang.words[key]):
                continue
            now, before = self.pair(item)
            return lead + self.lang(key, now=now, before=before)
        return ""

    def _long(self, item: Evidence) -> bool:
        figures = [figure for figure in (item.now, item.before) if figure is not None]
        return item.unit == "ms" and max(figures, default=0.0) >= LONG_MS

    def ranges(self, item: Evidence) -> tuple[str, str]:
        """The 95 % ranges of :meth:`pair`; empty where there is none."""
        unit, scale = ("s", 1000.0) if self._long(item) else (self.unit(item.unit), 1.0)

        def told(value: float | None, low: float | None, high: float | None) -> str:
            if low is None and high is None:
                return ""
            return self.interval(
                None if value is None else value / scale, None if low is None else low / scale,
                None if high is None else high / scale, unit)

        return (told(item.now, item.now_low, item.now_high),
                told(item.before, item.before_low, item.before_high))

    def pair(self, item: Evidence) -> tuple[str, str]:
        """A figure now and before, in the same unit."""
        long = self._long(item)
        return (self.value(item.now, item.now_low, item.now_high, item.unit, long=long),
                self.value(item.before, item.before_low, item.before_high, item.unit, long=long))

    def _unsafe_reasons(self, finding: Finding) -> tuple[str, ...]:
        """What is unsafe, restated from the venue file."""
        lock = self.health.venue.locks_by_id.get(finding.subject)
        reasons = []
        if lock is not None:
            supply = self.health.venue.supplies_by_id[lock.supply]
            if lock.on_way_out and lock.pulsed:
                reasons.append("way_out")
            if finding.evidence:
                reasons.append("volts")
            if not lock.pulsed and not lock.continuous:
                reasons.append("held")
            if lock.on_way_out and lock.fail_safe and supply.source == "battery":
                reasons.append("battery")
        return tuple(reasons)

    def unsafe(self, finding: Finding) -> str:
        """What is unsafe, in words."""
        reasons = self._unsafe_reasons(finding)
        if not reasons:
            return self.lang("unsafe.other")
        return "; ".join(self.lang(f"unsafe.{reason}") for reason in reasons)

    def means(self, finding: Finding) -> str:
        """What the condition is, in a sentence."""
        if finding.condition == "unsafe-fitting":
            return self.lang("unsafe.means", what=self.unsafe(finding))
        return self.lang(f"condition.{finding.condition}.means")

    def rows(self, finding: Finding) -> list[Evidence]:
        """The figures of a finding that mean something to a person."""
        return [item for item in finding.evidence if item.unit not in _UNTOLD_UNITS]

    def sure(self, score: float) -> str:
        """How sure: the probability, and never certainty."""
        return self.lang("sure.words", percent=self.lang.percent(min(score, 0.99)))

    def state(self, finding: Finding) -> str:
        """State that a finding puts its subject in."""
        return STATE_OF_URGENCY[finding.urgency]

    def since(self, finding: Finding) -> str:
        """Since when, with the days between which it began."""
        if finding.since is None:
            return ""
        if finding.since_low and finding.since_high and finding.since_low != finding.since_high:
            return self.lang("front.since_between", day=self.lang.day(finding.since),
                             low=self.lang.day(finding.since_low),
                             high=self.lang.day(finding.since_high))
        return self.lang("front.since", day=self.lang.day(finding.since))

    def said(self, finding: Finding) -> str:
        """The finding's own sentence, where it was written in this page's language."""
        return finding.says if self.lang.code == "en" else ""

    def evidence(self, what: str) -> str:
        """Name of a figure, in this language where it is known."""
        return self.lang.phrase(f"figure.{slug(what)}", what)

    def asides(self, finding: Finding) -> list[str]:
        """What else a finding says: the other lock of a pair, what it explains, work in vain."""
        extra, lang = finding.extra, self.lang
        said = []
        if extra.get("other"):
            said.append(lang("lock.other", lock=extra["other"]))
        if extra.get("accounts_for"):
            told = [self.wrong(name) for name in extra["accounts_for"]
                    if lang.has(f"condition.{name}.wrong")]
            if told:
                said.append(lang("lock.accounts_for", conditions=lang.listing(told)))
        service = extra.get("service")
        if isinstance(service, dict) and service.get("helped") is False:
            said.append(lang("lock.in_vain", action=lang(f"action.{service['action']}"),
                             day=lang.day(date.fromisoformat(service["date"]))))
        return said

    def checks(self, finding: Finding) -> tuple[Check, ...]:
        """The checks at the bench for a finding."""
        keys = [f"check.{finding.condition}.{number}" for number in range(1, 5)]
        if finding.condition == "unsafe-fitting":
            keys = [f"check.unsafe-{reason}.1" for reason in self._unsafe_reasons(finding)] or keys
        made = []
        for key in keys:
            if not self.lang.has(f"{key}.do"):
                break
            made.append(Check(self.lang(f"{key}.do"), self.lang(f"{key}.expect"),
                              self.lang(f"{key}.means")))
        return tuple(made) or (Check(finding.check),)


def slug(text: str) -> str:
    """A text as a key: small letters, digits and hyphens."""
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")
