"""What ``sniff`` proposes for logs that nobody here wrote takes every line of them.

Sources and licences: ``tests/published/logs/SOURCES.md``.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from remanence.pipelines.ingest.ingest import ingest
from remanence.pipelines.ingest.progress import Silent
from remanence.pipelines.sheets.refresh import load_venue
from remanence.pipelines.sniff.sniff import sniff
from remanence.pipelines.store.store import Store
from tests.pipelines.sniff.test_sniff import proposed

LOGS = Path(__file__).parent / "logs"

EXPECTED = {
    "machine_temperature.csv": (20, {"CONTROLLER/NAME"}),
    "ambient_temperature.csv": (16, {"CONTROLLER/NAME"}),
    "road_detector.csv": (17, {"CONTROLLER/NAME"}),
    "sensor_stream.json": (24, {f"sensor{name}/{what}" for name in "ABCDE"
                                for what in ("temp", "hmdt")}),
    "machine_and_ambient.json": (16, {f"CONTROLLER/{name}" for name in (
        "machine.temperature", "machine.pressure", "ambient.temperature", "ambient.humidity")}),
}
"""Records by hand count of each excerpt, and channels by the words of its file."""

VENUE = '[venue]\nid = "v"\nname = "V"\ntime_zone = "UTC"\n'


def venue(block: str, channels: set[str]) -> str:
    """A venue file whose rails are all the channels."""
    rails = "".join(
        f'[[supply]]\nid = "rail-{n}"\nchannel = "{name}"\nrated_volts = 48.0\n'
        f'[[lock]]\nid = "lock-{n}"\nguards = "container"\nmechanism = "latch"\n'
        f'supply = "rail-{n}"\ncommand = "none/q{n}"\n' for n, name in enumerate(sorted(channels)))
    return f"{VENUE}{block}\n{rails}"


def test_there_is_an_expectation_of_every_log():
    assert set(EXPECTED) == {path.name for path in LOGS.iterdir()} - {"SOURCES.md"}


@pytest.mark.parametrize("name", EXPECTED)
def test_the_proposal_takes_every_line(tmp_path, name):
    count, channels = EXPECTED[name]
    text = sniff([LOGS / name])
    assert "cannot be read" not in text
    block = re.sub(r"files = \[.*\]", f'files = ["{name}"]', proposed(text))
    (tmp_path / name).write_bytes((LOGS / name).read_bytes())
    (tmp_path / "venue.toml").write_text(venue(block, channels))
    known, path = load_venue(tmp_path)
    summary = ingest(known, path, progress=Silent())
    assert (summary.faults, summary.rejected, summary.taken) == ([], 0, count)
    signals = Store.open(known, path).scan_signals().collect()
    assert set(signals["channel"]) == channels & set(signals["channel"])
    assert signals["time"].is_sorted()


def test_what_it_cannot_know_is_asked():
    """These files name no channel, and give no offset."""
    text = sniff([LOGS / "road_detector.csv"])
    assert "No column names the channel" in text
    assert "Are times without an offset the venue's local time?" in text
