"""Text in a cell stays text, and nothing that a terminal obeys reaches it."""

from __future__ import annotations

import ast
from datetime import date
from pathlib import Path

import openpyxl
import polars as pl
import pytest

from remanence.pipelines.commands import main
from remanence.pipelines.ingest import progress
from remanence.pipelines.sheets.refresh import load_venue
from remanence.pipelines.store.service_log import read_service
from remanence.shared.cells import as_text, from_cell, text_cell
from remanence.shared.terminal import printable
from tests.durability.small_venue import make

CALLS = ["=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "\t=1", "\r=1", " =1", "\uff1d1",
         '=HYPERLINK("http://x","y")', "=1,2"]
PLAIN = ["latch-s", "-5.2", "+3", "12", "", "http://x", "a=b", "1e-3", "'quoted"]


@pytest.mark.parametrize("text", CALLS)
def test_what_a_spreadsheet_would_run_gets_an_apostrophe(text):
    assert text_cell(text) == "'" + text
    assert from_cell("'" + text) == text
    assert pl.DataFrame({"t": [text]}).select(as_text(pl.col("t"))).item() == "'" + text


@pytest.mark.parametrize("text", PLAIN)
def test_other_text_stays_as_it_is(text):
    assert text_cell(text) == text
    assert from_cell(text) == text
    assert pl.DataFrame({"t": [text]}).select(as_text(pl.col("t"))).item() == text


def test_no_cell_of_what_is_written_is_a_formula_or_a_link(tmp_path):
    folder = tmp_path / "house"
    make(folder, days=2)
    (folder / "logs" / "odd.csv").write_text(
        "time,channel,quantity,value\n" + "".join(f'"{c}"\n' for c in ("=1+1", "http://x", "@a")))
    assert main(["ingest", str(folder)]) == 0
    for ending in ("csv", "xlsx"):
        assert main(["export", str(folder), "rejects", str(tmp_path / f"r.{ending}")]) == 0
    texts = pl.read_csv(tmp_path / "r.csv")["text"].to_list()
    assert not any(text.lstrip('" ').startswith(("=", "@")) for text in texts if text[0] != '"')
    sheet = openpyxl.load_workbook(tmp_path / "r.xlsx").active
    assert all(cell.data_type != "f" and cell.hyperlink is None
               for row in sheet.iter_rows() for cell in row)
    assert main(["service", str(folder), "chart-drawer", "cleaned", "--date", "2026-11-03",
                 "--note", "=cmd()\x1b[2J"]) == 0
    assert "'=cmd()" in (folder / "service.csv").read_text()
    venue, path = load_venue(folder)
    entry = read_service(venue, path).entries.filter(pl.col("date") == date(2026, 11, 3))
    assert entry["note"].to_list() == ["=cmd()\ufffd[2J"]


def test_a_terminal_is_told_nothing_that_it_obeys():
    shown = printable("a\x1b[31mb\u202ec\x07\r\n\td\x9b")
    assert shown == "a\ufffd[31mb\ufffdc\ufffd\ufffd\n\td\ufffd"


def test_all_that_is_printed_goes_past_that_filter():
    root = Path(__file__).parents[2]
    printing = {
        path.relative_to(root).as_posix()
        for room in ("analytics", "dashboards", "pipelines", "remanence", "sample_data", "shared")
        for path in (root / room).rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
        and node.func.id == "print"}
    assert printing == {"pipelines/say.py"}


def test_a_name_of_a_log_moves_no_cursor(capsys, monkeypatch):
    monkeypatch.setattr(progress, "LINE_EVERY_S", 0.0)
    for shown in (progress.Lines(), progress.Bar()):
        shown.start(10)
        shown.advance(5, "a\x1b[2Jb.csv")
        shown.advance(5, "a\x1b[2Jb.csv")
        shown.close()
    assert "\x1b[2J" not in capsys.readouterr().err
