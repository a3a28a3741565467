"""Every sheet in every other language: accessible, on a phone and in the dark too.

What the checker knows of: W3C, Web Content Accessibility Guidelines 2.2, levels A and AA.
"""

from __future__ import annotations

import pytest

from remanence.dashboards.health_report import render_health
from remanence.dashboards.page import LANGUAGES
from tests.dashboards.conftest import write
from tests.dashboards.test_browser import PAGES, Opened, accessibility
from tests.dashboards.test_measured_sheets import FEW, SHEETS

OTHERS = [code for code in LANGUAGES if code != "en"]


@pytest.fixture(scope="module", params=OTHERS)
def pages(request, busy, tmp_path_factory):
    """All sheets of a language in a folder, and the paths of their pages."""
    folder = write(tmp_path_factory.mktemp("all"), render_health(busy, request.param))
    found = [folder / name for name in PAGES]
    for name, make in SHEETS.items():
        files = make(FEW, request.param)
        write(folder / name, files)
        found += [folder / name / file for file in files if file.endswith(".html")][:2]
    return found


@pytest.mark.parametrize(("width", "scheme"), [("phone", "light"), ("desk", "dark")])
def test_a_page_in_another_language_is_accessible_and_quiet(browser, pages, width, scheme):
    for path in pages:
        with Opened(browser, path, width=width, scheme=scheme) as opened:
            assert opened.page.evaluate("document.documentElement.lang") in OTHERS
            opened.unfold()
            results = accessibility(opened.page)
            assert results.violations_count == 0, (path, results.generate_report())
            assert opened.errors == []
