"""The work sheet: the jobs of the week in walking order, on one printed page."""

from __future__ import annotations

from dataclasses import dataclass

from remanence.analytics.health.model import Job
from remanence.dashboards.health_words import Speaker

SHEET_JOBS = 16
"""Jobs that fit on one printed page of the work sheet; what is left out is said."""


@dataclass(frozen=True)
class SheetJob:
    """One line of the work sheet."""

    who: str
    state: str
    wrong: str
    do: str
    is_test: bool = False
    """A release test: the sheet asks passed or failed, then who and when."""


@dataclass(frozen=True)
class Stop:
    """One room on the walk, and what is to be done there."""

    room: str
    jobs: tuple[SheetJob, ...]


@dataclass(frozen=True)
class WorkSheet:
    """The work sheet: stops in walking order, parts and tools to bring."""

    stops: tuple[Stop, ...]
    parts: tuple[str, ...]
    bring: tuple[str, ...]
    left_out: int


def work_sheet(say: Speaker) -> WorkSheet:
    """The jobs in walking order: the rooms as the venue file has them, then rails and the rest."""
    health = say.health
    wanted = (*health.jobs, *(job for job in health.plans if job.part is None))
    jobs, left_out = wanted[:SHEET_JOBS], len(wanted[SHEET_JOBS:])
    stops: list[Stop] = []
    for room in health.venue.rooms:
        own = [line for job in jobs if job.kind == "lock" for line in _in_room(say, job, room)]
        if own:
            stops.append(Stop(room or say.lang("front.no_room"), tuple(own)))
    for kind in ("supply", "controller", "venue"):
        rest = tuple(_line(say, job, ", ".join(job.subjects)) for job in jobs if job.kind == kind)
        if rest:
            stops.append(Stop(say.lang(f"sheet.stop_{kind}"), rest))
    parts = dict.fromkeys(say.part(job.part, job.part_in_stock) for job in jobs if job.part)
    tools = dict.fromkeys(
        tool.strip() for job in jobs
        for finding in (job.lead, *job.others)
        for tool in say.lang.phrase(f"condition.{finding.condition}.bring", "").split(",")
        if tool.strip()
    )
    return WorkSheet(tuple(stops), tuple(parts), tuple(tools), left_out)


def _in_room(say: Speaker, job: Job, room: str) -> list[SheetJob]:
    locks = say.health.venue.locks_by_id
    here = [name for name in job.subjects if name in locks and locks[name].room == room]
    return [_line(say, job, ", ".join(here))] if here else []


def _line(say: Speaker, job: Job, who: str) -> SheetJob:
    wrong = ", ".join(say.wrong(finding) for finding in (job.lead, *job.others[:2]))
    is_test = any(
        finding.condition == "release-test-due" for finding in (job.lead, *job.others))
    return SheetJob(who, job.state, wrong, say.checks(job.lead)[0].do, is_test)
