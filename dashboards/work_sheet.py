"""The work sheet: a card for each job of the week, what must not be used first, then by room."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from markupsafe import Markup

from remanence.analytics.health.model import Job
from remanence.dashboards.finding_words import Check
from remanence.dashboards.health_words import Speaker
from remanence.shared.findings import Finding

RELEASE_TEST = "release-test-due"
"""The condition whose card has boxes for a test passed or failed."""
_QUIET_MODULES = 4
"""White border of a square code, in its modules (ISO/IEC 18004:2015, 6.3.8)."""

LockPage = Callable[[str], str]
"""Way from the report's folder to the page of a lock."""


@dataclass(frozen=True)
class Wrong:
    """One thing that is wrong: its name, and its figure with range."""

    name: str
    figure: str
    checks: tuple[Check, ...]


@dataclass(frozen=True)
class Card:
    """One job.

    Attributes
    ----------
    who : tuple of str
        The locks, or the rail, controller or venue.
    where : str
        The rooms; empty for what is in none.
    wiring : tuple of str
        Channel and rail of each lock.
    state : str
        How urgent.
    wrong : tuple of Wrong
        What was found, the most urgent first.
    since : str
        Since when, where that is known.
    part : str
        The part to bring, by its plain name, and how many are in stock; empty for none.
    tests : tuple of str
        Locks whose release is to be tested, each with boxes of its own.
    code : Markup
        A square code that opens the lock's page; empty where the pages are served nowhere.
    """

    who: tuple[str, ...]
    where: str
    wiring: tuple[str, ...]
    state: str
    wrong: tuple[Wrong, ...]
    since: str
    part: str
    tests: tuple[str, ...]
    code: Markup


@dataclass(frozen=True)
class Stop:
    """One stop on the walk, and the cards of it."""

    title: str
    cards: tuple[Card, ...]
    stops_play: bool = False


@dataclass(frozen=True)
class WorkSheet:
    """The work sheet: stops in walking order, parts and tools to bring."""

    stops: tuple[Stop, ...]
    parts: tuple[str, ...]
    bring: tuple[str, ...]


def work_sheet(say: Speaker, lock_page: LockPage) -> WorkSheet:
    """All jobs of the week: what must not be used, then rooms as the venue file has them.

    Parameters
    ----------
    say : Speaker
        The week's words.
    lock_page : function of a lock's name
        The way from the report's folder to its page, for the square codes.
    """
    health = say.health
    jobs = (*health.jobs, *(job for job in health.plans if job.part is None))
    urgent = [job for job in jobs if job.lead.urgency == "now"]
    rest = [job for job in jobs if job.lead.urgency != "now"]
    stops = []
    if urgent:
        order = {room: place for place, room in enumerate(health.venue.rooms)}
        urgent.sort(key=lambda job: min((order.get(room, len(order)) for room in job.rooms),
                                        default=len(order)))
        stops.append(Stop(say.lang("state.do-not-run"),
                          tuple(_card(say, job, job.subjects, lock_page) for job in urgent), True))
    for room in health.venue.rooms:
        own = [card for job in rest if job.kind == "lock"
               for card in _in_room(say, job, room, lock_page)]
        if own:
            stops.append(Stop(room or say.lang("front.no_room"), tuple(own)))
    for kind in ("supply", "controller", "venue"):
        others = tuple(_card(say, job, job.subjects, lock_page)
                       for job in rest if job.kind == kind)
        if others:
            stops.append(Stop(say.lang(f"sheet.stop_{kind}"), others))
    parts = dict.fromkeys(part_name(say, job) for job in jobs if job.part)
    tools = dict.fromkeys(
        tool.strip() for job in jobs
        for finding in (job.lead, *job.others)
        for tool in say.lang.phrase(f"condition.{finding.condition}.bring", "").split(",")
        if tool.strip()
    )
    return WorkSheet(tuple(stops), tuple(parts), tuple(tools))


def part_name(say: Speaker, job: Job) -> str:
    """A job's part by its plain name, its id in brackets, and how many are in stock."""
    if job.part is None:
        return ""
    known = say.health.venue.parts_by_id.get(job.part)
    name = f"{known.description} ({job.part})" if known and known.description else job.part
    return say.part(name, job.part_in_stock)


def _in_room(say: Speaker, job: Job, room: str, lock_page: LockPage) -> list[Card]:
    locks = say.health.venue.locks_by_id
    here = tuple(name for name in job.subjects if name in locks and locks[name].room == room)
    return [_card(say, job, here, lock_page)] if here else []


def _card(say: Speaker, job: Job, subjects: tuple[str, ...], lock_page: LockPage) -> Card:
    locks = say.health.venue.locks_by_id
    known = [locks[name] for name in subjects if name in locks]
    lang = say.lang
    wiring = tuple(lang("sheet.wiring", channel=lock.command, rail=lock.supply) for lock in known)
    tested = any(finding.condition == RELEASE_TEST for finding in (job.lead, *job.others))
    return Card(
        who=subjects if job.kind != "venue" else (say.health.venue.name,),
        where=lang.listing(dict.fromkeys(lock.room for lock in known if lock.room)),
        wiring=wiring, state=job.state,
        wrong=tuple(_wrong(say, finding) for finding in (job.lead, *job.others)),
        since=say.since(job.lead), part=part_name(say, job),
        tests=tuple(lock.id for lock in known) if tested else (),
        code=_code(say, lock_page(known[0].id)) if len(known) == 1 else Markup(""),
    )


def _wrong(say: Speaker, finding: Finding) -> Wrong:
    return Wrong(say.wrong(finding), say.figure(finding, ranged=True), say.checks(finding))


def _code(say: Speaker, page: str) -> Markup:
    """A square code of a page's address, drawn black on white on any ground."""
    served = say.health.venue.served_at
    if not served:
        return Markup("")
    import segno  # Costs a package; only where pages are served.

    address = f"{served.rstrip('/')}/reports/{say.health.week}/{page}"
    drawn = segno.make(address, error="m", micro=False)
    return Markup('<a class="code" href="{address}" aria-label="{label}">{drawn}</a>').format(
        address=address, label=say.lang("sheet.code"), drawn=Markup(drawn.svg_inline(
            border=_QUIET_MODULES, dark="#000", light="#fff", omitsize=True)))
