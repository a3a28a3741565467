"""The small venue's report, made once, and a browser to look at it with."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from remanence.analytics.health.gather import health, telling_actuations
from remanence.analytics.health.model import Health
from remanence.dashboards.health_report import render_health, render_single_file
from tests.dashboards import small_venue

CHROMIUM = ("chromium", "chromium-browser", "google-chrome", "chrome")
FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]


def write(folder: Path, files: dict[str, bytes]) -> Path:
    for name, content in files.items():
        target = folder / name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(content)
    return folder


@pytest.fixture(scope="session")
def busy() -> Health:
    """A week with work in it."""
    history, findings = small_venue.history(), small_venue.findings()
    traces = small_venue.traces(telling_actuations(history, findings))
    return health(history, findings, traces=traces, version="0.1.0")


@pytest.fixture(scope="session")
def quiet() -> Health:
    """A week with nothing to do."""
    return health(small_venue.history(quiet=True), [], version="0.1.0")


@pytest.fixture(scope="session")
def silent() -> Health:
    """A week without any log."""
    return health(small_venue.history(silent_week=True), [], version="0.1.0")


@pytest.fixture(scope="session")
def folder(busy, tmp_path_factory) -> Path:
    return write(tmp_path_factory.mktemp("report"), render_health(busy))


@pytest.fixture(scope="session")
def single(busy, tmp_path_factory) -> Path:
    target = tmp_path_factory.mktemp("single") / "report.html"
    target.write_bytes(render_single_file(busy))
    return target


@pytest.fixture(scope="session")
def browser():
    """Debian's Chromium, or another that is installed; its lack fails where CI is set."""
    playwright = pytest.importorskip("playwright.sync_api")
    path = next((found for name in CHROMIUM if (found := shutil.which(name))), None)
    if path is None:
        if os.environ.get("CI"):
            pytest.fail("no Chromium found; apt-get install chromium")
        pytest.skip("no Chromium found; apt-get install chromium")
    with playwright.sync_playwright() as driver:
        started = driver.chromium.launch(executable_path=path, args=FLAGS)
        yield started
        started.close()


def wait_until(page, says, tries=200):
    """Poll: the pages forbid the evaluation of text, by which the browser would wait itself."""
    while not page.evaluate(says):
        tries -= 1
        assert tries, says
        page.wait_for_timeout(50)
