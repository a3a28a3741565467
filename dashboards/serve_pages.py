"""The server's own pages: the weeks, this morning's round, and the forms for work that was done."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from remanence.analytics.health.morning import ANSWERED, ROUND_STATES, LockRound
from remanence.dashboards.page import Language, Link, environment, file_names, resource
from remanence.shared.findings import STATE_OF_URGENCY, URGENCIES
from remanence.shared.venue import Venue

MARKS: Mapping[str, str] = {
    "no-answer": "do-not-run", "slower": "act-this-week", "waiting": "watch",
    "not-cycled": "too-little-data", "already-open": "plan", "unobserved": "watch",
    "released": "good",
}
"""The shape and colour of each state of the round; a word stands beside it."""

POLICY = ("default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
          "connect-src 'self'; form-action 'self'; base-uri 'none'")
"""What these pages may load, run and send; the server's headers say it once more."""

_WAYS = (("/", "serve.weeks"), ("/morning", "serve.morning"), ("/done", "serve.done"),
         ("/release-test", "serve.release_test"))
_KINDS = {"style.css": "text/css", "page.js": "text/javascript", "serve.js": "text/javascript"}


@dataclass(frozen=True)
class ReleaseTest:
    """The newest release test of a lock on an exit route, and by when the next is due."""

    lock: str
    room: str
    last: date | None
    result: str | None
    due: date | None


@dataclass(frozen=True)
class RoundRoom:
    """The locks of one room in the morning's round."""

    name: str
    locks: tuple[LockRound, ...]


@dataclass(frozen=True)
class Round:
    """What the morning's page says.

    Attributes
    ----------
    lang : Language
        Its words.
    venue : Venue
        Whose round.
    locks : tuple of LockRound
        Empty while the log is being read.
    since, last : datetime or None
        When the round began, and its last record, in the venue's zone.
    now : datetime
        In the venue's zone.
    fault : str
        Why nothing can be told; empty where it can.
    faults : tuple of str
        Log files that could not be read, or whose times are doubtful.
    week : str
        The report that the usual times are from; empty where there is none yet.
    """

    lang: Language
    venue: Venue
    locks: tuple[LockRound, ...]
    since: datetime | None
    last: datetime | None
    now: datetime
    fault: str = ""
    faults: tuple[str, ...] = ()
    week: str = ""

    @classmethod
    def of(
        cls, lang: Language, venue: Venue, told: Mapping[str, Any] | None, now: datetime
    ) -> Round:
        """Out of what the process that follows the log told; None: nothing yet."""
        def moment(text: str | None) -> datetime | None:
            return datetime.fromisoformat(text).astimezone(venue.zone) if text else None

        local = now.astimezone(venue.zone)
        if told is None or "fault" in told:
            return cls(lang, venue, (), None, None, local, str((told or {}).get("fault", "")))
        locks = tuple(LockRound(**{**item, "last": moment(item["last"])})
                      for item in told["locks"])
        return cls(lang, venue, locks, moment(told["since"]), moment(told["last"]), local,
                   faults=tuple(told["faults"]), week=str(told["week"]))

    @property
    def is_stale(self) -> bool:
        """Whether records have stopped coming, so that what stands here may be out of date."""
        quiet = timedelta(seconds=self.venue.limits.morning_quiet_s)
        return bool(self.fault) or (bool(self.locks) and (
            self.last is None or self.now - self.last > quiet))

    @property
    def rooms(self) -> tuple[RoundRoom, ...]:
        """The locks in walking order: by room as the venue file has them."""
        return tuple(RoundRoom(name or self.lang("front.no_room"), tuple(
            lock for lock in self.locks if lock.room == name)) for name in self.venue.rooms)

    marks = MARKS

    def mark(self, lock: LockRound) -> str:
        """The shape of a lock's state."""
        return MARKS[lock.state]

    def word(self, lock: LockRound) -> str:
        """A lock's state in a word or two."""
        return self.lang(f"round.{lock.state}")

    def says(self, lock: LockRound) -> str:
        """What is known of a lock's round, in a short line."""
        lang, parts = self.lang, []
        if lock.latency_ms is not None:
            parts.append(lang.measured(lock.latency_ms, unit="ms"))
        if lock.usual_ms is not None and lock.state in (*ANSWERED, "no-answer"):
            parts.append(lang("round.usual", usual=lang.measured(lock.usual_ms, unit="ms")))
        elif lock.state in ANSWERED:
            parts.append(lang("round.no_usual"))
        if lock.state == "slower" and lock.limit_ms is not None and not lock.unanswered:
            parts.append(lang("round.limit", limit=lang.measured(lock.limit_ms, unit="ms")))
        if lock.unanswered:
            parts.append(lang("round.unanswered", count=lock.unanswered, cycles=lock.cycles))
        if lang.has(f"round.do.{lock.state}"):
            parts.append(lang(f"round.do.{lock.state}"))
        return ", ".join(parts)

    def counts(self) -> list[tuple[str, int]]:
        """How many locks are in each state, those that need somebody first."""
        return [(state, count) for state in ROUND_STATES
                if (count := sum(lock.state == state for lock in self.locks))]

    def of_state(self, *states: str) -> list[str]:
        """The locks in some states, in the venue file's order."""
        return [lock.lock for lock in self.locks if lock.state in states]

    def conclusion(self) -> str:
        """The one line at the end: all answered, or how many, and which did not."""
        lang = self.lang
        answered = len(self.of_state(*ANSWERED))
        if answered == len(self.locks):
            return lang("round.all", count=answered)
        silent = self.of_state("no-answer")
        return lang("round.some", answered=answered, count=len(self.locks)) + (
            " " + lang("round.which.no-answer", locks=lang.listing(silent)) if silent else "")

    def rest(self) -> list[str]:
        """Which locks are in each other state, a sentence each."""
        return [self.lang(f"round.which.{state}", locks=self.lang.listing(named))
                for state in ROUND_STATES
                if state not in ("released", "no-answer") and (named := self.of_state(state))]

    def is_all_answered(self) -> bool:
        """Whether there is nobody left to look at."""
        return bool(self.locks) and all(lock.state in ANSWERED for lock in self.locks)

    def age(self) -> str:
        """How long ago the last record was."""
        if self.last is None:
            return ""
        seconds = max(0, int((self.now - self.last).total_seconds()))
        if seconds < 90:
            return self.lang("round.seconds_ago", count=seconds)
        minutes = seconds // 60
        return self.lang("round.minutes_ago", count=minutes) if minutes < 120 else (
            self.lang("round.hours_ago", count=minutes // 60))


class Shown:
    """How findings are shown: their mark, and where their page is."""

    def __init__(self, lang: Language, venue: Venue) -> None:
        self.lang = lang
        locks = file_names([lock.id for lock in venue.locks])
        rails = file_names([rail.id for rail in venue.supplies])
        self._files = {
            **{("lock", name): f"locks/{file}.html" for name, file in locks.items()},
            **{("supply", name): f"supplies/{file}.html" for name, file in rails.items()}}

    def state(self, told: Any) -> str:
        """The state that a finding puts its subject in; one that ended leaves it good."""
        return "good" if told.status == "ended" else STATE_OF_URGENCY[told.urgency]

    def title(self, told: Any) -> str:
        """What is wrong, in the server's language; the report may be in another."""
        return self.lang.phrase(f"condition.{told.condition}.wrong", told.title)

    def href(self, report: Any, told: Any) -> str | None:
        """The page of a finding's subject in a week's report; None where it has none."""
        file = self._files.get((told.kind, told.subject))
        return f"/reports/{report.folder}/{file}" if file else None

    def counts(self, report: Any) -> list[tuple[str, int]]:
        """How many findings of each urgency stand."""
        return [(STATE_OF_URGENCY[urgency], count) for urgency in URGENCIES
                if (count := sum(told.urgency == urgency for told in report.standing))]

    def jobs(self, report: Any) -> list[Any]:
        """The locks that a person may have worked on, each once, most urgent first."""
        first: dict[str, Any] = {}
        for told in report.standing if report else ():
            if told.kind == "lock" and told.condition != "release-test-due":
                first.setdefault(told.subject, told)
        return list(first.values())


def page(
    template: str, lang: Language, *, title: str, here: str, venue: Venue, **context: Any
) -> bytes:
    """Render one of the server's pages.

    Parameters
    ----------
    template : str
        Name in ``dashboards/templates``.
    lang : Language
        Reached as ``lang`` in the template.
    title : str
        Of the browser's tab, before the venue's name.
    here : str
        Path of the page, so that the navigation does not lead to itself.
    venue : Venue
        Whose page.
    **context
        Further names for the template.

    Returns
    -------
    bytes
        UTF-8.
    """
    nav: Sequence[Link] = [Link(lang(key), None if path == here else path) for path, key in _WAYS]
    return environment().get_template(template).render(
        lang=lang, title=f"{title} · {venue.name}", heading=title, root="/", nav=nav, inline=False,
        base="base.html.jinja", policy=POLICY, venue=venue, shown=Shown(lang, venue), **context,
    ).encode()


def asset(name: str) -> tuple[str, bytes] | None:
    """Media type and content of a style sheet or script; None where there is no such one."""
    if name not in _KINDS:
        return None
    text = resource(name) + (resource("serve.css") if name == "style.css" else "")
    return _KINDS[name], text.encode()
