"""The health report's pages on a slow phone: first view, shifts, tasks; and their widths."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from remanence.analytics.health.gather import health
from remanence.dashboards.health_report import render_health, render_single_file
from remanence.dashboards.page import LANGUAGES
from remanence.shared.findings import Finding
from tests.dashboards import small_venue
from tests.dashboards.conftest import write
from tests.dashboards.phone import TASK_MS, Phone, best, on_the_network, shows_at_once_and_stays

WIDTHS = (390, 768, 1024, 1280)


def big_report(locks: int, code: str = "en") -> dict[str, bytes]:
    """A report of so many locks and a year, with something found at every fifth of them."""
    small = small_venue.venue()
    plain = [lock for lock in small.locks if lock.contact and lock.id != "never-used"][:6]
    house = replace(small, locks=tuple(
        replace(plain[n % 6], id=f"lock-{n:03d}", command=f"north/q{n}", contact=f"north/i{n}",
                room=f"Room {n % 12}") for n in range(locks)))
    lead = small_venue.findings()[1]
    found = [replace(lead, subject=lock.id, urgency=("now", "week", "plan")[n % 3])
             for n, lock in enumerate(house.locks[::5])]
    found.append(Finding("rail-a", "supply", "supply-sag", "week", 0.8))
    past = small_venue.history(weeks=52, house=house, games=1)
    page = health(past, found, version="0.1.0")
    return {**render_health(page, code), "single.html": render_single_file(page, code)}


@pytest.fixture(scope="module", params=[40, 160])
def served(request, tmp_path_factory):
    """The report on the machine's own network, and its folder."""
    folder = write(tmp_path_factory.mktemp(f"served-{request.param}"), big_report(request.param))
    with on_the_network(folder) as address:
        yield address, folder, request.param


def test_the_watch_sees_a_slow_task_and_a_shift(browser, served):
    """What the tests below find to be none is seen where it is."""
    with Phone(browser) as phone:
        phone.page.goto(served[0] + "index.html")
        phone.page.evaluate("""() => new Promise(done => setTimeout(() => {
            const end = performance.now() + 300;
            while (performance.now() < end) {}
            document.querySelector('main').style.paddingTop = '200px';
            done();
        }, 0))""")
        shift, task = phone.seen()
        assert shift > 0.01
        assert task >= 300


@pytest.mark.parametrize("name", ["index.html", "work-sheet.html", "locks/lock-000.html",
                                  "locks/lock-001.html", "supplies/rail-a.html"])
def test_a_page_shows_at_once_and_stays_where_it_is(browser, served, name):
    shows_at_once_and_stays(browser, served[0] + name, served[0] + "bare.html")


def test_filter_and_sorting_answer_at_once(browser, served):
    address, _, _ = served

    def look(phone):
        phone.page.goto(address + "index.html")
        phone.page.wait_for_load_state("load")
        phone.page.locator("[data-filter]").press_sequentially("lock-00")
        phone.page.locator(".locks thead th button").nth(2).click()
        phone.page.locator(".locks thead th button").nth(3).click()
        shown = phone.page.locator("[data-test=lock]:visible").count()
        assert shown == 10
        return (phone.first_view(), *phone.seen())

    _, _, task = best(browser, look)
    assert task < TASK_MS


def test_a_page_is_light(served):
    _, folder, locks = served
    assert (folder / "index.html").stat().st_size < 20_000 + 2_200 * locks
    assert (folder / "locks" / "lock-000.html").stat().st_size < 60_000
    assert sum(file.stat().st_size for file in (folder / "assets").iterdir()) < 60_000
    if locks == 40:
        assert (folder / "single.html").stat().st_size < 2_000_000


@pytest.mark.parametrize("code", LANGUAGES)
def test_nothing_is_wider_than_the_screen(browser, busy, tmp_path, code):
    files = render_health(busy, code)
    write(tmp_path, files)
    context = browser.new_context()
    page = context.new_page()
    for name in (name for name in files if name.endswith(".html")):
        page.goto(Path(tmp_path, name).as_uri())
        page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
        for width in WIDTHS:
            page.set_viewport_size({"width": width, "height": 844})
            wide = page.evaluate("document.documentElement.scrollWidth - innerWidth")
            assert wide <= 0, (name, width)
    context.close()


def test_a_good_lock_s_page_is_one_screen(browser, busy, tmp_path):
    write(tmp_path, render_health(busy))
    for width, height in ((390, 844), (1280, 800)):
        context = browser.new_context(viewport={"width": width, "height": height})
        page = context.new_page()
        page.goto((tmp_path / "locks" / "bell-case.html").as_uri())
        figure = page.locator("figure.plot").first.bounding_box()
        assert figure["y"] + figure["height"] <= height
        context.close()
