"""From a log that a person wrote, mistakes and all, by the messages alone to a report."""

import json
import shutil
from pathlib import Path

import polars as pl
import pytest

import remanence.sample_data as sample_data
from remanence.pipelines.commands import main

SOURCE = Path(sample_data.__file__).parent / "by_hand"


@pytest.fixture
def mill(tmp_path):
    folder = tmp_path / "mill"
    shutil.copytree(SOURCE, folder)
    return folder


def amend(folder, old, new):
    path = folder / "venue.toml"
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))


def report(folder):
    assert main(["report", str(folder), "--week", "2026-W46"]) == 0
    made = json.loads((folder / "reports" / "2026-W46" / "findings.json").read_text())
    return made, {(f["subject"], f["condition"]) for f in made["findings"]}


def test_check_lists_every_slip_of_the_first_try_in_one_go(mill, capsys):
    assert main(["check", str(mill / "first_try.toml")]) == 1
    said = "".join(capsys.readouterr())
    assert "9 things to put right" in said
    for hint in ("did you mean time_zone?", "did you mean psu?", 'use "power-on" or "power-off"',
                 "did you mean contact_closed_when?", "give each lock its own channel",
                 'use "container" or "doorway"', "without quotes or unit"):
        assert hint in said, hint
    assert "Traceback" not in said


def test_the_second_file_passes_and_warns_of_what_cannot_be_seen(mill, capsys):
    assert main(["check", str(mill)]) == 0
    said = "".join(capsys.readouterr())
    assert "5 locks" in said
    assert "water-hatch" in said


def test_the_messages_lead_to_a_report(mill, capsys):
    # What is taken, what is set aside and why; nothing vanishes.
    assert main(["ingest", str(mill)]) == 0
    said = "".join(capsys.readouterr())
    assert "306 taken, 1 repeated, 5 rejected" in said
    assert "Europe/Dublin" in said
    assert "on and off in the [[log]] block" in said
    # Doing what the message asks brings the two commands in.
    amend(mill, 'format = "csv"', 'format = "csv"\non = ["on"]\noff = ["off"]')
    assert main(["ingest", str(mill), "--retry-rejects"]) == 0
    said = "".join(capsys.readouterr())
    assert "2 taken" in said
    assert "3 rejected" in said
    # The report knows that a switch is the wrong way round ...
    made, found = report(mill)
    assert ("stone-drawer", "contact-inverted") in found
    assert ("bell-box", "no-release") in found
    assert ("mill-door", "release-test-due") in found
    # ... and with that put right, the drawer is like any other.
    amend(mill, 'contact = "cellar/stone_sw"\ncontact_closed_when = "locked"',
          'contact = "cellar/stone_sw"\ncontact_closed_when = "open"')
    made, found = report(mill)
    assert ("stone-drawer", "contact-inverted") not in found
    drawer = next(row for row in made["locks"] if row["lock"] == "stone-drawer")
    assert drawer["released"] == 8
    assert 30 <= drawer["latency_ms"]["value"] <= 42


def test_a_restart_in_the_middle_makes_no_actuation(mill, tmp_path):
    assert main(["ingest", str(mill)]) == 0
    target = tmp_path / "actuations.csv"
    assert main(["export", str(mill), "actuations", str(target)]) == 0
    rows = pl.read_csv(target)
    # Eight games; the bell box was tried again twice.
    counts = dict(rows.group_by("lock").len().iter_rows())
    assert counts["mill-door"] == counts["flour-chest"] == counts["stone-drawer"] == 8
    assert counts["bell-box"] == 10
