"""Findings in words: what is wrong, how sure, since when, what to check."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from remanence.dashboards.finding_words import Check, FindingText
from remanence.dashboards.health_words_figures import LONG_MS, FigureWords
from remanence.dashboards.page import shown_decimals
from remanence.shared.findings import STATE_OF_URGENCY, Evidence, Finding

_UNTOLD_UNITS = ("nat", "standard deviations")
"""Figures in these units serve programs, and stand in findings.json only."""

MOST_SURE = 0.99
"""A page never claims more: no log proves anything beyond doubt."""
LEAST_APART = 0.05
"""A name's probability stands beside that of something being wrong from this difference on."""
ALWAYS_PERCENT = 99.95
"""From this share on it is every one: 100 % stands there."""
TIMES_PERCENT = 200.0
"""From twice on "4.5 times" is read sooner than "450 % of before"."""
_SAME_QUANTITY = dict.fromkeys(
    ("median-latency-at-rated-volts", "median-latency-beside-its-siblings"), "median-latency")
"""Figures that tell a quantity once more, corrected; a page shows it as the log has it, and the
change of it corrected."""


@dataclass(frozen=True)
class FindingWords(FigureWords):
    """Findings in the words of one language, as the pages show them."""

    @property
    def text(self) -> FindingText:
        """The sentences, checks and names that pages, terminal and files share."""
        return FindingText(self.lang, self.health.venue)

    def subject(self, finding: Finding) -> str:
        """Name of the subject; the venue by its own name."""
        return self.text.subject(finding)

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
        """Several conditions in plain words."""
        return self.lang.listing(self.wrong(name) for name in names)

    def causes(self, finding: Finding) -> str:
        """Other causes that the log cannot rule out."""
        return self.lang.listing(self.text.causes(finding), either=True)

    def figure(self, finding: Finding, lead: str = "", *, ranged: bool = False) -> str:
        """The finding's first telling figure: ``: 101 ms, was 61``; nothing without one.

        ``ranged``: with the 95 % range of this week's figure behind it.
        """
        if finding.condition == "unsafe-fitting":
            return lead + self.text.unsafe(finding)
        for item in finding.evidence:
            key = f"lead.{item.id}"
            if not self.lang.has(key):
                key = "front.now_before"
            if item.now is None or (item.before is None and "{before}" in self.lang.words[key]):
                continue
            if item.unit == "%" and item.now >= ALWAYS_PERCENT and self.lang.has(f"{key}-always"):
                key += "-always"
            now, before = self.pair(item)
            within = self.ranges(item)[0] if ranged else ""
            if within:
                now += f" ({within})"
            elif item.unit == "%" and item.now >= TIMES_PERCENT and self.lang.has(f"{key}-times"):
                key, now = f"{key}-times", self.lang.number(item.now / 100.0, 1)
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
        """A figure now and before, in the same unit and with the same decimals.

        The coarser of the two decides, as long as the other does not round to nought.
        """
        unit, scale = ("s", 1000.0) if self._long(item) else (self.unit(item.unit), 1.0)

        def scaled(value: float | None) -> float | None:
            return None if value is None else value / scale

        sides = [(scaled(value), scaled(low), scaled(high)) for value, low, high in (
            (item.now, item.now_low, item.now_high),
            (item.before, item.before_low, item.before_high))]
        decimals = min((shown_decimals(value, low, high, unit) for value, low, high in sides
                        if value is not None), default=0)
        shown = []
        for value, low, high in sides:
            if value is None or (value and not round(value, decimals)):
                shown.append(self.lang.measured(value, low, high, unit))
            else:
                shown.append(self.lang.unit(self.lang.number(value, decimals), unit))
        return shown[0], shown[1]

    def means(self, finding: Finding) -> str:
        """What the condition is, in a sentence."""
        if finding.condition == "unsafe-fitting":
            return self.lang("unsafe.means", what=self.text.unsafe(finding))
        return self.lang(f"condition.{finding.condition}.means")

    def rows(self, finding: Finding) -> list[Evidence]:
        """The figures of a finding that mean something to a person."""
        return [item for item in finding.evidence if item.unit not in _UNTOLD_UNITS]

    def evidence_once(
        self, findings: Sequence[Finding]
    ) -> list[tuple[Finding, list[Evidence]]]:
        """The figures of all findings of a page, each quantity once: by its first finding."""
        told: set[str] = set()
        made = []
        for finding in findings:
            rows = []
            for item in self.rows(finding):
                quantity = _SAME_QUANTITY.get(item.id, item.id)
                if quantity not in told:
                    told.add(quantity)
                    rows.append(item)
            made.append((finding, rows))
        return made

    def sure(self, finding: Finding) -> str:
        """How sure: of the name and, where that differs, that something is wrong at all."""
        percent = self.lang.percent(min(finding.score, MOST_SURE))
        wrong = min(finding.extra.get("effect_score", finding.score), MOST_SURE)
        if wrong - finding.score < LEAST_APART:
            return self.lang("sure.words", percent=percent)
        return self.lang("sure.apart", percent=percent, wrong=self.lang.percent(wrong))

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

    def said(self, finding: Finding) -> tuple[str, ...]:
        """What was found, in sentences of the page of its subject, which they do not name."""
        return self.text.sentences(finding, here=True)

    def evidence(self, item: Evidence) -> str:
        """Name of a figure."""
        return self.text.figure(item)

    def checks(self, finding: Finding) -> tuple[Check, ...]:
        """The checks at the bench for a finding."""
        return self.text.checks(finding)
