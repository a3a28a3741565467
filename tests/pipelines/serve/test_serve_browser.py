"""The server in a real browser on a phone, with a finger; and what it needs of memory."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from tests.dashboards.test_browser import accessibility
from tests.pipelines.record.processes import until
from tests.pipelines.serve.house import NASTY, PASSWORD, ZONED, LiveLog, Server, venue

MOST_MB_AT_REST = 150
"""What a single-board computer with 512 MB spares beside the recorder."""


@pytest.fixture(scope="module")
def house(tmp_path_factory) -> Path:
    folder = venue(tmp_path_factory.mktemp("serve") / "harbour",
                   text=ZONED + "\n[limits]\nmorning_from_hour = 0\nmorning_quiet_s = 20\n")
    LiveLog(folder).at_rest(ago_s=1.0)
    return folder


@pytest.fixture(scope="module")
def server(house):
    with Server(house) as running:
        yield running


class Phone:
    """A phone with all that its pages complain of and ask for."""

    def __init__(self, browser, server, width=390, scheme="light"):
        self.context = browser.new_context(
            viewport={"width": width, "height": 844}, has_touch=True, is_mobile=width < 500,
            color_scheme=scheme, reduced_motion="reduce")
        self.page = self.context.new_page()
        self.errors: list[str] = []
        self.requests: list[str] = []
        self.page.on("console", lambda message: self.errors.append(message.text)
                     if message.type in ("error", "warning") else None)
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        self.page.on("dialog", lambda dialog: self.errors.append(f"dialog {dialog.message}"))
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.server = server

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.context.close()

    def go(self, path):
        self.page.goto(self.server.url + path)

    def sign_in(self):
        self.page.fill("input[type=password]", PASSWORD)
        self.page.locator("main button[type=submit]").tap()
        self.page.wait_for_url("**/release-test*")

    def is_well(self):
        assert self.errors == []
        assert all(url.startswith((self.server.url, "data:")) for url in self.requests)
        wide = self.page.evaluate("document.documentElement.scrollWidth - innerWidth")
        assert wide <= 0, "the page scrolls sideways"
        results = accessibility(self.page)
        assert results.violations_count == 0, results.generate_report()


def state(page, lock):
    return page.locator(f"[data-lock={lock}]").get_attribute("data-state")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_release_test_is_entered_with_a_finger(browser, server, house, scheme):
    with Phone(browser, server, scheme=scheme) as phone:
        phone.go("/release-test?lock=store-door")
        phone.is_well()
        phone.sign_in()
        page = phone.page
        first = page.locator(
            "form.entry fieldset, form.entry select, form.entry input:not([type=hidden])").first
        assert "let go" in first.inner_text(), "passed or failed is asked first"
        targets = page.locator(
            "main a:visible, main button:visible, .choice:visible, select:visible, nav a:visible")
        small = [box for item in targets.all() if (box := item.bounding_box())["height"] < 24]
        assert small == [], "WCAG 2.2, 2.5.8: a target is 24 px or larger"
        page.locator(".choice-failed").tap()
        assert page.locator(".if-failed").is_visible()
        phone.is_well()
        page.fill("input[name=by]", f"Ana {scheme}")
        page.fill("textarea[name=note]", NASTY)
        page.locator("main form.entry button[type=submit]").tap()
        page.wait_for_selector("[data-test=written]")
        assert NASTY.replace('"', '""') in page.locator("[data-test=written]").inner_text()
        assert page.locator("main img, main script:not([src])").count() == 0
        phone.is_well()
    assert f",failed,Ana {scheme}" in (house / "service.csv").read_text(encoding="utf-8")


def test_the_morning_is_followed_as_it_comes_and_goes_grey(browser, server, house):
    log = LiveLog(house)
    log.count = 100
    with Phone(browser, server) as phone:
        page = phone.page
        phone.go("/morning")
        page.wait_for_selector("[data-lock=store-door]", timeout=60_000)
        assert state(page, "chart-drawer") == "not-cycled"
        log.cycle_drawer(ago_s=0.5)
        page.wait_for_selector("[data-lock=chart-drawer][data-state=released]", timeout=60_000)
        log.cycle_door(ago_s=8.0, opens=False)
        page.wait_for_selector("[data-lock=store-door][data-state=no-answer]", timeout=60_000)
        assert page.locator("[data-test=conclusion]").inner_text() == (
            "1 of 2 answered. Did not answer: store-door.")
        log.put("rail-a", 12.0)
        page.wait_for_selector(".round:not(.is-stale)", timeout=60_000)
        phone.is_well()
        log.cycle_door(ago_s=2.5)
        log.put("rail-a", 12.0)
        page.wait_for_selector("[data-lock=store-door][data-state=slower]", timeout=60_000)
        assert page.locator("[data-test=conclusion]").inner_text().strip() == "All 2 answered."
        page.wait_for_selector(".round.is-stale", timeout=60_000)
        assert "Records have stopped coming" in page.locator("[data-test=from]").inner_text()
        phone.is_well()


def test_the_front_page_and_the_forms_fit_a_desk(browser, server):
    with Phone(browser, server, width=1280) as phone:
        phone.go("/")
        phone.is_well()
        phone.page.locator("[data-test=week] a").first.tap()
        phone.page.wait_for_url("**/reports/2026-W47/index.html")


def test_the_page_greys_where_the_server_is_gone(browser, house):
    with Server(house) as server, Phone(browser, server) as phone:
        phone.go("/morning")
        phone.page.wait_for_selector("[data-test=conclusion]", timeout=60_000)
        server.process.terminate()
        server.process.wait(30)
        phone.page.wait_for_selector("[data-lost]:not([hidden])", timeout=60_000)
        assert phone.page.locator(".round.is-stale").count() == 1


def megabytes(process: int, name: str = "VmRSS") -> float:
    told = Path(f"/proc/{process}/status").read_text(encoding="utf-8")
    return float(told.partition(f"{name}:")[2].split()[0]) / 1024


def children(process: int) -> list[int]:
    found = Path(f"/proc/{process}/task/{process}/children").read_text(encoding="utf-8")
    return [int(number) for number in found.split()]


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="memory is read from /proc")
def test_it_is_small_at_rest_and_leaves_nothing_behind(house, capsys):
    with Server(house) as server:
        for path in ("/", "/done", "/reports/2026-W47/index.html"):
            server.get(path)
        at_rest = megabytes(server.process.pid)
        assert children(server.process.pid) == [], "nobody looks at the morning"
        server.get("/morning")
        until(lambda: "conclusion" in (server.get("/morning/now") or ""), 60)
        (follower,) = children(server.process.pid)
        following = megabytes(follower, "VmHWM")
        with capsys.disabled():
            print(f"\n[serve: {at_rest:.0f} MB at rest; the follower, while somebody looks, "
                  f"{following:.0f} MB]")
        assert at_rest < MOST_MB_AT_REST
    time.sleep(0.1)
    with pytest.raises(ProcessLookupError):
        os.kill(follower, 0)
    assert server.process.returncode in (0, -15)
