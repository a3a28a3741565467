"""The server's pages on a slow phone, for few locks and for many, in every language."""

from __future__ import annotations

import json

import pytest

from remanence.dashboards.page import LANGUAGES
from tests.conftest import HARBOUR
from tests.dashboards.phone import on_the_network, shows_at_once_and_stays
from tests.dashboards.test_browser import accessibility
from tests.pipelines.record.processes import LOGS
from tests.pipelines.serve.house import PASSWORD, LiveLog, Server, venue

HEAD, DRAWER, DOOR = (part if n == 0 else "[[lock]]" + part
                      for n, part in enumerate(HARBOUR.split("[[lock]]")))

SHOWN = ("/", "/morning", "/release-test", "/done")


def of_many_locks(locks: int) -> str:
    """The harbour with so many drawers in ten rooms."""
    text = HEAD.replace(LOGS, '[[source]]\nkind = "file"\naddress = "show.txt"\n')
    for n in range(locks):
        text += (DRAWER.replace("chart-drawer", f"drawer-{n:03d}").replace("north/", f"n{n}/")
                 .replace("Chart room", f"Room {n % 10}"))
    return text + "\n[limits]\nmorning_from_hour = 0\nmorning_quiet_s = 600\n"


def fill(folder, locks: int) -> None:
    """This morning's records and last week's report of all locks."""
    log = LiveLog(folder)
    for n in range(locks):
        for channel, value in ((f"n{n}/q1", 0), (f"n{n}/i1", 1)):
            log.put(channel, value, 20.0)
        if n % 2:
            log.put(f"n{n}/q1", 1, 10.0)
            log.put(f"n{n}/i1", 0, 9.94)
            log.put(f"n{n}/q1", 0, 9.7)
    report = folder / "reports" / "2026-W47" / "findings.json"
    told = json.loads(report.read_text())
    told["findings"] = [{**told["findings"][0], "subject": f"drawer-{n:03d}",
                         "urgency": ("now", "week", "plan")[n % 3]} for n in range(0, locks, 5)]
    told["locks"] = [{**told["locks"][0], "lock": f"drawer-{n:03d}"} for n in range(locks)]
    report.write_text(json.dumps(told))


@pytest.mark.parametrize("locks", [40, 160])
@pytest.mark.parametrize("code", LANGUAGES)
def test_each_page_shows_at_once_and_is_accessible(browser, tmp_path, locks, code):
    folder = venue(tmp_path / "harbour", text=of_many_locks(locks))
    fill(folder, locks)
    with Server(folder, "--language", code) as server:
        context = browser.new_context(viewport={"width": 390, "height": 844})
        page = context.new_page()
        page.goto(server.url + "/morning")
        page.wait_for_selector("[data-lock=drawer-001][data-state=released]", timeout=120_000)
        page.goto(server.url + "/release-test")
        page.fill("input[type=password]", PASSWORD)
        page.locator("main button[type=submit]").click()
        page.wait_for_url("**/release-test*")
        for path in SHOWN:
            page.goto(server.url + path)
            for width in (390, 768, 1024, 1280):
                page.set_viewport_size({"width": width, "height": 844})
                wide = page.evaluate("document.documentElement.scrollWidth - innerWidth")
                assert wide <= 0, (path, width)
            results = accessibility(page)
            assert results.violations_count == 0, (path, results.generate_report())
        cookies = context.cookies()
        context.close()
        with on_the_network(tmp_path) as beside:
            for path in SHOWN:
                shows_at_once_and_stays(browser, server.url + path, beside + "bare.html", cookies)
