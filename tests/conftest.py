"""Shared by all tests: a small venue's text, and one browser for all pages."""

from __future__ import annotations

import os
import shutil

import pytest

os.environ.setdefault("SOURCE_DATE_EPOCH", "1798761600")
"""The logs of the tests are of 2026: a machine whose clock stands earlier must take them too."""

CHROMIUM = ("chromium", "chromium-browser", "google-chrome", "chrome")
FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]

HARBOUR = """\
[venue]
id = "harbour"
name = "Harbour Lights"
time_zone = "Europe/Lisbon"
store = "store"
service_log = "service.csv"

[[log]]
files = ["logs/*.csv", "logs/*.csv.gz"]
format = "csv"

[[supply]]
id = "rail-a"
channel = "rail-a"
rated_volts = 12.0
rated_amps = 15.0

[[part]]
id = "latch-s"
description = "Spring latch, 12 V, with switch"
unit_cost = 19.5
lead_time_days = 21
in_stock = 2

[[lock]]
id = "chart-drawer"
room = "Chart room"
guards = "container"
mechanism = "latch"
supply = "rail-a"
command = "north/q1"
contact = "north/i1"
contact_closed_when = "locked"
contact_senses = "catch"
suppression = "diode"
rated_volts = 12.0
coil_ohms = 10.0
max_on_ms = 500
duty_percent = 10
part = "latch-s"
installed = 2026-02-02

[[lock]]
id = "store-door"
room = "Store"
guards = "doorway"
mechanism = "magnet"
supply = "rail-a"
command = "north/q2"
contact = "north/i2"
contact_closed_when = "locked"
contact_senses = "armature"
rated_volts = 12.0
rated_amps = 0.5
"""


@pytest.fixture
def harbour_text() -> str:
    """A venue of two locks, free of faults."""
    return HARBOUR


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
