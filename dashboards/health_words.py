"""What the health report says of its numbers, in one language: numbers in, sentences out."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

from remanence.analytics.health.model import DeepSag, LockHealth, SupplyHealth
from remanence.dashboards.health_words_figures import LONG_MS
from remanence.dashboards.health_words_front import FrontWords
from remanence.dashboards.page import EN_DASH
from remanence.shared.venue import Lock

__all__ = ["LONG_MS", "PastEntry", "Speaker"]

_SOON_MS = 60_000.0
"""An opening so soon after a command is told with it."""


@dataclass(frozen=True)
class PastEntry:
    """One line of a lock's past."""

    when: str
    what: str
    day: date


@dataclass(frozen=True)
class Speaker(FrontWords):
    """The words of one report in one language: of its front page, locks and supplies."""

    def lock_kind(self, lock: Lock) -> str:
        """What it is, in one line."""
        return " · ".join((
            self.lang(f"mechanism.{lock.mechanism}"), self.lang(f"released.{lock.released_by}"),
            self.lang(f"guards.{lock.guards}"),
        ))

    def wiring(self, lock: Lock) -> list[tuple[str, str]]:
        """How a lock is wired and rated."""
        lang = self.lang
        amps = lang.measured(lock.amps, unit="A") if lock.amps else None
        rows: list[tuple[str, str | None]] = [
            ("command", lang("wiring.command_says", channel=lock.command,
                             value=lock.command_energised)),
            ("contact", f"{lock.contact}, {lang(f'closed_when.{lock.contact_closed_when}')}"
             if lock.contact else lang("wiring.none")),
            ("senses", lang(f"kind.{lock.latency_kind}") if lock.latency_kind else None),
            ("self_cut", lang("wiring.yes") if lock.self_cut else None),
            ("suppression", lang(f"suppression.{lock.suppression}")),
            ("rated", ", ".join(filter(None, (
                lang.measured(lock.rated_volts, unit="V"),
                lang.measured(lock.ohms, unit="Ω") if lock.ohms else None, amps)))),
            ("max_on", lang.measured(lock.max_on_ms, unit="ms") if lock.max_on_ms else
             lang("wiring.continuous") if lock.continuous else None),
            ("duty", lang.unit(lang.number(lock.duty_percent), "%")
             if lock.duty_percent is not None else None),
            ("holding", lang.measured(lock.holding_newtons, unit="N")
             if lock.holding_newtons else None),
            ("cable", ", ".join(filter(None, (
                lang.measured(lock.cable_metres, unit="m") if lock.cable_metres else None,
                lang.measured(lock.cable_mm2, unit="mm²") if lock.cable_mm2 else None,
                f"AWG {lock.cable_awg}" if lock.cable_awg is not None else None))) or None),
            ("part", lock.part),
            ("installed", lang.day(lock.installed, year=True) if lock.installed else None),
            ("limit", lang.measured(lock.release_within_ms, unit="ms")
             if lock.release_within_ms else None),
        ]
        return [(lang(f"wiring.{name}"), value) for name, value in rows if value]

    def lock_numbers(self, item: LockHealth) -> list[tuple[str, str]]:
        """The week of a lock in numbers; what a finding's figures tell is not told again."""
        lang, week = self.lang, item.week
        told = {figure.id for finding in item.findings for figure in finding.evidence}
        rows: list[tuple[str, str | None]] = [
            ("commands", lang("lock.commands_unseen", count=week.commands)
             if week.commands and week.unobserved == week.commands else
             lang("lock.commands_says", count=week.commands, released=week.released,
                  unanswered=week.unanswered)),
            ("already_open", lang.number(week.already_open) if week.already_open else None),
            ("retries", lang.number(week.retries)
             if week.retries and "retries" not in told else None),
            ("opened_alone", lang.number(week.opened_alone) if week.opened_alone else None),
            ("p95", self.latency_limits(item.p95_now, item.resolution_ms)),
            ("resolution", lang.measured(item.resolution_ms, unit="ms")
             if item.resolution_ms else None),
        ]
        if "median-latency" not in told:
            rows += [("median", self.latency_limits(item.now, item.resolution_ms)),
                     ("median_before", self.latency_limits(item.before, item.resolution_ms))]
        if "change-since-then" not in told and item.change_percent.value is not None:
            rows.append(("change", self.change(item)))
        if "commands-without-release" not in told and (
                item.unanswered_now.value or item.unanswered_before.value):
            rows += [("unanswered", self.share(item.unanswered_now)),
                     ("unanswered_before", self.share(item.unanswered_before))]
        rows += self._heat(item)
        return [(lang(f"lock.{name}"), value) for name, value in rows if value]

    def _heat(self, item: LockHealth) -> list[tuple[str, str | None]]:
        heat = item.heat
        if heat is None:
            return []
        lang = self.lang
        return [
            ("longest_on", lang.measured(heat.longest_on_ms / 1000, unit="s")
             if heat.longest_on_ms is not None else None),
            ("busiest", lang.unit(lang.number(heat.busiest_duty_percent, 1), "%")
             if heat.busiest_duty_percent is not None else None),
        ]

    def alone(self, item: LockHealth) -> list[str]:
        """The openings with no command, one line each."""
        lang = self.lang
        lines = []
        for opening in item.alone:
            line = lang("alone.energised" if opening.energised else "alone.plain",
                        moment=lang.moment(opening.at, seconds=True))
            if opening.open_ms is not None:
                line += lang("alone.open", length=self.span(opening.open_ms))
            if opening.since_command_ms is not None and opening.since_command_ms < _SOON_MS:
                line += lang("alone.since", length=self.span(opening.since_command_ms))
            if opening.other_lock:
                line += lang("alone.other", lock=opening.other_lock)
            lines.append(line + ".")
        return lines

    def company(self, sag: DeepSag) -> str:
        """What else was on: the pulsed locks by name, the held ones by number."""
        held = max(sag.others_on - len(sag.with_locks), 0)
        told = list(sag.with_locks)
        if held or not told:
            told.append(self.lang("supply.held", count=held))
        return self.lang.listing(told)

    def change(self, item: LockHealth) -> str:
        """Change against the baseline in words."""
        change = item.change_percent
        if change.value is None:
            return EN_DASH
        if change.low is not None and change.high is not None and change.low <= 0 <= change.high:
            return self.lang("lock.no_change", percent=self.lang.percent(
                max(-change.low, change.high) / 100))
        key = "lock.slower" if change.value > 0 else "lock.faster"
        return self.lang(key, percent=self.lang.percent(abs(change.value) / 100))

    def change_short(self, item: LockHealth) -> str:
        """Change against before as a signed figure; a dash where it may be none."""
        change = item.change_percent
        if change.value is None or change.low is None or change.high is None or (
                change.low <= 0 <= change.high):
            return EN_DASH
        sign = "+" if change.value > 0 else ""
        return sign + self.lang.percent(change.value / 100)

    def supply_kind(self, item: SupplyHealth) -> str:
        """What a supply is, in one line."""
        supply = item.supply
        parts = [self.lang(f"source.{supply.source}"),
                 self.lang.measured(supply.rated_volts, unit="V")]
        if supply.rated_amps:
            parts.append(self.lang.measured(supply.rated_amps, unit="A"))
        parts.append(self.lang(f"measured_at.{supply.measured_at}"))
        return " · ".join(parts)

    def past(self, item: Any) -> list[PastEntry]:
        """Services and earlier findings of a lock or supply, newest first."""
        lang, entries = self.lang, []
        for mark in getattr(item, "service", ()):
            what = lang(f"action.{mark.action}")
            if mark.result:
                what += f", {lang(f'result.{mark.result}')}"
            if mark.part:
                what += f", {lang('lock.part')} {mark.part}"
            if mark.note:
                what += f" (“{mark.note}”)"
            entries.append(PastEntry(lang.day(mark.day, year=True), what, mark.day))
        for episode in getattr(item, "episodes", ()):
            when = lang.week(episode.first)
            if episode.last != episode.first:
                when = lang("lock.weeks_span", first=episode.first.number,
                            last=lang.week(episode.last))
            entries.append(PastEntry(when, lang("lock.reported", condition=self.wrong(
                episode.condition)), episode.first.monday))
        return sorted(entries, key=lambda entry: (entry.day, entry.what), reverse=True)
