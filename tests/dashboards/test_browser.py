"""The pages in a real browser: widths, dark and light, print, keyboard, accessibility, network."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe

from remanence.dashboards.health_report import render_health
from remanence.dashboards.page import LANGUAGES
from tests.dashboards import small_venue
from tests.dashboards.conftest import write

PAGES = ("index.html", "work-sheet.html", "locks/chart-drawer.html", "locks/sextant-box.html",
         "supplies/rail-a.html", "supplies/spare.html")
WIDTHS = {"phone": (390, 844), "desk": (1280, 900)}


def accessibility(page):
    """What the checker finds; it is kept from fetching the style sheet a second time."""
    return Axe().run(page, options={"preload": False, "resultTypes": ["violations"]})


class Opened:
    """A page with everything it complained of and asked for."""

    def __init__(self, browser, path: Path, *, width: str = "phone", scheme: str = "light",
                 **more):
        size = WIDTHS[width]
        self.context = browser.new_context(
            viewport={"width": size[0], "height": size[1]}, color_scheme=scheme,
            reduced_motion="reduce", **more)
        self.page = self.context.new_page()
        self.errors, self.requests = [], []
        self.page.on("console", lambda message: self.errors.append(message.text)
                     if message.type in ("error", "warning") else None)
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.goto(path.as_uri())

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.context.close()

    def unfold(self):
        """Open what is folded away."""
        self.page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")


@pytest.mark.parametrize(("width", "scheme"), [("phone", "light"), ("desk", "dark")])
@pytest.mark.parametrize("name", PAGES)
def test_a_page_is_accessible_quiet_and_asks_nobody(browser, folder, name, width, scheme):
    with Opened(browser, folder / name, width=width, scheme=scheme) as opened:
        opened.unfold()
        results = accessibility(opened.page)
        assert results.violations_count == 0, results.generate_report()
        assert opened.errors == []
        assert all(url.startswith((folder.as_uri(), "data:", "blob:")) for url in opened.requests)
        wide = opened.page.evaluate("document.documentElement.scrollWidth - innerWidth")
        assert wide <= 0, "the page scrolls sideways"


@pytest.mark.parametrize("state", ["quiet", "silent"])
def test_quiet_and_silent_weeks_are_accessible_and_look_different(
    browser, state, request, tmp_path
):
    write(tmp_path, render_health(request.getfixturevalue(state)))
    with Opened(browser, tmp_path / "index.html") as opened:
        results = accessibility(opened.page)
        assert results.violations_count == 0, results.generate_report()
        verdict = opened.page.locator("[data-test=verdict]")
        colour = verdict.locator("h1 .mark").evaluate(
            "e => getComputedStyle(e.ownerDocument.querySelector('.verdict')).getPropertyValue("
            "'--state').trim()")
        green = opened.page.evaluate(
            "getComputedStyle(document.documentElement).getPropertyValue('--green').trim()")
        assert (colour == green) == (state == "quiet")


def test_the_first_screen_of_a_phone_shows_the_jobs(browser, folder):
    with Opened(browser, folder / "index.html") as opened:
        jobs = opened.page.locator("[data-test=job]")
        assert jobs.count() == 5
        seen = [job.bounding_box() for job in jobs.all()[:3]]
        assert all(box["y"] + box["height"] <= 844 for box in seen)
        assert "lamp-door" in jobs.nth(0).inner_text()


def test_no_page_asks_for_a_drawing_library(browser, folder):
    for name in PAGES:
        with Opened(browser, folder / name) as opened:
            assert {url.rsplit("/", 1)[-1] for url in opened.requests if "/assets/" in url} == {
                "style.css", "page.js"}


FIGURE_SEEN = """[...document.querySelectorAll('.chart > svg')].map(drawing => {
  const box = drawing.getBoundingClientRect();
  return box.width > 200 && box.height > 50
    && [...drawing.querySelectorAll('path')].some(p => p.getTotalLength() > 50);
})"""


def test_a_page_without_script_shows_every_figure(browser, folder):
    with Opened(browser, folder / "locks" / "oil-chest.html", java_script_enabled=False) as opened:
        summary = opened.page.locator("details.more > summary")
        summary.click()
        figures = opened.page.locator("figure.plot")
        assert figures.count() >= 5
        assert all(figure.is_visible() for figure in figures.all())
    with Opened(browser, folder / "locks" / "oil-chest.html") as opened:
        opened.unfold()
        seen = opened.page.evaluate(FIGURE_SEEN)
        assert len(seen) >= 5
        assert all(seen)


def test_figures_follow_the_system_into_the_dark(browser, folder):
    with Opened(browser, folder / "locks" / "chart-drawer.html") as opened:
        line = "getComputedStyle(document.querySelector('.chart .line')).stroke"
        light = opened.page.evaluate(line)
        opened.page.emulate_media(color_scheme="dark")
        assert opened.page.evaluate(line) != light
        assert opened.errors == []


def test_what_is_written_in_a_figure_stays_on_the_screen(browser, folder):
    """Whatever the width of the plot: its labels keep their size, and run over no edge."""
    for width in (320, 390, 768, 1280):
        for name in PAGES[2:]:
            with Opened(browser, folder / name) as opened:
                opened.page.set_viewport_size({"width": width, "height": 800})
                opened.unfold()
                over = opened.page.evaluate("""[...document.querySelectorAll('.chart text')].map(
                    t => [t.textContent, t.getBoundingClientRect()]).filter(([, box]) =>
                    box.left < -0.5 || box.right > innerWidth + 0.5).map(([text]) => text)""")
                assert over == [], (name, width)


def test_names_with_markup_are_text_in_pages_and_figures(browser, folder):
    path = next(path for path in (folder / "locks").glob("*.html") if "onmouseover" in path.name)
    with Opened(browser, path) as opened:
        opened.unfold()
        assert opened.page.locator("h1").inner_text() == small_venue.NASTY
        assert opened.page.locator("[onmouseover]").count() == 0
    with Opened(browser, folder / "supplies" / "rail-a.html") as opened:
        opened.unfold()
        assert opened.page.locator("[onmouseover]").count() == 0


def test_every_link_can_be_reached_by_keyboard_in_reading_order(browser, folder):
    with Opened(browser, folder / "index.html") as opened:
        page = opened.page
        wanted = page.evaluate(
            "[...document.querySelectorAll('a[href], input, button, summary, [tabindex=\"0\"]')]"
            ".filter("
            "e => e.checkVisibility()).map(e => e.textContent.trim())")
        walked = []
        for _ in wanted:
            page.keyboard.press("Tab")
            walked.append(page.evaluate("document.activeElement.textContent.trim()"))
            outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
            assert outline != "none"
        assert walked == wanted
        assert walked[0].startswith("Skip")
        page.keyboard.press("Shift+Tab")
        boxes = page.evaluate(
            "[...document.querySelectorAll('.jobs a')].map(e => e.getBoundingClientRect().top)")
        assert boxes == sorted(boxes), "the eye goes another way than the keyboard"


def test_tables_wider_than_a_phone_say_so_and_scroll_by_keyboard(browser, folder):
    with Opened(browser, folder / "supplies" / "rail-a.html") as opened:
        opened.page.set_viewport_size({"width": 320, "height": 700})
        opened.page.wait_for_selector(".scroll.is-wide")
        box = opened.page.locator(".scroll.is-wide").first
        assert box.get_attribute("tabindex") == "0"
        assert opened.page.locator(".scroll.is-wide + .scroll-hint").first.is_visible()


def _page_count(pdf: bytes) -> int:
    return len(re.findall(rb"/Type\s*/Page[^s]", pdf))


PAPERS = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("code", LANGUAGES)
def test_the_work_sheet_prints_whole_cards(browser, busy, tmp_path, paper, code):
    """No card is cut by the end of a page, and nothing is wider than the paper."""
    write(tmp_path, render_health(busy, code))
    with Opened(browser, tmp_path / "work-sheet.html", width="desk") as opened:
        assert _page_count(opened.page.pdf(format=paper)) <= 3
        wide, high = (96 * size / 25.4 for size in PAPERS[paper])
        opened.page.emulate_media(media="print")
        opened.page.set_viewport_size({"width": int(wide - 84), "height": int(high)})
        cards = [box.bounding_box() for box in opened.page.locator("[data-test=card]").all()]
        assert all(box["x"] + box["width"] <= wide for box in cards)
        assert all(box["height"] < 0.8 * high for box in cards), "a card that no page holds"
        inside = "e => getComputedStyle(e).breakInside"
        assert opened.page.locator(".card").first.evaluate(inside) == "avoid"


def test_what_is_ticked_on_the_work_sheet_stays_ticked(browser, folder):
    with Opened(browser, folder / "work-sheet.html") as opened:
        box = opened.page.locator(".card input[type=checkbox]").first
        box.check()
        opened.page.reload()
        assert opened.page.locator(".card input[type=checkbox]").first.is_checked()
        assert opened.page.locator(".card input:checked").count() == 1


def test_a_dark_screen_that_was_never_scrolled_prints_on_white_with_every_figure(
    browser, folder
):
    for script in (True, False):
        with Opened(browser, folder / "locks" / "oil-chest.html", width="desk", scheme="dark",
                    java_script_enabled=script) as opened:
            opened.page.emulate_media(media="print", color_scheme="dark")
            ground = opened.page.locator("body").evaluate(
                "e => getComputedStyle(e).backgroundColor") if script else "rgb(255, 255, 255)"
            assert ground in ("rgb(255, 255, 255)", "rgba(0, 0, 0, 0)")
            figures = opened.page.locator("figure.plot")
            assert figures.count() >= 5
            heights = [figure.bounding_box()["height"] for figure in figures.all()]
            assert min(heights) > 40, "a figure that is folded away on paper"
            assert opened.errors == []


def test_the_table_of_locks_is_filtered_and_sorted(browser, folder):
    with Opened(browser, folder / "index.html", width="desk") as opened:
        page = opened.page
        rows = page.locator("[data-test=lock]")
        everything = rows.count()
        box = page.locator("[data-filter]")
        box.fill("LAMP late")
        seen = [row for row in rows.all() if row.is_visible()]
        assert [row.locator("th a").inner_text() for row in seen] == ["lamp-door"]
        assert "1" in page.locator("[data-count]").inner_text()
        box.fill("")
        assert sum(row.is_visible() for row in rows.all()) == everything
        head = page.locator(".locks thead th", has_text="State")
        head.locator("button").click()
        assert head.get_attribute("aria-sort") == "ascending"
        ranks = [int(row.locator("td").nth(1).get_attribute("data-sort")) for row in rows.all()]
        assert ranks == sorted(ranks)
        head.locator("button").click()
        assert head.get_attribute("aria-sort") == "descending"
        time = page.locator(".locks thead th", has_text="Time to release")
        time.locator("button").click()
        known = [row.locator("td").nth(2).get_attribute("data-sort") for row in rows.all()]
        times = [float(text) for text in known if text]
        assert times == sorted(times)
        assert known[len(times):] == [""] * (everything - len(times)), "unknown stands last"


def test_one_file_by_mail_has_everything_in_it(browser, single):
    with Opened(browser, single) as opened:
        assert opened.requests == [single.as_uri()]
        results = accessibility(opened.page)
        assert results.violations_count == 0, results.generate_report()
        opened.page.locator("[data-test=job] a").first.click()
        assert opened.page.url.endswith("#locks--lamp-door")
        assert opened.page.locator("#locks--lamp-door .chart").first.is_visible()
        assert opened.errors == []
        assert all(url.startswith(("file:", "data:", "blob:")) for url in opened.requests)
