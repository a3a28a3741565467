"""The first path, as the documentation prints it: from a sketch's first line to a report."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest

from remanence.pipelines.commands import DONE, main
from remanence.pipelines.toolkit import open_venue

ROOT = Path(__file__).parents[1]
STEPS = (ROOT / "docs" / "getting-started.md").read_text(encoding="utf-8")
WIRING = (ROOT / "docs" / "wiring-and-logging.md").read_text(encoding="utf-8")


def blocks(text: str) -> list[tuple[str, str]]:
    return re.findall(r"```([^\n`]*)\n(.*?)```", text, re.DOTALL)


def venue_text() -> str:
    return next(body for kind, body in blocks(STEPS) if kind == "toml")


def test_every_step_of_getting_started_works_as_printed(tmp_path):
    after_install = STEPS[STEPS.index("## 2."):]
    ran = []
    for kind, body in blocks(after_install):
        if kind.startswith("csv "):
            (tmp_path / kind[4:]).parent.mkdir(parents=True, exist_ok=True)
            (tmp_path / kind[4:]).write_text(body)
        elif kind == "toml":
            (tmp_path / "venue.toml").write_text(body)
        elif not kind:
            for line in body.strip().splitlines():
                words = shlex.split(line)
                assert words[0] == "remanence"
                done = subprocess.run(
                    [sys.executable, "-m", *words], cwd=tmp_path, capture_output=True, text=True,
                    check=False)
                assert done.returncode == DONE, f"{line}\n{done.stdout}{done.stderr}"
                ran.append(words[1])
    assert {"sniff", "check", "weekly", "export", "ingest", "service"} <= set(ran)
    assert list(tmp_path.glob("reports/*/index.html"))
    assert open_venue(tmp_path).actuations()["latency_ms"].to_list() == [67.0, 64.0]


def test_what_sniff_proposes_is_what_the_venue_file_of_the_steps_says(tmp_path, capsys):
    kind, log = next(block for block in blocks(STEPS) if block[0].startswith("csv "))
    path = tmp_path / kind[4:]
    path.parent.mkdir()
    path.write_text(log)
    assert main(["sniff", str(path)]) == DONE
    out = capsys.readouterr().out
    for line in re.findall(r"\[\[log\]\]\nfiles = .*\n((?:.+\n)+)", venue_text())[0].splitlines():
        assert line in out


BOARD = r"""
#include <stdio.h>
#define LOCKS 1
static unsigned long ms = 5000, released_at, closed_at, pulse_end;
static const char *contact_name[] = {"north/i1"}, *command_name[] = {"north/q1"};
static unsigned long pulse_ms[] = {500};
static int commanded;
static unsigned long next_hour;
static char stamp[32];
static unsigned long now_ms(void) { return ms; }
static void write_line(const char *line) { puts(line); }
static int read_contact(int i) { (void)i; return !(released_at <= ms && ms < closed_at); }
static float read_volts(void) { return ms < pulse_end ? 11.5f : 12.1f; }
static void drive(int i, int on) { (void)i; (void)on; }
static int wall_is_due(void) { return ms >= next_hour; }
static const char *wall_time(void) {
    next_hour = ms + 3600000;
    unsigned long s = ms / 1000;                       /* it began at midnight */
    snprintf(stamp, sizeof stamp, "2026-11-%02luT%02lu:%02lu:%02lu.%03luZ", 2 + s / 86400,
             s / 3600 % 24, s / 60 % 60, s % 60, ms % 1000);
    return stamp;
}
static int next_command(void) { int due = commanded ? 0 : -1; commanded = 0; return due; }
static void pulse_end_at(int i, unsigned long when) { (void)i; pulse_end = when; }
SKETCH
int main(void) {
    setup();
    for (int day = 0; day < 5; day++)
        for (int game = 0; game < 8; game++) {
            ms = (day * 24UL + 10 + game) * 3600000UL;
            loop();
            commanded = 1;
            released_at = ms + 61 + (7 * game + day) % 11;
            closed_at = ms + 9000;
            for (int i = 0; i < 12000; i++, ms++) {
                loop();
                if (ms == pulse_end && pulse_end) log_line(command_name[0], "command", 0);
            }
        }
    return 0;
}
"""


@pytest.mark.skipif(shutil.which("gcc") is None, reason="no C compiler")
def test_the_sketchs_log_is_taken_to_its_last_line_and_reported(tmp_path, monkeypatch):
    sketch = next(body for kind, body in blocks(WIRING) if kind == "c")
    block = next(body for kind, body in blocks(WIRING) if kind == "toml")
    source = tmp_path / "board.c"
    source.write_text(BOARD.replace("SKETCH", sketch))
    subprocess.run(["gcc", "-Wall", "-Werror", "-Wno-format-truncation", "-o",
                    str(tmp_path / "board"), str(source)], check=True)
    log = subprocess.run([str(tmp_path / "board")], capture_output=True, text=True, check=True)
    (tmp_path / "logs").mkdir()
    (tmp_path / "logs" / "monday.csv").write_text(log.stdout)
    assert block.strip() in venue_text()
    (tmp_path / "venue.toml").write_text(venue_text())
    monkeypatch.chdir(tmp_path)
    assert main(["weekly"]) == DONE
    assert open_venue(tmp_path).table("rejects").height == 0
    made = open_venue(tmp_path).actuations()
    assert made.height == 40
    assert made["outcome"].unique().to_list() == ["released"]
    assert made["latency_ms"].is_between(60, 75).all()
    first = made["command_time"].min()
    assert first is not None
    assert str(first)[:16] == "2026-11-02 10:00"
    assert isinstance(made, pl.DataFrame)


def test_weekly_says_what_came_of_the_logs_where_nothing_could_be_taken(
        tmp_path, monkeypatch, capsys):
    (tmp_path / "venue.toml").write_text(venue_text())
    (tmp_path / "logs").mkdir()
    (tmp_path / "logs" / "monday.csv").write_text("5000,north/i1,contact,1\n6000,rail-a,volts,12\n")
    monkeypatch.chdir(tmp_path)
    assert main(["weekly"]) == 1
    err = capsys.readouterr().err
    assert "the store holds no records" in err
    assert "Not read: logs/monday.csv, line 1" in err
