"""Measured in a browser that is slowed to a mid-range phone: first view, shifts, tasks, widths.

Processor four times slower than this machine's, 1.6 Mbit/s and 150 ms to the answer: what
Lighthouse's documentation ("Throttling", slow 4G on a mid-tier phone) states for such tests.
First view under 1 s, layout shifts 0 and tasks under 200 ms are the project's own aims; W3C's
Event Timing and web.dev call an answer within 200 ms good.
"""

from __future__ import annotations

import threading
from dataclasses import replace
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from remanence.analytics.health.gather import health
from remanence.dashboards.health_report import render_health, render_single_file
from remanence.dashboards.page import LANGUAGES
from remanence.shared.findings import Finding
from tests.dashboards import small_venue
from tests.dashboards.conftest import wait_until, write

SLOWER = 4
BYTES_A_SECOND, ANSWER_MS = 1_638_400 / 8, 150
FIRST_VIEW_MS, TASK_MS = 1000, 200
WIDTHS = (390, 768, 1024, 1280)
TRIES = 3
"""The best of so many: other work on this machine is not the page's."""
OVER_BARE = 3.0
"""On a machine that other work slows down, no slower than this many times a page of one word."""
BARE = "<!doctype html><title>bare</title><link rel=stylesheet href=assets/style.css><p>word"

WATCH = """
window.seen = {shift: 0, tasks: [0]};
new PerformanceObserver(list => list.getEntries().forEach(e => {
  if (!e.hadRecentInput) { window.seen.shift += e.value; }
})).observe({type: 'layout-shift', buffered: true});
new PerformanceObserver(list => list.getEntries().forEach(e => {
  window.seen.tasks.push(e.duration);
})).observe({type: 'longtask', buffered: true});
"""


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
    folder = write(tmp_path_factory.mktemp(f"served-{request.param}"),
                   {**big_report(request.param), "bare.html": BARE.encode()})

    class Quiet(SimpleHTTPRequestHandler):
        def log_message(self, *_):
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), partial(Quiet, directory=str(folder)))
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{server.server_port}/", folder, request.param
    server.shutdown()


class Phone:
    """A page in a browser that is as slow as a mid-range phone."""

    def __init__(self, browser, *, width: int = 390):
        self.context = browser.new_context(viewport={"width": width, "height": 844})
        self.page = self.context.new_page()
        self.page.add_init_script(WATCH)
        slow = self.context.new_cdp_session(self.page)
        slow.send("Network.enable")
        slow.send("Network.emulateNetworkConditions", {
            "offline": False, "latency": ANSWER_MS, "downloadThroughput": BYTES_A_SECOND,
            "uploadThroughput": BYTES_A_SECOND})
        slow.send("Emulation.setCPUThrottlingRate", {"rate": SLOWER})

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.context.close()

    def first_view(self) -> float:
        paint = "performance.getEntriesByName('first-contentful-paint')"
        wait_until(self.page, f"{paint}.length")
        return self.page.evaluate(f"{paint}[0].startTime")

    def seen(self) -> tuple[float, float]:
        """Sum of layout shifts, and the longest task in ms."""
        self.page.wait_for_timeout(300)
        return (self.page.evaluate("window.seen.shift"),
                self.page.evaluate("Math.max(...window.seen.tasks)"))


def best(browser, look) -> tuple[float, float, float]:
    """First view, shifts and longest task: the smallest of several tries, the shifts of all."""
    found = []
    for _ in range(TRIES):
        with Phone(browser) as phone:
            found.append(look(phone))
    views, shifts, tasks = zip(*found, strict=True)
    return min(views), max(shifts), min(tasks)


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
    address, _, _ = served

    def look(phone, name=name):
        phone.page.goto(address + name)
        phone.page.wait_for_load_state("load")
        return (phone.first_view(), *phone.seen())

    view, shift, task = best(browser, look)
    if view >= FIRST_VIEW_MS:
        bare, _, _ = best(browser, partial(look, name="bare.html"))
        assert view < OVER_BARE * bare
    assert shift == 0
    assert task < TASK_MS


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
