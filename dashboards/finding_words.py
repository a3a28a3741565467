"""Findings in words, of one language: sentences, figures and checks, for pages, terminal, files."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from remanence.dashboards.page import Language
from remanence.shared.findings import Amount, Evidence, Finding, Sentence
from remanence.shared.venue import Venue

_UNITS = {"ohm": "Ω", "ohms": "Ω", "percent": "%", "degC": "°C", "celsius": "°C", "": ""}
_HERE = "\0"
_MOST_CHECKS = 4
"""A condition has at most so many checks at the bench: a person does no more in one visit."""


@dataclass(frozen=True)
class Check:
    """One check at the bench: what to do, what to expect, what it means if not."""

    do: str
    expect: str = ""
    means: str = ""


@dataclass(frozen=True)
class FindingText:
    """What findings of a venue say in one language."""

    lang: Language
    venue: Venue

    def subject(self, finding: Finding) -> str:
        """Name of the subject; the venue by its own name."""
        return self.venue.name if finding.subject_kind == "venue" else finding.subject

    def title(self, condition: str) -> str:
        """The condition's short name for people."""
        return self.lang(f"condition.{condition}.wrong")

    def sentences(self, finding: Finding, *, here: bool = False) -> tuple[str, ...]:
        """What was found, sentence by sentence; what it explains and work in vain come last.

        ``here``: on the subject's own page, where its name would be said again and again.
        """
        said = [self._sentence(item, finding, here=here) for item in finding.says]
        return (*said, *self.asides(finding))

    def _sentence(self, item: Sentence, finding: Finding, *, here: bool) -> str:
        values = {name: self._shown(value) for name, value in item.values.items()}
        key = f"here.{finding.subject_kind}"
        if not here or not self.lang.has(key):
            return self.lang(f"says.{item.id}", subject=self.subject(finding), **values)
        # A mark that no name holds stands for the subject until the words around it are known.
        text = self.lang(f"says.{item.id}", subject=_HERE, **values)
        for word in self.lang("here.before_dative").split():
            text = text.replace(f"{word} {_HERE}", f"{word} {self.lang(f'{key}_dative')}")
        text = text.replace(_HERE, self.lang(key))
        return text[0].upper() + text[1:]

    def asides(self, finding: Finding) -> list[str]:
        """What else a finding says: the other lock of a pair, what it explains, work in vain."""
        extra, lang = finding.extra, self.lang
        said = []
        if extra.get("other"):
            said.append(lang("lock.other", lock=extra["other"]))
        likely = extra.get("likely_cause")
        if isinstance(likely, dict):
            said.append(lang("says.likely-cause", score=f"{100 * likely['score']:.0f}",
                             condition=lang(f"condition.{likely['condition']}.wrong")))
        told = extra.get("accounts_for", ())
        conditions = [lang(f"condition.{name}.wrong") for name in told
                      if lang.has(f"condition.{name}.wrong")]
        locks = [name for name in told if name in self.venue.locks_by_id]
        if conditions:
            said.append(lang("lock.accounts_for", conditions=lang.listing(conditions)))
        if locks:
            said.append(lang("says.explains-locks", locks=lang.listing(locks)))
        service = extra.get("service")
        if isinstance(service, dict) and service.get("helped") is False:
            said.append(lang("lock.in_vain", action=lang(f"action.{service['action']}"),
                             day=lang.day(date.fromisoformat(service["date"]))))
        if isinstance(service, dict) and service.get("came_back_after_weeks"):
            said.append(lang("lock.came_back", action=lang(f"action.{service['action']}"),
                             day=lang.day(date.fromisoformat(service["date"])),
                             count=service["came_back_after_weeks"]))
        return said

    def causes(self, finding: Finding) -> tuple[str, ...]:
        """Other causes that the log cannot rule out."""
        return tuple(
            self.lang(f"condition.{name}.wrong")
            if self.lang.has(f"condition.{name}.wrong") else self.lang(f"cause.{name}")
            for name in finding.not_excluded
        )

    def checks(self, finding: Finding) -> tuple[Check, ...]:
        """The checks at the bench; of an unsafe fitting, those of its own reasons.

        A condition that is said of more than one kind of subject may have checks for one kind.
        """
        reasons = finding.extra.get("reasons", ())
        names = [f"unsafe-{reason}" for reason in reasons] or [
            f"{finding.condition}-{finding.subject_kind}"
            if self.lang.has(f"check.{finding.condition}-{finding.subject_kind}.1.do")
            else finding.condition]
        if finding.extra.get("perhaps_replaced"):
            names = ["was-replaced", *names]
        made = []
        for name in names:
            for number in range(1, _MOST_CHECKS + 1):
                key = f"check.{name}.{number}"
                if self.lang.has(f"{key}.do"):
                    made.append(Check(self.lang(f"{key}.do"), self.lang(f"{key}.expect"),
                                      self.lang(f"{key}.means")))
        return tuple(made)

    def unsafe(self, finding: Finding) -> str:
        """What is unsafe, in words."""
        reasons = finding.extra.get("reasons", ())
        return "; ".join(self.lang(f"unsafe.{reason}") for reason in reasons)

    def figure(self, evidence: Evidence) -> str:
        """Name of a figure."""
        return self.lang(f"figure.{evidence.id}")

    def unit(self, unit: str) -> str:
        """A unit as people write it."""
        return self.lang.phrase(f"unit.{unit}", _UNITS.get(unit, unit)) if unit else ""

    def json(self, finding: Finding) -> dict[str, Any]:
        """The contract's object, for ``findings.json``.

        Parameters
        ----------
        finding : Finding
            Any.

        Returns
        -------
        dict of str to Any
            The fields by name, dates as text, the score to four digits; what is words in this
            language: ``title``, ``says``, ``check`` and each figure's ``what``. What ``extra``
            holds stands beside them.
        """
        return {
            "subject": finding.subject, "subject_kind": finding.subject_kind,
            "condition": finding.condition, "title": self.title(finding.condition),
            "urgency": finding.urgency, "status": finding.status,
            "first_named": str(finding.first_named) if finding.first_named else None,
            "ended": finding.ended.isoformat() if finding.ended else None,
            "since": finding.since.isoformat() if finding.since else None,
            "since_low": finding.since_low.isoformat() if finding.since_low else None,
            "since_high": finding.since_high.isoformat() if finding.since_high else None,
            "score": round(finding.score, 4),
            "says": " ".join(self.sentences(finding)),
            "evidence": [
                {"what": self.figure(item), "id": item.id,
                 "now": item.now, "now_low": item.now_low, "now_high": item.now_high,
                 "before": item.before, "before_low": item.before_low,
                 "before_high": item.before_high, "unit": item.unit, "n": item.n}
                for item in finding.evidence],
            "not_excluded": list(finding.not_excluded),
            "check": self.check_text(finding),
            **dict(finding.extra),
        }

    def check_text(self, finding: Finding) -> str:
        """All checks of a finding as one text."""
        return " ".join(check.do for check in self.checks(finding))

    def _shown(self, value: Any) -> Any:
        if isinstance(value, Amount):
            return self.lang.measured(value.value, unit=self.unit(value.unit))
        if isinstance(value, datetime):
            return self.lang.moment(value)
        if isinstance(value, date):
            return self.lang.day(value, year=True)
        return value
