"""Report, designer's sheet and owner's sheet say the same of every lock, on venues at random."""

from __future__ import annotations

import html
import re
from dataclasses import replace

import pytest

from remanence.analytics.conditions.diagnosis import diagnose
from remanence.analytics.health.gather import health
from remanence.analytics.health.lock_state import Counts, lock_states, state_of
from remanence.analytics.history import History
from remanence.analytics.parts.orders import plan_orders
from remanence.analytics.timing.gather import timing
from remanence.dashboards.health_report import render_health
from remanence.dashboards.lock_state_words import state_reasons
from remanence.dashboards.page import file_names, language
from remanence.dashboards.parts_sheet import render_parts
from remanence.dashboards.timing_sheet import render_timing
from remanence.dashboards.ways import PARTS, REPORT, TIMING, Ways
from remanence.shared.findings import Finding
from remanence.shared.weeks import Week
from tests.campaign.as_tables import tables_of
from tests.campaign.play import play
from tests.campaign.scenario import draw

WEEKS = 14
FOLDERS = {REPORT: "../reports/week/", TIMING: "../timing/", PARTS: "../parts/"}


def words_of(markup: str) -> str:
    """What a reader sees of a piece of a page, without spaces between."""
    return re.sub(r"\s+", "", html.unescape(re.sub(r"<[^>]*>", "", markup)))


def state_on(page: str, start: str) -> tuple[str, str]:
    """State and words of the first cell with ``data-state`` after ``start``."""
    cell = re.compile(r'data-state="([^"]*)"[^>]*>(.*?)</(?:td|small)>', re.DOTALL)
    found = cell.search(page, page.index(start))
    assert found is not None, start
    return found[1], words_of(found[2])


@pytest.fixture(scope="module", params=[5, 7, 16, 21])
def house(request):
    """A venue drawn at random with its three sheets; an exit with a fail-secure strike among it."""
    scenario = draw(request.param, weeks=WEEKS, locks=8)
    first = scenario.venue.locks[0]
    barred = replace(first, id="way-out", command="north/barred", contact="north/barred-in",
                     mechanism="strike", released_by="power-on", guards="doorway",
                     max_on_ms=None, duty_percent=None)
    venue = replace(scenario.venue, locks=(*scenario.venue.locks, barred))
    history = History.of(venue, Week.of(scenario.start).plus(WEEKS - 1),
                         **tables_of(play(scenario)))
    findings = diagnose(history)
    states = lock_states(history, findings)
    locks = tuple(venue.locks_by_id)
    ways = {own: Ways(own, {**FOLDERS, own: ""}, locks) for own in FOLDERS}
    week = health(history, findings)
    times, orders = timing(history), plan_orders(history, findings)
    return {
        "venue": venue, "states": states, "health": week, "times": times, "orders": orders,
        REPORT: render_health(week, ways=ways[REPORT]),
        TIMING: render_timing(times, venue.limits, states=states, ways=ways[TIMING]),
        PARTS: render_parts(orders, "House", states=states, ways=ways[PARTS]),
    }


def test_every_sheet_shows_the_same_state_and_reasons(house):
    lang = language()
    names = file_names(list(house["states"]))
    pages = {sheet: house[sheet]["index.html"].decode() for sheet in (TIMING, PARTS)}
    for lock, known in house["states"].items():
        said = words_of(f"{lang(f'state.{known.state}')}"
                        + (f": {', '.join(state_reasons(known, lang))}"
                           if state_reasons(known, lang) else ""))
        for sheet, page in pages.items():
            assert state_on(page, f'data-test="lock-{lock}"') == (known.state, said), (lock, sheet)
        own = house[REPORT][f"locks/{names[lock]}.html"].decode()
        assert f'class="verdict {known.state}"' in own
        for reason in state_reasons(known, lang):
            assert words_of(reason) in words_of(own)


def test_every_file_holds_the_same_state_findings_cause_and_pulse(house):
    told = {item.lock.id: item.as_json() for item in house["health"].locks}
    for model, need in zip(house["times"].models, house["orders"].needs, strict=True):
        known = house["states"][model.lock].as_json()
        assert {key: told[model.lock][key] for key in known} == known
        assert model.pulse_now_ms == known["pulse_now_ms"]
        first = known["findings"][0] if known["findings"] else None
        assert need.causes.first == first


def test_every_page_leads_to_the_others_by_the_same_way(house):
    titles = []
    for sheet in FOLDERS:
        page = house[sheet]["index.html"].decode()
        way = re.search(r'<nav class="ways".*?</nav>', page, re.DOTALL)
        assert way is not None
        titles.append(re.findall(r"<(?:a|span)[^>]*>([^<]*)</", way[0]))
        assert way[0].count("<a ") == len(FOLDERS)  # Its own page is no link, the work sheet is.
    assert titles[0] == titles[1] == titles[2]
    for lock, name in file_names(list(house["states"])).items():
        own = house[REPORT][f"locks/{name}.html"].decode()
        for sheet in (TIMING, PARTS):
            page = house[sheet]["index.html"].decode()
            assert f'href="../{FOLDERS[sheet]}index.html#lock-{name}"' in own
            assert f'id="lock-{name}"' in page
            assert f'href="{FOLDERS[REPORT]}locks/{name}.html"' in page, lock


def test_a_strike_that_holds_people_in_is_green_nowhere_and_its_refit_is_in_the_order(house):
    known = house["states"]["way-out"]
    assert known.state == "do-not-run"
    for sheet in (TIMING, PARTS):
        page = house[sheet]["index.html"].decode()
        assert state_on(page, 'data-test="lock-way-out"')[0] == "do-not-run"
    order = house[PARTS]["index.html"].decode()
    block = re.search(r'<section[^>]*data-test="order".*?</section>', order, re.DOTALL)
    assert block is not None
    assert "way-out" in block[0]


def test_no_lock_is_good_beside_what_nobody_explained():
    rail = Finding("rail", "supply", "supply-sag", "plan", 0.9)
    assert state_of((), "") == "good"
    assert state_of((), "", week=Counts(commands=40, released=39, unanswered=1)) == "watch"
    assert state_of((), "", week=Counts(commands=40, released=40, opened_energised=1)) == "watch"
    assert state_of((), "", of_rail=(rail,)) == "watch"
    assert state_of((), "no-feedback", of_rail=(rail,)) == "too-little-data"
