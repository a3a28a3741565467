"""The front page in words: the week in one line, jobs, one line a lock, what was not seen."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from remanence.analytics.health.model import ControllerHealth, Job, LockHealth, Mended, SupplyHealth
from remanence.dashboards.health_words_findings import FindingWords
from remanence.shared.findings import STATE_OF_URGENCY, STATES

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

    def rooms(self) -> tuple[Room, ...]:
        """Every room with its locks."""
        return tuple(
            Room(name, tuple(lock for lock in self.health.locks if lock.lock.room == name))
            for name in self.health.venue.rooms
        )

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
        for item in told.changed:
            unit = {"polling": "ms", "sampling": "ms", "pulse": "ms", "converter": "V"}.get(
                item.quantity, "%")
            before, now = (lang.measured(100 * value if unit == "%" else value, unit=unit)
                           for value in (item.before or 0.0, item.value))
            entries.append(Entry(
                lang(f"untold.changed_{item.quantity}", subject=item.subject),
                lang("untold.changed_says", before=before, now=now, day=lang.day(item.since))))
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
