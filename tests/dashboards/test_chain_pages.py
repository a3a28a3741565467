"""The chain's pages: everything that they can say, in every language, on a phone too."""

from __future__ import annotations

import re
from datetime import date

import pytest

from remanence.analytics.chain import ChainView, Member, Unit, chain_view
from remanence.analytics.chain.batches import Batch
from remanence.analytics.chain.beside import SlowBeside
from remanence.dashboards.chain_pages import ChainWords, render_chain
from remanence.dashboards.page import LANGUAGES, language
from remanence.shared.chain_file import Depot
from tests.analytics.chain.chain_weeks import finding, lock, member, part
from tests.dashboards.conftest import write


@pytest.fixture(scope="module")
def view() -> ChainView:
    """A chain in which there is something of everything."""
    failed = Unit(date(2025, 5, 6), 900.0, 0.0, True, False)
    runs = Unit(date(2026, 5, 6), 500.0, 0.0, False, True)
    members = [
        member(f"house-{i}", lock("drawer", failed, failed, runs, due=0.99 if i == 0 else 0.0,
                                  pace=900.0), lock("chest", runs), technician="Ana & Co <b>",
               labels=["north"], findings=[finding(("now", "week", "plan", "watch")[i % 4])] * i,
               parts=[part(in_stock=3 * (i == 1), order_now=1)])
        for i in range(5)]
    made = chain_view("Coast <rooms>", [*members, Member("lost", fault="venue.toml: <not> there")],
                      [Depot("yard", serves=("north",), stock={"latch": 1})])
    slow = SlowBeside("house-1", "drawer", "latch", date(2026, 5, 6), 190.0, 40, 60.0, 48.0, 75.0,
                      30, 6, 0.97)
    batch = Batch("latch", date(2025, 3, 3), date(2025, 4, 4), 20, 9, 1.4, 0.0005,
                  (("house-1", "drawer"), ("house-2", "drawer")))
    return ChainView(**{**vars(made), "slow": (slow,), "batches": (batch,)})


REPORTS = {"house-0": "../house-0/reports/2026-W47/index.html"}


@pytest.mark.parametrize("code", LANGUAGES)
def test_the_pages_say_everything_in_every_language(view, code):
    say = ChainWords(view, REPORTS, language(code))
    for lines in (say.transfers(), say.orders(), say.early(), say.batches(), say.slow(),
                  say.stock_rows(), say.life_rows()):
        assert lines
    files = render_chain(view, REPORTS, code=code, version="1")
    assert files == render_chain(view, REPORTS, code=code, version="1")
    pages = {name: text.decode() for name, text in files.items() if name.endswith(".html")}
    assert len(pages) == 1 + len(view.routes)
    for text in pages.values():
        assert "<b></b>" not in text
        assert "{" not in re.sub(r"<style.*?</style>|<script.*?</script>", "", text, flags=re.S)
        assert "<rooms>" not in text
        assert "<not>" not in text


def test_what_is_not_known_stands_first_and_is_never_good(view):
    text = render_chain(view, REPORTS)["index.html"].decode()
    assert text.index('data-test="venue"') < text.index("lost") < text.index("House-")
    alone = chain_view("c", [Member("lost", fault="gone")])
    say = ChainWords(alone, {}, language("en"))
    assert say.verdict_state() == "too-little-data"
    assert "not known" in say.verdict()


def test_a_chain_in_which_all_is_well_says_so():
    quiet = chain_view("c", [member("a", lock("x")), member("b", lock("x"))])
    say = ChainWords(quiet, {}, language("en"))
    assert (say.verdict_state(), say.verdict()) == ("good", "No jobs this week in any venue")


@pytest.mark.parametrize("width", [390, 1280])
def test_the_pages_are_accessible_and_fit(view, browser, tmp_path, width):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    folder = write(tmp_path, render_chain(view, REPORTS))
    for name in ("index.html", "route-1-ana-co-b.html"):
        page = browser.new_page(viewport={"width": width, "height": 900}, bypass_csp=True)
        page.goto((folder / name).as_uri())
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        found = axe.run(page).response["violations"]
        assert [item["id"] for item in found] == []
        page.close()
