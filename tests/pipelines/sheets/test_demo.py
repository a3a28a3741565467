"""The whole job through the commands, on the demo venue; the notebooks on the same."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from datetime import date
from html.parser import HTMLParser
from pathlib import Path

import nbformat
import openpyxl
import polars as pl
import pytest
from jsonschema import Draft202012Validator, FormatChecker
from nbclient import NotebookClient

from remanence.analytics.conditions import catalogue
from remanence.pipelines.commands import AT_FAULT, DONE, URGENT, main
from remanence.pipelines.schemas import schema_of
from remanence.pipelines.toolkit import open_venue
from remanence.shared.errors import RemanenceError
from remanence.shared.findings import STATES, URGENCIES
from remanence.shared.tables import RESULTS, TABLES

NOTEBOOKS = sorted((Path(__file__).parents[3] / "sample_data" / "notebooks").glob("*.ipynb"))


@pytest.fixture(scope="module")
def demo(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("demo") / "d"
    os.environ["SOURCE_DATE_EPOCH"] = "1795000000"
    assert main(["demo", "--out", str(folder)]) == DONE
    return folder


@pytest.fixture(scope="module")
def report(demo) -> dict:
    path = next((demo / "reports").iterdir()) / "findings.json"
    return json.loads(path.read_text(encoding="utf-8"))


class _Links(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list) -> None:
        self.found += [v for k, v in attrs if k in ("href", "src") and v]


def closed(schema: object) -> object:
    """The same schema, every object of which has the keys that it lists and no others."""
    if isinstance(schema, list):
        return [closed(item) for item in schema]
    if not isinstance(schema, dict):
        return schema
    shut = {"additionalProperties": False} if isinstance(schema.get("properties"), dict) else {}
    return shut | {key: closed(item) for key, item in schema.items()}


@pytest.mark.parametrize("name", ["findings", "timing", "parts"])
def test_what_is_written_for_programs_fits_its_schema(demo, name):
    found = sorted(demo.rglob(f"{name}.json"))
    assert found
    rules = Draft202012Validator(closed(schema_of(name)), format_checker=FormatChecker())
    for path in found:
        if "store" not in path.relative_to(demo).parts:
            wrong = rules.iter_errors(json.loads(path.read_text(encoding="utf-8")))
            assert [f"{error.json_path}: {error.message}" for error in wrong] == []


def test_every_sheet_is_there_and_every_link_leads_to_a_file(demo):
    pages = sorted(demo.rglob("*.html"))
    names = {page.relative_to(demo).as_posix() for page in pages}
    assert "timing/index.html" in names
    assert "parts/index.html" in names
    assert len([name for name in names if "/locks/" in name]) == 38
    assert len([name for name in names if "/supplies/" in name]) == 3
    for page in pages:
        parser = _Links()
        parser.feed(page.read_text(encoding="utf-8"))
        for link in parser.found:
            if link.startswith(("data:", "#")):
                continue
            assert "//" not in link, f"{page.name} asks the network: {link}"
            assert (page.parent / link.split("#")[0]).exists(), f"{page.name}: {link}"


def test_the_three_files_say_the_same_of_every_lock(demo, report):
    sheets = {name: json.loads((demo / name / f"{name}.json").read_text(encoding="utf-8"))
              for name in ("timing", "parts")}
    assert {sheet["week"] for sheet in sheets.values()} == {report["week"]}
    told = {item["lock"]: item for item in report["locks"]}
    keys = ("state", "findings", "findings_of_rail", "cause", "pulse_now_ms", "no_release",
            "opened_energised", "too_little_data_because")
    for name, sheet in sheets.items():
        assert [item["lock"] for item in sheet["locks"]] == list(told)
        for item in sheet["locks"]:
            for key in keys:
                assert item[key] == told[item["lock"]][key], (name, item["lock"], key)
    assert told["pawl-drawer"]["pulse_now_ms"] == 20.0
    assert told["tower-stair"]["state"] == "do-not-run"
    assert [item["lock"] for item in sheets["parts"]["refits"]] == ["tower-stair"]
    assert "tower-stair" in (demo / "parts" / "order.txt").read_text(encoding="utf-8")
    for item in told.values():
        if item["state"] == "good":
            unexplained = [item["no_release"], item["opened_energised"], item["findings_of_rail"]]
            assert not any(unexplained), item["lock"]


def test_findings_are_of_the_agreed_form(report):
    assert report["venue"] == "clockmaker"
    assert report["made_at"] == "2026-11-18T10:26:40Z" or report["made_at"].endswith("Z")
    assert len(report["locks"]) == 38
    for lock in report["locks"]:
        assert lock["state"] in STATES
        assert lock["actuations"] >= 0
    for finding in report["findings"]:
        assert finding["condition"] in catalogue()
        assert finding["urgency"] in URGENCIES
        assert finding["subject_kind"] in catalogue()[finding["condition"]].subject_kinds
        assert 0 <= finding["score"] <= 1
        assert finding["check"]
        assert finding["evidence"] or finding["condition"] == "unsafe-fitting"
        named = catalogue()[finding["condition"]].figures
        for item in finding["evidence"]:
            assert item["id"] in named, "a figure that the documentation does not name"
            assert {"what", "now", "now_low", "now_high", "before", "before_low", "before_high",
                    "unit", "n"} <= set(item)
    ranks = [URGENCIES.index(finding["urgency"]) for finding in report["findings"]]
    assert ranks == sorted(ranks)


def test_taking_the_logs_in_again_adds_nothing(demo, capsys):
    before = open_venue(demo).signals().select(pl.len()).collect().item()
    assert main(["ingest", str(demo)]) == DONE
    capsys.readouterr()
    assert open_venue(demo).signals().select(pl.len()).collect().item() == before


def test_the_same_data_give_the_same_bytes(demo, tmp_path, capsys):
    for name in ("a", "b"):
        assert main(["report", str(demo), "--out", str(tmp_path / name)]) == DONE
    capsys.readouterr()
    files = [{p.relative_to(tmp_path / n): p.read_bytes() for p in (tmp_path / n).rglob("*")
              if p.is_file()} for n in ("a", "b")]
    assert files[0] == files[1]


def test_a_scheduler_is_told_by_the_exit_status(demo, capsys):
    assert main(["report", str(demo), "--fail-on", "now"]) == URGENT
    assert main(["report", str(demo), "--week", "2026-W23", "--fail-on", "week"]) in (DONE, URGENT)
    out = capsys.readouterr().out
    assert "2026-W47" in out
    assert "2026-W23" in out


def test_a_week_without_records_says_so(demo, tmp_path, capsys):
    assert main(["report", str(demo), "--week", "2025-W10", "--out", str(tmp_path)]) == DONE
    capsys.readouterr()
    page = json.loads((tmp_path / "findings.json").read_text())
    assert {lock["state"] for lock in page["locks"]} <= {"too-little-data", "do-not-run"}


def test_one_file_to_send_by_mail(demo, tmp_path, capsys):
    assert main(["report", str(demo), "--single-file", "--out", str(tmp_path)]) == DONE
    capsys.readouterr()
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        ".remanence-files.json", "findings.json", "index.html"]


@pytest.mark.parametrize("table", sorted(set(TABLES) - {"signals"}))
def test_every_table_can_be_exported(demo, tmp_path, table, capsys):
    for ending in ("parquet", "csv"):
        target = tmp_path / f"{table}.{ending}"
        assert main(["export", str(demo), table, str(target)]) == DONE
        assert target.stat().st_size > 0
    capsys.readouterr()
    assert pl.read_parquet(tmp_path / f"{table}.parquet").schema == TABLES[table].schema


def test_an_export_as_a_spreadsheet_has_typed_cells(demo, tmp_path, capsys):
    target = tmp_path / "service.xlsx"
    assert main(["export", str(demo), "service", str(target)]) == DONE
    sheet = openpyxl.load_workbook(target).active
    assert sheet["A2"].is_date
    assert sheet.freeze_panes == "A2"
    capsys.readouterr()


@pytest.mark.parametrize(("words", "says"), [
    (["export", "{d}", "actuation", "x.csv"], "did you mean actuations?"),
    (["export", "{d}", "actuations", "x.doc"], "use .parquet, .csv or .xlsx"),
    (["export", "{d}", "actuations", "nowhere/x.csv"], "make the folder first"),
    (["demo", "--out", "{d}/logs"], "something else than a demo"),
    (["report", "{d}", "--out", "{d}/venue.toml"], "found a file"),
])
def test_a_mistake_is_answered_in_words(demo, words, says, capsys):
    assert main([word.format(d=demo) for word in words]) == AT_FAULT
    assert says in capsys.readouterr().err


def test_the_venue_from_python(demo):
    house = open_venue(demo)
    rows = house.actuations(lock="bench-drawer")
    assert rows["lock"].unique().to_list() == ["bench-drawer"]
    frame = house.table("actuations", lock="bench-drawer", as_pandas=True)
    assert len(frame) == rows.height
    assert str(frame["command_time"].dt.tz) == "UTC"
    first, last = rows["command_time"][10], rows["command_time"][20]
    assert house.actuations(first, last, lock="bench-drawer").height == 10
    assert house.signals(first, last).select(pl.col("time").min()).collect().item() >= first
    with pytest.raises(RemanenceError, match="did you mean bench-drawer"):
        house.actuations(lock="bench-draw")
    with pytest.raises(RemanenceError, match="without a time zone"):
        house.actuations(first.replace(tzinfo=None))


@pytest.mark.parametrize("name", sorted(RESULTS))
def test_what_is_said_is_a_table_too_for_any_span(demo, name):
    house = open_venue(demo)
    newest = house.table(name)
    assert newest.schema == RESULTS[name].schema
    assert set(newest["week"]) == {"2026-W47"}
    # A Wednesday to the Monday after next touches two weeks; that Monday is not in the span.
    two = house.table(name, date(2026, 11, 4), date(2026, 11, 16))
    assert set(two["week"]) == {"2026-W45", "2026-W46"}
    one = house.table(name, date(2026, 11, 16), lock="bench-drawer")
    assert set(one["subject" if name == "findings" else "lock"]) <= {"bench-drawer"}
    frame = house.table(name, as_pandas=True)
    assert list(frame.columns) == newest.columns
    assert len(frame) == newest.height
    with pytest.raises(RemanenceError, match="found no log in it"):
        house.table(name, date(2020, 1, 1), date(2020, 2, 1))


def test_the_tables_say_what_the_analyses_say(demo):
    house = open_venue(demo)
    findings, table = house.findings(), house.table("findings")
    assert table["place"].unique().sort().to_list() == list(range(1, len(findings) + 1))
    for place, item in enumerate(findings, start=1):
        rows = table.filter(pl.col("place") == place)
        assert rows["condition"].unique().to_list() == [item.condition]
        assert rows["id"].drop_nulls().to_list() == [e.id for e in item.evidence]
        assert rows["now"].to_list()[: len(item.evidence)] == [e.now for e in item.evidence]
    wear = {row["lock"]: row for row in house.table("wear").iter_rows(named=True)}
    for lock in house.wear():
        row = wear[lock.lock]
        if lock.weeks.size:
            assert (row["weeks_left_low_90"], row["weeks_left_high_90"]) == lock.interval(0.9)
        else:
            assert row["weeks_left"] is None
    timing = {row["lock"]: row for row in house.table("timing").iter_rows(named=True)}
    for answer in house.timing().answers:
        assert timing[answer.lock]["pulse_ms"] == answer.pulse.recommended_ms


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_a_notebook_runs_and_ends_with_a_figure_and_a_decision(demo, path, monkeypatch):
    # Where it lies, beside a demo in a folder above: with nothing set.
    monkeypatch.delenv("REMANENCE_DEMO", raising=False)
    place = demo.parent / "notebooks"
    place.mkdir(exist_ok=True)
    if not (demo.parent / "demo").exists():
        (demo.parent / "demo").symlink_to(demo)
    book = nbformat.read(path, as_version=4)
    assert not any(cell.get("outputs") for cell in book.cells), "kept without outputs"
    NotebookClient(book, timeout=300, kernel_name="python3",
                   resources={"metadata": {"path": str(place)}}).execute()
    kinds = [out.get("data", {}).keys() for cell in book.cells for out in cell.get("outputs", [])]
    assert any({"application/vnd.plotly.v1+json", "text/html"} & kind for kind in kinds), "a figure"
    last = book.cells[-1].outputs
    assert last
    assert last[-1].get("text", "").strip(), "a decision"


def of_the_same_logs(demo: Path, folder: Path, **differs: str) -> dict[str, bytes]:
    """All that a new process makes of the demo's log, by name: sheets and derived tables."""
    shutil.copytree(demo, folder)
    for made in ("reports", "timing", "parts", "store"):
        shutil.rmtree(folder / made)
    subprocess.run([sys.executable, "-m", "remanence", "weekly", str(folder)], check=True,
                   capture_output=True, env={**os.environ, **differs})
    return {path.relative_to(folder).as_posix(): path.read_bytes()
            for made in ("reports", "timing", "parts", "store/derived")
            for path in (folder / made).rglob("*")
            if path.is_file() and path.name not in (".lock", "manifest.json")}


def test_the_same_log_is_the_same_bytes_whatever_the_process(demo, tmp_path):
    # Each order in which floats are added has a last digit of its own. Sets of names are ordered
    # by the process's hash seed, and sums by group are parted among the threads.
    one = of_the_same_logs(demo, tmp_path / "one", PYTHONHASHSEED="1", POLARS_MAX_THREADS="1",
                           OMP_NUM_THREADS="1")
    other = of_the_same_logs(demo, tmp_path / "other", PYTHONHASHSEED="2",
                             POLARS_MAX_THREADS="4", OMP_NUM_THREADS="3")
    assert {"parts/parts.json", "timing/timing.json"} < one.keys() == other.keys()
    assert any(name.startswith("store/derived/") for name in one)
    assert [name for name in one if one[name] != other[name]] == []
