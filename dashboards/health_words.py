"""What the health report says of its numbers, in one language: numbers in, sentences out."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from markupsafe import Markup

from analytics.health_model import (
    ControllerHealth,
    Estimate,
    Health,
    Job,
    LockHealth,
    Mended,
    SupplyHealth,
)
from dashboards.page import EN_DASH, NBSP, Language, decimals_for
from shared.findings import STATE_OF_URGENCY, Evidence, Finding
from shared.venue import Lock

_UNITS = {"ohm": "Ω", "ohms": "Ω", "percent": "%", "degC": "°C", "celsius": "°C", "": ""}
_UNTOLD_UNITS = ("nat", "standard deviations")
"""Figures in these units serve programs, and stand in findings.json only."""

LONG_MS = 10_000.0
"""From here on a time is told in seconds."""

_SOON_MS = 60_000.0
"""An opening so soon after a command is told with it."""

SPARK_WEEKS = 26
_SPARK_WIDTH, _SPARK_HEIGHT = 84, 22


@dataclass(frozen=True)
class Group:
    """Jobs of one urgency."""

    state: str
    title: str
    says: str
    jobs: tuple[Job, ...]


@dataclass(frozen=True)
class Room:
    """A room and its locks, in the venue file's order."""

    name: str
    locks: tuple[LockHealth, ...]


@dataclass(frozen=True)
class Entry:
    """One line of what the log could not tell."""

    title: str
    text: str = ""
    locks: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class PastEntry:
    """One line of a lock's past."""

    when: str
    what: str
    day: date


@dataclass(frozen=True)
class Check:
    """One check at the bench."""

    do: str
    expect: str = ""
    means: str = ""


@dataclass(frozen=True)
class Speaker:
    """The words of one report in one language."""

    lang: Language
    health: Health

    # Front page ----------------------------------------------------------------

    def verdict_state(self) -> str:
        """The state that the week as a whole is in."""
        if not self.health.heard:
            return "too-little-data"
        if not self.health.jobs:
            # A week in which no lock could be watched is not a good one.
            watched = any(not lock.silence for lock in self.health.locks)
            return "good" if watched else "too-little-data"
        return self.health.jobs[0].state

    def verdict(self) -> str:
        """The whole week in one line."""
        jobs = self.health.jobs
        if not self.health.heard:
            return self.lang("front.verdict_silent")
        if not jobs:
            if self.verdict_state() == "good":
                return self.lang("front.verdict_none")
            return self.lang("front.verdict_unseen")
        now = sum(job.lead.urgency == "now" for job in jobs)
        rest = len(jobs) - now
        if not now:
            return self.lang("front.verdict_week", count=rest)
        first = self.lang("front.verdict_now", count=now)
        return first + self.lang("front.verdict_more", count=rest) if rest else first

    def coverage(self) -> str:
        """How much of the week and of the locks the verdict rests on."""
        health = self.health
        if not health.heard:
            last = health.last_record
            return self.lang(
                "front.silent_says", span=self.lang.week_span(health.week),
                last=self.lang("front.silent_last", moment=self.lang.moment(last)) if last
                else self.lang("front.silent_never"),
            )
        watched = sum(not lock.silence for lock in health.locks)
        return self.lang("front.coverage", days=health.untold.days_logged, watched=watched,
                         total=len(health.locks))

    def job_groups(self) -> tuple[Group, ...]:
        """The jobs by urgency; empty groups are left out."""
        made = []
        for urgency, jobs in (("now", self.health.jobs), ("week", self.health.jobs),
                              ("plan", self.health.plans)):
            own = tuple(job for job in jobs if job.lead.urgency == urgency)
            if own:
                says = self.lang(f"front.jobs_{urgency}_says")
                made.append(Group(STATE_OF_URGENCY[urgency], self.lang(f"front.jobs_{urgency}"),
                                  says, own))
        return tuple(made)

    def rooms(self) -> tuple[Room, ...]:
        """Every room with its locks."""
        return tuple(
            Room(name, tuple(lock for lock in self.health.locks if lock.lock.room == name))
            for name in self.health.venue.rooms
        )

    def tally(self) -> str:
        """How many locks are in which state."""
        from shared.findings import STATES

        said = [f"{self.lang.number(count)} {self.lang(f'state.{state}').lower()}"
                for state in STATES if (count := self.health.count(state))]
        return self.lang("front.tally", total=len(self.health.locks), said=", ".join(said))

    def place(self, job: Job) -> str:
        """Where a job is."""
        if job.kind == "lock":
            return self.lang.listing(room or self.lang("front.no_room") for room in job.rooms)
        return self.lang(f"subject.{job.kind}")

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

    def value(
        self, value: float | None, low: float | None, high: float | None, unit: str,
        *, long: bool = False,
    ) -> str:
        """A figure with its unit; long times in seconds."""
        if unit == "ms" and value is not None and (long or abs(value) >= LONG_MS):
            def seconds(figure: float | None) -> float | None:
                return None if figure is None else figure / 1000

            return self.lang.measured(seconds(value), seconds(low), seconds(high), "s")
        return self.lang.measured(value, low, high, self.unit(unit))

    def unit(self, unit: str) -> str:
        """A unit as people write it."""
        return self.lang.phrase(f"unit.{unit}", _UNITS.get(unit, unit)) if unit else ""

    def rows(self, finding: Finding) -> list[Evidence]:
        """The figures of a finding that mean something to a person."""
        return [item for item in finding.evidence if item.unit not in _UNTOLD_UNITS]

    def also(self, job: Job) -> str:
        """The job's further conditions."""
        return self.lang("front.also", conditions=self.conditions(
            [item.condition for item in job.others]))

    def sure(self, score: float) -> str:
        """How sure: the probability, and never certainty."""
        return self.lang("sure.words", percent=self.lang.percent(min(score, 0.99)))

    def facts(self, job: Job) -> str:
        """How sure, since when, what to bring."""
        parts = [self.sure(job.lead.score)]
        if job.lead.since:
            parts.append(self.lang("front.since", day=self.lang.day(job.lead.since)))
        bring = self.bring(job)
        if bring:
            parts.append(self.lang("front.bring", things=", ".join(bring)))
        return " · ".join(parts)

    def bring(self, job: Job) -> list[str]:
        """Spare part first, then tools."""
        things = [self.part(job.part, job.part_in_stock)] if job.part else []
        tools = self.lang.phrase(f"condition.{job.lead.condition}.bring", "").split(", ")
        return [*things, *(tool for tool in tools[:2] if tool)]

    def part(self, part: str, in_stock: int | None) -> str:
        """A spare part and how many lie in stock."""
        if in_stock is None:
            return self.lang("front.spare", part=part)
        if in_stock == 0:
            return self.lang("front.spare_none", part=part)
        return self.lang("front.spare_some", part=part, count=in_stock)

    def lock_line(self, lock: LockHealth) -> str:
        """Why a lock is in its state."""
        if lock.findings:
            lead = lock.findings[0]
            return f"{self.wrong(lead)}{self.figure(lead, ': ')}."
        if lock.silence:
            return self.lang(f"silence.{lock.silence}", count=lock.week.judged)
        week = lock.week
        if not week.unanswered:
            return self.lang("lock.all_answered", count=week.judged)
        return self.lang("lock.some_answered", answered=week.released, total=week.judged)

    def supply_line(self, supply: SupplyHealth) -> str:
        """Why a supply is in its state."""
        if supply.findings:
            lead = supply.findings[0]
            return f"{self.wrong(lead)}{self.figure(lead, ': ')}."
        if supply.silence:
            return self.lang(f"supply.silence_{supply.silence}")
        return self.lang(
            "supply.line", idle=self.volts(supply.idle.value),
            loaded=self.volts(supply.loaded_low),
        )

    def volts(self, volts: float | None, decimals: int = 1) -> str:
        """Volts as a meter shows them."""
        return self.lang.unit(self.lang.number(volts, decimals), "V")

    def controller_line(self, unit: ControllerHealth) -> str:
        """What a controller logged and how its clock is."""
        if unit.findings:
            said = f"{self.wrong(unit.findings[0])}."
        elif not unit.records:
            return self.lang("controller.silent")
        else:
            said = ""
        line = self.lang("controller.line", records=unit.records, hours=unit.hours)
        if unit.resolution_ms:
            line += " " + self.lang("controller.step", step=self.lang.measured(
                unit.resolution_ms, unit="ms"))
        if unit.restarts:
            line += " " + self.lang("controller.restarts", count=unit.restarts)
        if unit.clock_unmended:
            line += " " + self.lang("controller.unmended", count=unit.clock_unmended)
        return f"{said} {line}".strip()

    def latency(self, estimate: Estimate, step_ms: float | None = None) -> str:
        """A latency, no finer than the log's step; ``over 20 ms`` where it was not reached."""
        value, low, high = estimate.value, estimate.low, estimate.high
        if value is None:
            if not low:
                return ""
            return self.lang("lock.at_least", low=self.value(low, None, None, "ms"))
        if step_ms and value < LONG_MS:
            decimals = min(decimals_for(value, low, high), -math.floor(math.log10(step_ms)), 1)
            return self.lang.unit(self.lang.number(value, decimals), "ms")
        return self.value(value, low, high, "ms")

    def latency_limits(self, estimate: Estimate, step_ms: float | None) -> str:
        """A latency with its interval and count, no finer than the log's step."""
        value, low, high = estimate.value, estimate.low, estimate.high
        if value is None or value >= LONG_MS:
            return self.latency(estimate, step_ms)
        decimals = min(decimals_for(value, low, high), 1)
        if step_ms:
            decimals = min(decimals, -math.floor(math.log10(step_ms)))
        number = self.lang.number
        if high is None:
            ends = f"≥ {number(low, decimals)}".replace(" ", NBSP)
        else:
            ends = f"{number(low or 0.0, decimals)}{EN_DASH}{number(high, decimals)}"
        return self.lang("lock.with_limits", value=self.lang.unit(number(value, decimals), "ms"),
                         interval=ends, n=estimate.n)

    def with_limits(self, estimate: Estimate, unit: str = "ms") -> str:
        """A figure with its interval and count: ``61 ms (60–62; 71)``."""
        if estimate.value is None:
            return EN_DASH
        return self.lang(
            "lock.with_limits",
            value=self.lang.measured(estimate.value, estimate.low, estimate.high, unit),
            interval=self.interval(estimate.value, estimate.low, estimate.high, unit),
            n=estimate.n,
        )

    def interval(
        self, value: float | None, low: float | None, high: float | None, unit: str,
    ) -> str:
        """An interval whose unit stands before it, rounded like the figure."""
        return self.lang.interval(value, low, high, unit).removesuffix(
            self.lang.unit("", unit)).rstrip()

    def share(self, estimate: Estimate) -> str:
        """A share with its interval."""
        if estimate.value is None:
            return EN_DASH
        low = None if estimate.low is None else 100 * estimate.low
        high = None if estimate.high is None else 100 * estimate.high
        return self.with_limits(Estimate(100 * estimate.value, low, high, estimate.n), "%")

    def spark(self, lock: LockHealth) -> Markup:
        """The weekly medians as a line of 26 weeks: a picture beside the number, no more."""
        oldest = self.health.week.plus(1 - SPARK_WEEKS).monday
        points = [((p.week.monday - oldest).days // 7, p.median_ms) for p in lock.weeks
                  if p.median_ms is not None and p.week.monday >= oldest]
        if len(points) < 3:
            return Markup("")
        values = [value for _, value in points]
        low = min([*values, lock.band_low_ms or values[0]])
        high = max([*values, lock.band_high_ms or values[0]])
        # A calm line stays calm: never less than a third of the usual time from foot to top.
        spare = max(sorted(values)[len(values) // 2] / 3 - (high - low), 0.0) / 2
        low, high = low - spare, high + spare
        scale = (_SPARK_HEIGHT - 6) / max(high - low, 1e-9)

        def x(week: int) -> str:
            return f"{3 + week * (_SPARK_WIDTH - 6) / (SPARK_WEEKS - 1):.0f}"

        def y(value: float) -> str:
            return f"{_SPARK_HEIGHT - 3 - (value - low) * scale:.1f}".removesuffix(".0")

        band = ""
        if lock.band_low_ms is not None and lock.band_high_ms is not None:
            top, foot = y(lock.band_high_ms), y(lock.band_low_ms)
            band = (f'<rect x="0" y="{top}" width="{_SPARK_WIDTH}" '
                    f'height="{max(float(foot) - float(top), 1):.0f}" class="spark-band"/>')
        line = " ".join(f"{x(week)},{y(value)}" for week, value in points)
        last = points[-1]
        return Markup(
            '<svg class="spark" viewBox="0 0 {w} {h}" aria-hidden="true" focusable="false">{band}'
            '<polyline points="{line}"/><circle cx="{cx}" cy="{cy}" r="2.6"/></svg>'
        ).format(w=_SPARK_WIDTH, h=_SPARK_HEIGHT, band=Markup(band), line=line,
                 cx=x(last[0]), cy=y(last[1]))

    def verdict_mark(self, verdict: str) -> str:
        """The shape that stands before a piece of work."""
        return {"better": "good", "worse": "act-this-week"}.get(verdict, "watch" if
                verdict == "same" else "too-little-data")

    def effect(self, item: Mended) -> str:
        """The figures behind the word on a piece of work."""
        if item.verdict in ("unobserved",):
            return ""
        if item.before.value is None and item.after.value is None:
            return ""
        text = self.lang(
            "mended.figures", before=self.with_limits(item.before),
            after=self.with_limits(item.after),
        )
        if item.unanswered_before.value or item.unanswered_after.value:
            text += " " + self.lang(
                "mended.shares", before=self.lang.percent(item.unanswered_before.value),
                after=self.lang.percent(item.unanswered_after.value))
        if item.verdict == "same" and item.smallest_change_percent is not None:
            text += " " + self.lang("mended.none_larger", percent=self.lang.percent(
                item.smallest_change_percent / 100))
        return text

    def untold(self) -> tuple[Entry, ...]:
        """What the log could not tell, entry by entry."""
        told, lang = self.health.untold, self.lang
        entries = []
        for gap in told.gaps:
            entries.append(Entry(lang("untold.gap"), f"{self.subject(gap)}{self.figure(gap, ': ')}"
                                 + (f", {self.since(gap)}" if gap.since else "")))
        for reason in ("no-log", "no-feedback", "no-commands", "few"):
            locks = tuple(
                (name, f" ({lang.number(count)})" if reason == "few" else "")
                for name, why, count in told.silent_locks if why == reason
            )
            if locks:
                entries.append(Entry(lang(f"untold.{reason}"), locks=locks))
        for controller, moment, kind, seconds, mended in told.clock_events[:8]:
            size = f", {lang.measured(seconds, unit='s')}" if seconds is not None else ""
            entries.append(Entry(
                lang("untold.clock", controller=controller),
                f"{lang.moment(moment)}: {lang(f'clock.{kind}')}{size}, "
                f"{lang('untold.mended' if mended else 'untold.unmended')}",
            ))
        if len(told.clock_events) > 8:
            entries.append(Entry(lang("untold.clock_more"),
                                 lang.number(len(told.clock_events) - 8)))
        for controller, step in told.coarse:
            entries.append(Entry(lang("untold.coarse", controller=controller), lang(
                "untold.coarse_says", step=lang.measured(step, unit="ms"))))
        if told.rejected:
            entries.append(Entry(lang("untold.rejected"), lang(
                "untold.rejected_says", count=told.rejected, reasons="; ".join(
                    f"{lang.number(count)} × {reason}"
                    for reason, count in told.rejected_reasons[:5]))))
        return tuple(entries)

    def unanswered_line(self) -> str:
        """The share of commands that no release answered."""
        share = self.health.unanswered
        if share.value is None:
            return self.lang("numbers.unanswered_none")
        return self.lang("numbers.unanswered_says", share=self.share(share))

    # Findings ------------------------------------------------------------------

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

    # Lock and supply -------------------------------------------------------------

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
        """The week of a lock in numbers."""
        lang, week = self.lang, item.week
        rows: list[tuple[str, str | None]] = [
            ("commands", lang("lock.commands_unseen", count=week.commands)
             if week.commands and week.unobserved == week.commands else
             lang("lock.commands_says", count=week.commands, released=week.released,
                  unanswered=week.unanswered)),
            ("already_open", lang.number(week.already_open) if week.already_open else None),
            ("retries", lang.number(week.retries) if week.retries else None),
            ("opened_alone", lang.number(week.opened_alone) if week.opened_alone else None),
            ("median", self.latency_limits(item.now, item.resolution_ms)),
            ("median_before", self.latency_limits(item.before, item.resolution_ms)),
            ("change", self.change(item) if item.change_percent.value is not None else None),
            ("p95", self.latency_limits(item.p95_now, item.resolution_ms)),
            ("unanswered", self.share(item.unanswered_now)
             if item.unanswered_now.value is not None else None),
            ("unanswered_before", self.share(item.unanswered_before)
             if item.unanswered_before.value is not None else None),
            ("resolution", lang.measured(item.resolution_ms, unit="ms")
             if item.resolution_ms else None),
        ]
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

    def span(self, ms: float) -> str:
        """A length of time in the unit that people would use."""
        for least, divisor, unit in ((7_200_000.0, 3_600_000.0, "h"), (120_000.0, 60_000.0, "min"),
                                     (1000.0, 1000.0, "s")):
            if ms >= least:
                return self.lang.unit(self.lang.number(ms / divisor, 0 if ms >= 10 * divisor
                                                       else 1), unit)
        return self.lang.unit(self.lang.number(ms), "ms")

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


def slug(text: str) -> str:
    """A text as a key: small letters, digits and hyphens."""
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")
