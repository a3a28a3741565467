"""``remanence check --logs``: a dry run of ingest and pairing that keeps nothing."""

from __future__ import annotations

import sys
from subprocess import run

import pytest

from remanence.pipelines.commands import AT_FAULT, DONE, main

HEADER = "time,channel,quantity,value\n"


def pulses(day: str, count: int, *, contact: str = "north/i1") -> list[str]:
    """Commands of chart-drawer that are answered after 60 ms."""
    rows = []
    for k in range(count):
        at = f"{day}T10:{k:02}"
        rows += [f"{at}:00.000Z,north/q1,command,1", f"{at}:00.060Z,{contact},contact,0",
                 f"{at}:00.300Z,north/q1,command,0", f"{at}:05.000Z,{contact},contact,1"]
    return rows


@pytest.fixture
def venue(tmp_path, harbour_text):
    (tmp_path / "logs").mkdir()
    (tmp_path / "venue.toml").write_text(
        harbour_text.replace('contact_closed_when = "locked"', 'contact_closed_when = "unknown"'))

    def write(name, rows):
        (tmp_path / "logs" / name).write_text(HEADER + "".join(f"{row}\n" for row in rows))

    write("a.csv", pulses("2026-11-02", 20))
    return tmp_path, write


def files_of(folder):
    return {path: path.stat().st_mtime_ns for path in folder.rglob("*")}


def test_it_says_what_would_come_and_writes_nothing(venue, capsys):
    folder, write = venue
    write("b.csv", [*pulses("2026-11-03", 2), "2026-11-03T11:00:00Z,nroth/q2,command,1",
                    "2042-11-03T11:00:00Z,north/q1,command,1", "2026-11-03T12:00:00Z,north/q1,x,1"])
    before = files_of(folder)
    assert main(["check", str(folder), "--logs"]) == DONE
    out = capsys.readouterr().out
    assert files_of(folder) == before
    assert "2 files, 91 records: 88 taken, 0 repeated, 3 rejected" in " ".join(out.split())
    assert "times from 2026-11-02 10:00:00 to 2026-11-03 10:01:05 (Europe/Lisbon)" in out
    assert "north: stamped to 10 ms" in out
    assert "lies in the future" in out
    assert "logs/b.csv, line 11: 2042-11-03T11:00:00Z,north/q1,command,1" in out
    never = out.split("never came\n")[1]
    assert "north/q2 (command of store-door); the log has nroth/q2" in never
    assert "north/i2 (contact of store-door)" in never
    assert "does not have\n  nroth/q2 (1 record)" in out
    assert "chart-drawer (north/i1): closed when locked, learned from the log" in out
    first = out.split("First of 22 actuations")[1].splitlines()[2].split()
    assert first == ["chart-drawer", "2026-11-02", "10:00:00.000", "300.0", "released", "60.0"]


def test_logs_of_which_nothing_can_be_taken_are_at_fault(venue, capsys):
    folder, write = venue
    write("a.csv", ["1,north/q1,command,1"])
    assert main(["check", str(folder), "--logs"]) == AT_FAULT
    out = capsys.readouterr().out
    assert "0 taken" in out
    assert "No actuation would be paired" in out


def test_a_span_that_is_doubted_is_told_and_at_fault(venue, capsys):
    folder, write = venue
    write("2026-05-01.csv", pulses("2025-01-05", 1))
    assert main(["check", str(folder), "--logs"]) == AT_FAULT
    assert "Doubtful: logs/2026-05-01.csv: its name says 2026-05-01" in capsys.readouterr().out


def test_check_without_logs_stays_light(venue):
    folder, _ = venue
    code = (f"import sys; from remanence.pipelines.commands import main; "
            f"main(['check', {str(folder)!r}]); "
            "print(sorted(m for m in ('polars', 'numpy', 'scipy', 'pyarrow') if m in sys.modules))")
    done = run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip().endswith("[]")
