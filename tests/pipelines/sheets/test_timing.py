"""``remanence timing`` on a small log: files written, values for the controller, faults said."""

from __future__ import annotations

import csv
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from remanence.pipelines.commands import main
from tests.conftest import HARBOUR

VENUE = HARBOUR.partition('[[lock]]\nid = "store-door"')[0] + """\
[[lock]]
id = "blind-hatch"
guards = "container"
mechanism = "latch"
supply = "rail-a"
command = "north/q2"
coil_ohms = 10.0
max_on_ms = 500
part = "latch-s"
"""
"""A second lock, of the same model, that no switch watches."""


def write_log(folder: Path, days: int = 8, a_day: int = 20) -> None:
    """Commands of 200 ms, each answered after 28 to 34 ms; the drawer is shut again later."""
    rng = np.random.default_rng(4)
    lines = ["time,channel,quantity,value"]
    for i in range(days * a_day):
        time = datetime(2026, 3, 2, 10, tzinfo=UTC) + timedelta(
            days=i // a_day, minutes=10 * (i % a_day))
        answered = int(rng.integers(28, 35))
        for after, channel, quantity, value in (
            (0, "north/q1", "command", 1), (answered, "north/i1", "contact", 0),
            (200, "north/q1", "command", 0), (60_000, "north/i1", "contact", 1),
            (120_000, "north/q2", "command", 1), (120_200, "north/q2", "command", 0),
        ):
            stamp = time + timedelta(milliseconds=after)
            lines.append(f"{stamp:%Y-%m-%dT%H:%M:%S}.{stamp.microsecond // 1000:03d}Z,"
                         f"{channel},{quantity},{value}")
    (folder / "logs").mkdir()
    (folder / "logs" / "a.csv").write_text("\n".join(lines) + "\n")


@pytest.fixture(scope="module")
def venue(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("harbour")
    (folder / "venue.toml").write_text(VENUE)
    write_log(folder)
    assert main(["ingest", str(folder)]) == 0
    return folder


def test_the_sheet_and_the_files_for_the_controller_are_written(venue, tmp_path, capsys):
    out, header, yaml = tmp_path / "out", tmp_path / "code" / "timing.h", tmp_path / "timing.yaml"
    assert main(["timing", str(venue), "--out", str(out), "--header", str(header),
                 "--yaml", str(yaml)]) == 0
    said = capsys.readouterr().out
    assert "Pulse or off-time for 2 of 2 locks" in said
    assert str(out / "index.html") in said
    rows = list(csv.DictReader((out / "timing.csv").open()))
    data = json.loads((out / "timing.json").read_text())
    assert [row["lock"] for row in rows] == ["chart-drawer", "blind-hatch"]
    assert [row["basis"] for row in rows] == ["own", "borrowed"]
    for row, lock in zip(rows, data["locks"], strict=True):
        pulse = lock["answer"]["pulse"]
        assert float(row["pulse_recommended_ms"]) == pulse["recommended_ms"]
        promised = row["releases_at_first_try_share"]
        assert (float(promised) if promised else None) == pytest.approx(pulse["stated"])
        assert float(row["expected_at_first_try_share"]) == pytest.approx(pulse["expected"])
        assert f"_PULSE_MS {pulse['recommended_ms']:.0f}\n" in header.read_text()
        assert f"    pulse_ms: {pulse['recommended_ms']:g}\n" in yaml.read_text()
    assert 34 <= float(rows[0]["pulse_shortest_ms"]) < 60
    # Nothing shows when the hatch releases: the other lock says what to expect, nobody promises.
    assert rows[0]["releases_at_first_try_share"]
    assert not rows[1]["releases_at_first_try_share"]
    assert rows[0]["p50_ms"] == "31"
    assert rows[0]["first_day"] == "2026-03-02"
    assert data["venue"] == "harbour"
    assert "#ifndef REMANENCE_HARBOUR_TIMING_H" in header.read_text()


def test_the_same_data_give_the_same_bytes(venue, tmp_path, monkeypatch):
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1790000000")
    for name in ("one", "two"):
        assert main(["timing", str(venue), "--out", str(tmp_path / name)]) == 0
    for path in (tmp_path / "one").rglob("*.*"):
        other = tmp_path / "two" / path.relative_to(tmp_path / "one")
        assert path.read_bytes() == other.read_bytes(), path.name


def test_a_folder_in_place_of_a_file_is_said(venue, tmp_path, capsys):
    assert main(["timing", str(venue), "--out", str(tmp_path / "o"), "--header",
                 str(tmp_path)]) == 1
    assert "found a folder" in capsys.readouterr().err


def test_without_records_the_command_says_what_to_do(tmp_path, capsys):
    (tmp_path / "venue.toml").write_text(VENUE)
    assert main(["timing", str(tmp_path)]) == 1
    assert "remanence ingest" in capsys.readouterr().err
