"""The weekly health report: gathered numbers in, pages out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from markupsafe import Markup

from remanence.analytics.health.model import Health
from remanence.dashboards.health_words import Speaker
from remanence.dashboards.lock_figures import lock_figures
from remanence.dashboards.page import (
    Link,
    assets,
    environment,
    file_names,
    page,
)
from remanence.dashboards.page import language as words_in
from remanence.dashboards.physics_section import lock_section, supply_section
from remanence.dashboards.supply_figures import supply_figures
from remanence.dashboards.trace_figures import trace_figures
from remanence.dashboards.ways import REPORT, Ways
from remanence.dashboards.work_sheet import work_sheet

Url = Callable[[str, str], str]


def render_health(
    health: Health, language: str = "en", ways: Ways | None = None
) -> dict[str, bytes]:
    """Write the report as a folder of pages.

    Parameters
    ----------
    health : Health
        All numbers, gathered by :func:`remanence.analytics.health.gather.health`.
    language : str, default "en"
        Language of the pages.
    ways : Ways, optional
        Where the other sheets lie; default: there are none.

    Returns
    -------
    dict of str to bytes
        File name to content: ``index.html``, ``work-sheet.html``, ``locks/*.html``,
        ``supplies/*.html`` and what lies in ``assets``. The same numbers give the
        same bytes.
    """
    say = Speaker(words_in(language), health)
    lang = say.lang
    names = _page_names(health)
    ways = ways or Ways(REPORT)
    made: dict[str, bytes] = {}

    def write(file: str, template: str, title: str, context: Mapping[str, Any]) -> None:
        root = "../" if "/" in file else ""

        def url(kind: str, subject: str) -> str:
            return root + names[kind, subject]

        made[file] = page(
            template, lang, title=title, root=root, nav=ways.nav(lang, file, root), h=health,
            say=say, url=url, id=lambda local: local, **context,
        )

    write("index.html", "front.html.jinja", _title(say, lang("front.report")), {})
    write("work-sheet.html", "work_sheet.html.jinja", _title(say, lang("sheet.title")),
          {"sheet": work_sheet(say, lambda lock: names["lock", lock])})
    for lock in health.locks:
        write(names["lock", lock.lock.id], "lock.html.jinja", _title(say, lock.lock.id), {
            "item": lock, "figures": lock_figures(lock, say), "traces": trace_figures(lock, say),
            "others": ways.of_lock(lang, lock.lock.id, "../"),
            "physics": lock_section(health, lock.lock.id, lang)})
    for supply in health.supplies:
        write(names["supply", supply.supply.id], "supply.html.jinja",
              _title(say, supply.supply.id),
              {"item": supply, "figures": supply_figures(supply, say),
               "physics": supply_section(health, supply.supply.id, lang)})
    return {**made, **assets()}


def render_single_file(health: Health, language: str = "en") -> bytes:
    """Write the report as one page with everything in it, to be sent by mail.

    Parameters and words are those of :func:`render_health`; the pages follow one
    another, and what were links between files are links within this one.
    """
    say = Speaker(words_in(language), health)
    lang = say.lang
    names = _page_names(health)

    def leaf_of(file: str) -> str:
        return file.removesuffix(".html").replace("/", "--")

    def url(kind: str, subject: str) -> str:
        return "#" + leaf_of(names[kind, subject])

    def leaf(file: str, template: str, context: Mapping[str, Any]) -> Markup:
        prefix = leaf_of(file) + "--"
        return Markup(environment().get_template(template).render(
            base="fragment.html.jinja", lang=lang, leaf=leaf_of(file), h=health, say=say, url=url,
            id=lambda local: prefix + local, **context,
        ))

    sheet = work_sheet(say, lambda lock: names["lock", lock])
    leaves = [leaf("index.html", "front.html.jinja", {}),
              leaf("work-sheet.html", "work_sheet.html.jinja", {"sheet": sheet})]
    for lock in health.locks:
        file = names["lock", lock.lock.id]
        prefix = leaf_of(file) + "--"
        leaves.append(leaf(file, "lock.html.jinja", {
            "item": lock, "figures": lock_figures(lock, say, prefix), "others": (),
            "traces": trace_figures(lock, say, prefix),
            "physics": lock_section(health, lock.lock.id, lang, prefix)}))
    for supply in health.supplies:
        file = names["supply", supply.supply.id]
        leaves.append(leaf(file, "supply.html.jinja", {
            "item": supply, "figures": supply_figures(supply, say, leaf_of(file) + "--"),
            "physics": supply_section(health, supply.supply.id, lang, leaf_of(file) + "--")}))
    nav = (Link(lang("front.report"), "#index"), Link(lang("sheet.title"), "#work-sheet"))
    return page("single.html.jinja", lang, title=_title(say, lang("front.report")), nav=nav,
                inline=True, leaves=leaves)


def _title(say: Speaker, what: str) -> str:
    return f"{what} · {say.health.venue.name} · {say.lang.week(say.health.week)}"


def _page_names(health: Health) -> dict[tuple[str, str], str]:
    locks = file_names([lock.id for lock in health.venue.locks])
    supplies = file_names([supply.id for supply in health.venue.supplies])
    return {
        **{("lock", name): f"locks/{file}.html" for name, file in locks.items()},
        **{("supply", name): f"supplies/{file}.html" for name, file in supplies.items()},
    }
