"""The small venue's report, made once, and a browser to look at it with."""

from __future__ import annotations

from pathlib import Path

import pytest

from remanence.analytics.health.gather import health, telling_actuations
from remanence.analytics.health.model import Health
from remanence.dashboards.health_report import render_health, render_single_file
from tests.dashboards import small_venue


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


def wait_until(page, says, tries=200):
    """Poll: the pages forbid the evaluation of text, by which the browser would wait itself."""
    while not page.evaluate(says):
        tries -= 1
        assert tries, says
        page.wait_for_timeout(50)
