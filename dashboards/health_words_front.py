"""The front page in words: the week in one line, jobs, one line a lock, what was not seen."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from remanence.analytics.health.model import ControllerHealth, Job, LockHealth, Mended, SupplyHealth
from remanence.dashboards.health_words_findings import FindingWords
from remanence.dashboards.life_strip import strip_weeks, strips
from remanence.dashboards.lock_state_words import state_reasons
from remanence.shared.findings import STATE_OF_URGENCY, STATES, Finding

_SAYS_OF_CHANGED = {name: f"changed_{name}_says" for name in (
    "place", "clocks", "wander", "unclear")}
"""What is said of a change that is no setting; of all others both settings are told."""


@dataclass(frozen=True)
class Group:
    """Jobs of one urgency."""

    state: str
    title: str
    says: str
    jobs: tuple[Job, ...]


@dataclass(frozen=True)
class Row:
    """One lock in the table of all locks: the strip of its life, and what its columns sort by."""

    health: LockHealth
    room: str
    strip: Markup
    starts_room: str
    """Place that a jump to its room leads to; empty where it is not the first of its room."""
    find: str
    """Words by which the filter finds it, in small letters."""

    @property
    def rank(self) -> int:
        """Worst state first."""
        return STATES.index(self.health.state)


@dataclass(frozen=True)
class Since:
    """Findings that are new, worse or over since the last report."""

    title: str
    said: tuple[tuple[Finding, str], ...]


@dataclass(frozen=True)
class Entry:
    """One line of what the log could not tell."""

    title: str
    text: str = ""
    locks: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class FrontWords(FindingWords):
    """The front page in the words of one language."""

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
                state = STATE_OF_URGENCY[urgency]
                made.append(Group(state, self.lang(f"state.{state}"),
                                  self.lang.phrase(f"front.jobs_{urgency}_says", ""), own))
        return tuple(made)

    def rooms(self) -> tuple[tuple[str, str], ...]:
        """Each room that has locks: the place on the page that a jump leads to, and its name."""
        used = {lock.lock.room for lock in self.health.locks}
        return tuple((f"room-{number}", name or self.lang("front.no_room"))
                     for number, name in enumerate(self.health.venue.rooms, 1) if name in used)

    def lock_rows(self) -> tuple[Row, ...]:
        """Every lock, room by room in the venue file's order; the strips of a room on one scale."""
        made: list[Row] = []
        weeks = strip_weeks(self.health.locks, self.health.week)
        for number, name in enumerate(self.health.venue.rooms, 1):
            own = [lock for lock in self.health.locks if lock.lock.room == name]
            drawn = strips(own, self.health.week, weeks)
            room = name or self.lang("front.no_room")
            made += [Row(lock, room, drawn[lock.lock.id], "" if place else f"room-{number}",
                         " ".join((lock.lock.id, room, self.lang(f"state.{lock.state}"),
                                   self.lock_line(lock))).lower())
                     for place, lock in enumerate(own)]
        return tuple(made)

    def since_last(self) -> tuple[Since, ...]:
        """What is new, worse and over since the last report; empty kinds are left out."""
        health = self.health
        told = [finding for job in (*health.jobs, *health.plans)
                for finding in (job.lead, *job.others)] + list(health.watch)
        made = []
        for status in ("new", "worse", "easing"):
            own = tuple((found, self.wrong(found)) for found in told if found.status == status)
            if own:
                made.append(Since(self.lang(f"front.since_{status}", count=len(own)), own))
        over = tuple((found, self.wrong(found)) for found in health.ended)
        if over:
            made.append(Since(self.lang("front.since_ended", count=len(over)), over))
        return tuple(made)

    @property
    def is_first_report(self) -> bool:
        """Whether every finding is new, so that nothing is told by saying so."""
        found = [f for lock in self.health.locks for f in lock.findings]
        return not self.health.ended and all(item.status == "new" for item in found)

    def tally(self) -> str:
        """How many locks are in which state."""
        said = [f"{self.lang(f'state.{state}')} {self.lang.number(count)}"
                for state in STATES if (count := self.health.count(state))]
        return self.lang("front.tally", total=len(self.health.locks), said=", ".join(said))

    def place(self, job: Job) -> str:
        """Where a job is."""
        if job.kind == "lock":
            return self.lang.listing(room or self.lang("front.no_room") for room in job.rooms)
        return self.lang(f"subject.{job.kind}")

    def also(self, job: Job) -> str:
        """The job's further conditions."""
        return self.lang("front.also", conditions=self.conditions(
            [item.condition for item in job.others]))

    def facts(self, job: Job) -> str:
        """How sure, since when, what to bring."""
        parts = [self.sure(job.lead)]
        if job.lead.status == "worse" or (job.lead.status == "new" and not self.is_first_report):
            parts.insert(0, self.lang(f"front.tag_{job.lead.status}"))
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
        if reasons := state_reasons(lock.known, self.lang):
            return f"{'; '.join(reasons)}."
        return self.lang("lock.all_answered", count=lock.week.judged)

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

    def verdict_mark(self, verdict: str) -> str:
        """The shape that stands before a piece of work; none where nothing can be said."""
        return {"better": "good", "worse": "act-this-week"}.get(verdict, "")

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
        for reason in ("no-log", "no-feedback", "no-commands", "few", "coarse-clock",
                       "unsteady-clock"):
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
        for item in told.changed:
            unit = {"polling": "ms", "sampling": "ms", "pulse": "ms", "converter": "V",
                    "clocks": "ms", "wander": "ms", "unclear": "days"}.get(
                item.quantity, "%")
            before, now = (lang.measured(100 * value if unit == "%" else value, unit=unit)
                           for value in (item.before or 0.0, item.value))
            entries.append(Entry(
                lang(f"untold.changed_{item.quantity}", subject=item.subject),
                lang(f"untold.{_SAYS_OF_CHANGED.get(item.quantity, 'changed_says')}",
                     before=before, now=now, day=lang.day(item.since))))
        for gone in told.never_came:
            uses = ", ".join(lang(f"untold.tells_{kind}", subject=name) for kind, name in gone.uses)
            hint = lang("untold.never_came_nearest", nearest=gone.nearest) if gone.nearest else ""
            entries.append(Entry(lang("untold.never_came", channel=gone.channel), uses + hint))
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
