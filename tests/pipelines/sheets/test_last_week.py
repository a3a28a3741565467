"""``--week last``: what a scheduler asks for tells a week in which nothing was logged."""

from __future__ import annotations

import json
import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest

from remanence.pipelines.commands import URGENT, USAGE, main

BY_HAND = Path(__file__).parents[3] / "sample_data" / "by_hand"


@pytest.fixture
def venue(tmp_path):
    shutil.copytree(BY_HAND, tmp_path / "venue")
    return tmp_path / "venue"


def on(monkeypatch, moment: str) -> None:
    """The run is on that day, by the venue's own clock or near it."""
    seconds = datetime.fromisoformat(moment).replace(tzinfo=UTC).timestamp()
    monkeypatch.setenv("SOURCE_DATE_EPOCH", str(int(seconds)))


def told(venue: Path) -> dict[str, list[str]]:
    return {path.parent.name: [item["condition"] for item in json.loads(
        path.read_text("utf-8"))["findings"]] for path in venue.glob("reports/*/findings.json")}


def test_a_week_without_any_log_is_found_by_itself(venue, monkeypatch, capsys):
    monkeypatch.chdir(venue)
    on(monkeypatch, "2026-11-25T12:00")  # a Wednesday: W48
    main(["weekly"])
    (newest,) = told(venue)
    assert "log-gap" not in told(venue)[newest]
    assert main(["weekly", "--week", "last", "--fail-on", "week"]) == URGENT
    assert set(told(venue)) == {newest, "2026-W47"}
    assert "log-gap" in told(venue)["2026-W47"]
    on(monkeypatch, "2026-12-01T12:00")
    main(["weekly", "--week", "last"])
    assert "2026-W48" in told(venue), "another week each Monday"


def test_what_is_no_week_is_told_what_would_be(venue, monkeypatch, capsys):
    monkeypatch.chdir(venue)
    assert main(["weekly", "--week", "yesterday"]) == USAGE
    err = " ".join(capsys.readouterr().err.split())
    assert "write year and ISO week like 2026-W47; or last: the week that ended last" in err
