"""The chain's pages: all venues in the order of what needs hands, and a route a technician."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from remanence.analytics.chain import (
    Batch,
    ChainFinding,
    ChainView,
    Member,
    PooledLife,
    PooledStock,
    Route,
    SlowBeside,
)
from remanence.dashboards.page import EN_DASH, Language, Link, assets, language, page
from remanence.shared.findings import STATE_OF_URGENCY, URGENCIES

_NAMED_CONDITIONS = 3
"""So many conditions of a venue are named in its line; the others are counted."""
_STATES = ("too-little-data", *(STATE_OF_URGENCY[urgency] for urgency in URGENCIES), "good")
_TOOLS = 4
"""So many tools are named for a venue."""


@dataclass(frozen=True)
class ChainWords:
    """What the chain's pages say, in one language."""

    view: ChainView
    reports: Mapping[str, str]
    lang: Language

    # Venues

    def state(self, member: Member) -> str:
        """The state of a venue: its most urgent finding's."""
        if member.week is None:
            return "too-little-data"
        for urgency in URGENCIES:
            if member.week.count(urgency):
                return STATE_OF_URGENCY[urgency]
        return "good"

    def verdict_state(self) -> str:
        """The state of the chain as a whole: the worst that is known."""
        states = {self.state(member) for member in self.view.members}
        known = [state for state in _STATES[1:] if state in states]
        return known[0] if known and known[0] != "good" else (
            "too-little-data" if "too-little-data" in states or not states else "good")

    def verdict(self) -> str:
        """The chain in one line."""
        now = sum(bool(m.week and m.week.count("now")) for m in self.view.members)
        week = sum(bool(m.week and m.week.count("week") and not m.week.count("now"))
                   for m in self.view.members)
        if now:
            return self.lang("chain.verdict_now", count=now) + (
                self.lang("chain.verdict_more", count=week) if week else "")
        if week:
            return self.lang("chain.verdict_week", count=week)
        if self.view.unknown:
            return self.lang("chain.verdict_unknown")
        return self.lang("chain.verdict_none")

    def coverage(self) -> str:
        """How many venues and locks that rests on."""
        done = [m.week for m in self.view.members if m.week]
        locks = sum(sum(week.states.values()) for week in done)
        unseen = sum(week.states.get("too-little-data", 0) for week in done)
        return self.lang("chain.coverage", done=len(done), venues=len(self.view.members),
                         checked=locks - unseen, locks=locks)

    def groups(self) -> list[dict[str, Any]]:
        """Venues by their state, in the order of what needs hands."""
        made = []
        for state in _STATES:
            own = [m for m in self.view.members if self.state(m) == state]
            if own:
                title = self.lang("chain.unknown" if state == "too-little-data"
                                  else f"state.{state}")
                made.append({"state": state, "title": title, "members": own})
        return made

    def counts(self, member: Member) -> str:
        """How many findings of which urgency, and the first few of them."""
        week = member.week
        if week is None:
            return member.fault.splitlines()[0] if member.fault else ""
        said = [f"{self.lang(f'state.{STATE_OF_URGENCY[u]}')} {self.lang.number(week.count(u))}"
                for u in URGENCIES if week.count(u)]
        return ", ".join(said)

    def leading(self, member: Member) -> str:
        """The most urgent conditions of a venue."""
        found = member.week.findings if member.week else ()
        names = list(dict.fromkeys(self.wrong(item) for item in found))
        more = [self.lang("chain.more", count=len(names) - _NAMED_CONDITIONS)] if (
            len(names) > _NAMED_CONDITIONS) else []
        return self.lang.listing([*names[:_NAMED_CONDITIONS], *more])

    def facts(self, member: Member) -> str:
        """Up to when its log goes, and who looks after it."""
        parts = []
        if member.week:
            parts.append(self.lang("chain.log_until", day=self.lang.day(member.week.last_day)))
            if self.view.today and (self.view.today - member.week.today).days > 0:
                parts.append(self.lang("chain.older", week=member.week.week))
        parts.append(member.technician or self.lang("chain.nobody"))
        return " · ".join(parts)

    def labels(self, member: Member) -> str:
        """What it is called together with others."""
        return ", ".join(member.labels)

    # Routes

    def route_file(self, route: Route) -> str:
        """The page of a technician's route."""
        if route.technician is None:
            return "route-nobody.html"
        place = [r.technician for r in self.view.routes].index(route.technician) + 1
        slug = re.sub(r"[^a-z0-9]+", "-", route.technician.lower()).strip("-")
        return f"route-{place}-{slug}.html" if slug else f"route-{place}.html"

    def route_name(self, route: Route) -> str:
        """Whose route it is."""
        return route.technician or self.lang("chain.nobody")

    def route_says(self, route: Route) -> str:
        """How much is to be done on it."""
        if not route.stops:
            return self.lang("chain.route_none")
        return self.lang("chain.route_jobs", count=sum(len(s.jobs) for s in route.stops),
                         venues=len(route.stops))

    def wrong(self, item: ChainFinding) -> str:
        """A condition's title; one that this program has no words for by its fixed name."""
        return self.lang.phrase(f"condition.{item.condition}.wrong", item.condition)

    def place(self, item: ChainFinding) -> str:
        """Where a job is."""
        if item.subject_kind == "lock":
            return item.room or self.lang("front.no_room")
        return self.lang.phrase(f"subject.{item.subject_kind}", item.subject_kind)

    def job_facts(self, item: ChainFinding) -> str:
        """How sure, since when."""
        parts = [self.lang("sure.words", percent=self.lang.percent(item.score))]
        if item.since:
            parts.append(self.lang("front.since", day=self.lang.day(item.since)))
        return " · ".join(parts)

    def bring(self, stop: Any) -> str:
        """Parts and tools for one venue."""
        parts = [f"{self.lang.number(count)} × {part}" for part, count in stop.parts]
        tools = dict.fromkeys(
            tool for item in stop.jobs
            for tool in self.lang.phrase(f"condition.{item.condition}.bring", "").split(", ")
            if tool)
        return ", ".join([*parts, *list(tools)[:_TOOLS]])

    # Parts

    def orders(self) -> list[str]:
        """What to order, a sentence each."""
        return [self._order(item) for item in self.view.stock if item.plan.order_now]

    def _order(self, item: PooledStock) -> str:
        cost = "" if item.unit_cost is None else ", " + self.lang.money(
            item.plan.order_now * item.unit_cost, item.currency)
        key = "chain.order" if item.alone <= item.plan.order_now else "chain.order_less"
        return self.lang(
            key, order=item.plan.order_now, part=self._part(item), cost=cost,
            depot=item.depot or self.lang("chain.no_depot"), level=item.plan.level,
            have=item.at_depot + item.on_shelves, alone=item.alone)

    def _part(self, item: PooledStock) -> str:
        return f"{item.part} ({item.description})" if item.description else item.part

    def transfers(self) -> list[str]:
        """What to send, a sentence each."""
        return [self.lang("chain.send_for" if sent.lock else "chain.send", count=sent.count,
                          part=sent.part, source=sent.source, to=sent.to, lock=sent.lock or "")
                for item in self.view.stock for sent in item.transfers]

    def stock_rows(self) -> list[dict[str, Any]]:
        """The stock, part by part."""
        rows = []
        for item in self.view.stock:
            if not (item.at_depot or item.on_shelves or item.plan.level or item.alone):
                continue  # nothing of it anywhere, and nothing wanted
            due = item.plan.order_in_weeks
            rows.append({
                "part": item.part, "depot": item.depot or EN_DASH, "at_depot": item.at_depot,
                "shelves": item.on_shelves, "need": self.lang.number(item.plan.lead.mean, 1),
                "keep": item.plan.level, "order": item.plan.order_now, "alone": item.alone,
                "due": self.lang("parts.today") if due == 0 else self.lang("parts.not_within")
                if due is None else self.lang("parts.weeks", count=due)})
        return rows

    def life_rows(self) -> list[dict[str, str]]:
        """Every part's life."""
        return [self._life(item) for item in self.view.lives]

    def _life(self, item: PooledLife) -> dict[str, str]:
        middle, low, high = item.life.life_quantile(0.1)
        return {
            "part": item.part, "where": self.lang("chain.where", locks=item.locks,
                                                  venues=item.venues),
            "ended": self.lang("parts.life_of", failures=int(item.life.failures),
                               units=int(item.life.units)),
            "b10": self._cycles(middle),
            "range": f"{self._cycles(low)} {EN_DASH} {self._cycles(high)}",
            "rated": EN_DASH if item.rated_cycles is None else self._cycles(item.rated_cycles),
        }

    def _cycles(self, value: float) -> str:
        digits = len(str(int(value))) - 2
        return self.lang.number(round(value, -max(digits, 0)))

    def early(self) -> list[str]:
        """Parts that fail early, a sentence each."""
        return [self._early(item) for item in self.view.lives if item.fails_early]

    def _early(self, item: PooledLife) -> str:
        row = self._life(item)
        alone = self.lang("chain.early_unseen") if not item.seen_alone else self.lang(
            "chain.early_seen", count=item.seen_alone)
        return self.lang(
            "chain.early", part=item.part, failed=int(item.life.failures), units=row["ended"],
            where=row["where"], b10=row["b10"], range=row["range"], rated=row["rated"],
            sure=self.lang.percent(item.early)) + " " + alone

    def batches(self) -> list[str]:
        """Bad batches, a sentence each."""
        return [self._batch(item) for item in self.view.batches]

    def _batch(self, item: Batch) -> str:
        running = self.lang.listing(f"{venue}/{lock}" for venue, lock in item.running)
        said = self.lang(
            "chain.batch", part=item.part, first=self.lang.day(item.first, year=True),
            last=self.lang.day(item.last, year=True), failed=item.failed, units=item.units,
            expected=self.lang.number(item.expected, 1), p=self.lang.percent(item.p, 2))
        return said + " " + (self.lang("chain.batch_running", locks=running) if running
                             else self.lang("chain.batch_gone"))

    def slow(self) -> list[str]:
        """Locks that are slow beside the same model elsewhere, a sentence each."""
        return [self._slow(item) for item in self.view.slow]

    def _slow(self, item: SlowBeside) -> str:
        fitted = "" if item.fitted is None else self.lang(
            "chain.fitted", day=self.lang.day(item.fitted, year=True))
        return self.lang(
            "chain.slow", lock=f"{item.venue}/{item.lock}", part=item.part, fitted=fitted,
            now=self.lang.measured(item.now_ms, unit="ms"),
            usual=self.lang.measured(item.usual_ms, unit="ms"),
            range=self.lang.interval(item.usual_ms, item.low_ms, item.high_ms, "ms"),
            others=item.others, venues=item.venues, sure=self.lang.percent(item.score))


def render_chain(
    view: ChainView, reports: Mapping[str, str], *, code: str = "en", version: str = ""
) -> dict[str, bytes]:
    """The chain's pages as files.

    Parameters
    ----------
    view : ChainView
        All numbers, from :func:`remanence.analytics.chain.chain_view`.
    reports : mapping of str to str
        From a venue's path to its report's front page, as seen from the chain's folder.
    code : str, default "en"
        Language of the pages.
    version : str
        Shown at the foot.

    Returns
    -------
    dict
        ``index.html``, a page a route, and what lies in ``assets``; the same input gives the same
        bytes.
    """
    lang = language(code)
    say = ChainWords(view, reports, lang)
    files = {"index.html": page(
        "chain.html.jinja", lang, title=lang("chain.tab", name=view.name), view=view, say=say,
        version=version)}
    for route in view.routes:
        files[say.route_file(route)] = page(
            "chain_route.html.jinja", lang,
            title=lang("chain.route_tab", technician=say.route_name(route)),
            nav=[Link(lang("chain.all"), "index.html"), Link(say.route_name(route), None)],
            view=view, say=say, route=route, version=version)
    return {**files, **assets()}
