"""A page in a browser that is slowed to a mid-range phone, and a server of its folder.

Processor four times slower than this machine's, 1.6 Mbit/s and 150 ms to the answer: what
Lighthouse's documentation ("Throttling", slow 4G on a mid-tier phone) states for such tests.
First view under 1 s, layout shifts 0 and tasks under 200 ms are the project's own aims; W3C's
Event Timing and web.dev call an answer within 200 ms good.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterator
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from tests.dashboards.conftest import wait_until

SLOWER = 4
BYTES_A_SECOND, ANSWER_MS = 1_638_400 / 8, 150
FIRST_VIEW_MS, TASK_MS = 1000, 200
TRIES = 3
"""The best of so many: other work on this machine is not the page's."""
OVER_BARE = 3.0
"""On a machine that other work slows down, no slower than this many times a page of one word."""
Seen = tuple[float, float, float]
"""First view [ms], sum of layout shifts, longest task [ms]."""
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


@contextlib.contextmanager
def on_the_network(folder: Path) -> Iterator[str]:
    """Address of a server of the folder, which also has a page of one word to compare with."""
    (folder / "bare.html").write_text(BARE)

    class Quiet(SimpleHTTPRequestHandler):
        def log_message(self, *_):
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), partial(Quiet, directory=str(folder)))
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/"
    finally:
        server.shutdown()


class Phone:
    """A page in a browser that is as slow as a mid-range phone."""

    def __init__(self, browser, *, width: int = 390, cookies=(), far: bool = True):
        """``far``: behind a mobile network, and not in the same house."""
        self.context = browser.new_context(viewport={"width": width, "height": 844})
        self.context.add_cookies(cookies)
        self.page = self.context.new_page()
        self.page.add_init_script(WATCH)
        slow = self.context.new_cdp_session(self.page)
        if far:
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


def best(browser, look: Callable[[Phone], Seen], cookies=(), *, far: bool = True) -> Seen:
    """First view, shifts and longest task: the smallest of several tries, the shifts of all."""
    found = []
    for _ in range(TRIES):
        with Phone(browser, cookies=cookies, far=far) as phone:
            found.append(look(phone))
    views, shifts, tasks = zip(*found, strict=True)
    return min(views), max(shifts), min(tasks)


def opened(phone: Phone, address: str) -> Seen:
    """First view [ms], shifts and longest task [ms] of a page that was opened."""
    phone.page.goto(address)
    phone.page.wait_for_load_state("load")
    return (phone.first_view(), *phone.seen())


def _first_view(browser, address: str, cookies) -> float:
    with Phone(browser, cookies=cookies) as phone:
        return opened(phone, address)[0]


def shows_at_once_and_stays(browser, address: str, bare: str, cookies=()) -> None:
    """Hold a page to the aims; ``bare`` is the address of a page of one word."""
    view, shift, task = best(browser, lambda phone: opened(phone, address), cookies)
    if view >= FIRST_VIEW_MS:  # in turn, so that both have the same machine
        pairs = [(_first_view(browser, address, cookies), _first_view(browser, bare, ()))
                 for _ in range(TRIES)]
        assert min(own / least for own, least in pairs) < OVER_BARE, (view, pairs)
    assert shift == 0
    assert task < TASK_MS
