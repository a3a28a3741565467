"""The designer's, the owner's and the chain's pages on a slow phone, for few locks and for many."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from functools import cache

import pytest

from remanence.analytics.chain import Unit, chain_view
from remanence.analytics.parts.orders import plan_orders
from remanence.dashboards.chain_pages import render_chain
from remanence.dashboards.page import LANGUAGES
from remanence.dashboards.parts_sheet import render_parts
from remanence.dashboards.timing_sheet import render_timing
from remanence.shared.limits import Limits
from tests.analytics.chain.chain_weeks import finding, lock, member, part
from tests.analytics.parts.test_orders import history, venue_text
from tests.dashboards.conftest import wait_until, write
from tests.dashboards.phone import TASK_MS, Phone, best, on_the_network, shows_at_once_and_stays
from tests.dashboards.timing_sample import many_times, sheet_of_every_kind

FEW, MANY, MOST = 40, 160, 640
WIDTHS = (390, 768, 1024, 1280)


@cache
def designers(locks: int, code: str = "en") -> dict[str, bytes]:
    return render_timing(many_times(sheet_of_every_kind(), locks), Limits(), language_code=code)


@cache
def owners(locks: int, code: str = "en") -> dict[str, bytes]:
    orders = plan_orders(history(venue_text(), worn={2: 0.055}))
    needs = tuple(replace(need, lock=f"{need.lock}-{n}") for n in range(locks // 6 + 1)
                  for need in orders.needs)[:locks]
    return render_parts(replace(orders, needs=needs), "Mill", code=code)


@cache
def chains(venues: int, code: str = "en") -> dict[str, bytes]:
    failed = Unit(date(2025, 5, 6), 900.0, 0.0, True, False)
    members = [
        member(f"house-{i}", lock("drawer", failed, failed, due=0.9, pace=900.0),
               technician=f"Person {i % 9}", parts=[part(in_stock=1, order_now=1)],
               findings=[finding(("now", "week", "plan", "watch")[i % 4])] * (i % 6))
        for i in range(venues)]
    reports = {f"house-{i}": f"../house-{i}/reports/2026-W47/index.html" for i in range(venues)}
    return render_chain(chain_view("Coast", members), reports, code=code)


SHEETS = {"designer": designers, "owner": owners, "chain": chains}


@pytest.mark.parametrize("count", [FEW, MANY])
@pytest.mark.parametrize("name", SHEETS)
def test_a_sheet_shows_at_once_and_stays_where_it_is(browser, tmp_path, name, count):
    with on_the_network(write(tmp_path, SHEETS[name](count))) as address:
        shows_at_once_and_stays(browser, address + "index.html", address + "bare.html")


@pytest.mark.parametrize("code", LANGUAGES)
@pytest.mark.parametrize("name", SHEETS)
def test_no_sheet_is_wider_than_the_screen(browser, tmp_path, name, code):
    files = SHEETS[name](FEW, code)
    write(tmp_path, files)
    page = browser.new_page()
    for file in [file for file in files if file.endswith(".html")][:4]:
        page.goto((tmp_path / file).as_uri())
        page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
        for width in WIDTHS:
            page.set_viewport_size({"width": width, "height": 844})
            wide = page.evaluate("document.documentElement.scrollWidth - innerWidth")
            assert wide <= 0, (file, width)
    page.close()


@pytest.mark.parametrize("locks", [MANY, MOST])
def test_the_designer_s_sheet_answers_at_once(browser, tmp_path, locks):
    """Another chance, and another room: no task that a finger feels, for 640 locks too."""
    with on_the_network(write(tmp_path, designers(locks))) as address:

        def look(phone: Phone) -> tuple[float, float, float]:
            phone.page.goto(address + "index.html")
            phone.page.wait_for_load_state("load")
            view = phone.first_view()
            phone.page.wait_for_timeout(300)
            phone.page.evaluate("window.seen.tasks = [0]")
            room = phone.page.locator("select[name=room]")
            room.select_option(index=2)
            wait_until(phone.page, "location.href.includes('room')")
            phone.page.locator("select[name=target]").first.select_option(index=1)
            return (view, *phone.seen())

        _, _, task = best(browser, look, far=False)
        assert task < TASK_MS
