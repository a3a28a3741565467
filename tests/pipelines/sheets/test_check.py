"""``remanence check`` and the command line's manners."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from remanence.pipelines.commands import AT_FAULT, DONE, USAGE, build_parser, main

ROOT = Path(__file__).parents[3]


@pytest.fixture
def venue(tmp_path: Path, harbour_text: str) -> Path:
    path = tmp_path / "venue.toml"
    path.write_text(harbour_text)
    return path


def test_the_schedule_names_everything_of_a_lock(venue, capsys):
    assert main(["check", str(venue.parent)]) == DONE
    out, err = capsys.readouterr()
    row = " ".join(out.partition("  chart-drawer")[2].partition("\n  bell")[0].split())
    for word in ("latch", "stays locked (fail-secure)", "container", "rail-a", "north/q1",
                 "north/i1: catch, closed when locked", "diode", "12 V, 1.2 A, at most 500 ms"):
        assert word in row
    door = " ".join(out.partition("  store-door")[2].split())
    assert "opens (fail-safe)" in door
    assert "continuous" in door
    assert "UNSAFE" not in out
    assert "no safety device" in out
    assert err == ""


def test_a_fail_secure_lock_on_a_doorway_is_said_before_all(venue, harbour_text, capsys):
    text = harbour_text.replace('mechanism = "magnet"', 'mechanism = "strike"\nreleased_by = '
                                '"power-on"\nmax_on_ms = 9000')
    venue.write_text(text)
    assert main(["check", str(venue)]) == DONE
    out = capsys.readouterr().out
    assert "UNSAFE" in out
    assert "store-door" in out.split("UNSAFE")[1].split("Worth")[0]
    assert "line 4" in out.split("UNSAFE")[1]


def test_a_faulty_file_stops_everything_else(venue, harbour_text, capsys):
    venue.write_text(harbour_text.replace("mechanism", "mechansim", 1))
    for command in (["check"], ["ingest"], ["report"], ["timing"], ["parts"], ["weekly"]):
        assert main([*command, str(venue)]) == AT_FAULT
        err = capsys.readouterr().err
        assert "did you mean mechanism?" in err
        assert "Nothing was read or written." in err
    assert sorted(path.name for path in venue.parent.iterdir()) == ["venue.toml"]


def test_a_missing_venue_is_one_line(tmp_path, capsys):
    assert main(["check", str(tmp_path / "nowhere" / "venue.toml")]) == AT_FAULT
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert "does not exist" in err
    assert main(["check", str(tmp_path)]) == AT_FAULT
    assert "without a venue.toml" in capsys.readouterr().err


def test_bytes_that_are_not_text(tmp_path, capsys):
    path = tmp_path / "venue.toml"
    path.write_bytes(b'[venue]\nid = "\xff"\n')
    assert main(["check", str(path)]) == AT_FAULT
    assert "line 2: found a byte that is not UTF-8" in capsys.readouterr().err


@pytest.mark.parametrize("words", [["chek", "x"], ["export"], ["report", "x", "--fail-on", "plan"],
                                   ["service", "v", "l", "a", "--date", "yesterday"], []])
def test_wrong_usage_is_2(words, capsys):
    assert main(words) == USAGE
    capsys.readouterr()


def test_a_week_that_is_none(venue, capsys):
    assert main(["report", str(venue), "--week", "2025-W53"]) == USAGE
    assert "has no week 53" in capsys.readouterr().err


def test_an_empty_store_says_what_to_do_first(venue, capsys):
    assert main(["report", str(venue)]) == AT_FAULT
    assert "remanence ingest" in capsys.readouterr().err


def test_help_answers_without_heavy_imports():
    code = ("import sys; from remanence.pipelines.commands import main; main(['--help']); "
            "print(sorted(m for m in ('polars', 'numpy', 'scipy', 'jinja2') if m in sys.modules))")
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True,
                          check=True)
    assert done.stdout.strip().endswith("[]")


def test_every_command_has_help(capsys):
    action = next(a for a in build_parser()._actions if a.dest == "command")
    for name in action.choices:
        assert main([name, "--help"]) == DONE
        assert name in capsys.readouterr().out
