"""Times that cannot be, blocks that meet, channels that never came, restarts without a clock."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest

from remanence.pipelines.clocks.now import latest_possible
from remanence.pipelines.commands import main
from remanence.pipelines.ingest.doubts import name_doubt
from remanence.pipelines.store.store import Batch
from remanence.pipelines.toolkit import open_venue
from remanence.shared.errors import RemanenceError
from remanence.shared.tables import SIGNALS
from tests.pipelines.ingest.house import GOOD, VENUE, lines

NOW = datetime(2026, 11, 3, 12, tzinfo=UTC)


def test_a_record_later_than_tomorrow_is_set_aside_with_its_reason(house):
    house.write("a.csv", lines([
        *GOOD, "2026-11-04T11:59:00Z,north/q1,command,0", "2026-11-04T12:00:01Z,north/q1,command,1",
        "2042-08-16T01:00:00Z,rail-a,volts,12.0"]))
    summary = house.ingest(now=NOW)
    assert (summary.taken, summary.rejected) == (4, 2)
    assert set(house.reasons()) == {6, 7}
    assert all("lies in the future" in reason for reason in house.reasons().values())
    assert max(house.store.days()) == date(2026, 11, 4)
    assert "lies in the future" in summary.text()


def test_a_counter_read_as_epoch_seconds_is_refused(house):
    house.folder.joinpath("venue.toml").write_text(
        VENUE.replace('"logs/*.csv.gz"]', '"logs/*.csv.gz"]\ntime_format = "epoch-s"'))
    house.write("a.csv", lines([f"{2_291_883_421 + 60 * k},north/q1,command,{k % 2}"
                                for k in range(20)]))
    summary = house.ingest()
    assert summary.all_rejected
    assert "boot-ms" in summary.text()
    assert not house.store.days()


def test_the_moment_that_is_stated_moves_now_only_forward(monkeypatch):
    real = latest_possible()
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1000000000")
    assert latest_possible() >= real - timedelta(days=365)
    assert latest_possible() > datetime(2025, 1, 1, tzinfo=UTC)
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "4000000000")
    assert latest_possible() == datetime.fromtimestamp(4_000_000_000, UTC) + timedelta(days=1)


def test_a_span_that_the_name_contradicts_is_doubted(house):
    house.write("2026-11-03.csv", lines(["2026-03-11T10:00:00Z,north/q1,command,1"]))
    house.write("2026-11-02.csv", lines(GOOD))
    summary = house.ingest()
    assert len(summary.doubts) == 1
    assert not summary.good
    assert "its name says 2026-11-03, its times run from 2026-03-11" in summary.text()
    assert house.ingest().good, "told once, when the file is read"


def test_a_file_years_away_from_its_neighbours_is_doubted(house):
    for name, year in (("a.csv", 2026), ("b.csv", 2026), ("c.csv", 2011)):
        house.write(name, lines([f"{year}-11-02T10:00:00Z,north/q1,command,1"]))
    summary = house.ingest()
    assert [doubt.split(":")[0] for doubt in summary.doubts] == ["logs/c.csv"]


# Nothing is left out in silence.

TWICE = VENUE.replace('files = ["logs/*.jsonl"]\nformat = "jsonl"', 'files = ["logs/a*"]')


@pytest.mark.parametrize("given", [None, ["logs/a.csv"]])
def test_two_blocks_that_match_one_file_are_an_error_that_names_both(house, given):
    house.folder.joinpath("venue.toml").write_text(TWICE)
    house.write("a.csv", lines(GOOD))
    with pytest.raises(RemanenceError) as error:
        house.ingest([house.folder / name for name in given] if given else None)
    lines_of_blocks = [n for n, line in enumerate(TWICE.splitlines(), 1) if line == "[[log]]"]
    assert str(error.value).startswith("logs/a.csv: two [[log]] blocks")
    assert f"lines {lines_of_blocks[0]} and {lines_of_blocks[1]}" in str(error.value)
    assert not house.store.days()


def test_channels_that_never_came_are_named_with_what_the_log_has_instead(house):
    house.write("a.csv", lines([GOOD[0], "2026-11-02T18:03:11.547Z,north/in1,contact,0"]))
    text = house.ingest().text()
    assert "north/i1 (contact of chart-drawer); the log has north/in1" in text
    assert "rail-a (volts of rail-a)" in text
    assert "north/q1 (" not in text
    house.write("b.csv", lines(GOOD[1:]))
    assert house.ingest().absent == [], "what came in any file has come"
    assert house.ingest().absent == []


def test_what_a_file_that_goes_on_held_before_stays_known(house):
    path = house.write("a.csv", lines(GOOD[:1]))
    house.ingest()
    with path.open("a") as file:
        file.write(GOOD[1] + "\n")
    assert [absent.channel for absent in house.ingest().absent] == ["rail-a"]


def test_nothing_is_said_of_a_contact_that_was_never_logged(house, capsys):
    rows = []
    for day in range(2, 9):
        for hour in range(10, 20):
            rows += [f"2026-11-{day:02}T{hour}:00:00.000Z,north/q1,command,1",
                     f"2026-11-{day:02}T{hour}:00:00.300Z,north/q1,command,0"]
    house.write("a.csv", lines(rows))
    house.ingest()
    opened = open_venue(house.folder)
    assert set(opened.actuations()["outcome"]) == {"unobserved"}
    assert not [f for f in opened.findings() if f.subject == "chart-drawer"]
    assert main(["report", str(house.folder)]) == 0
    assert "never came in any log: north/i1 (contact of chart-drawer)" in capsys.readouterr().out
    page = next(house.folder.glob("reports/*/index.html")).read_text()
    assert "north/i1 never came in any log" in page
    assert "contact of chart-drawer" in page
    assert main(["report", str(house.folder), "--week", "2099-W01"]) == 1
    assert "2099-W01, which lies in the future" in capsys.readouterr().err
    # The same with a contact that is logged and does not move is a finding.
    house.write("b.csv", lines(["2026-11-02T09:00:00Z,north/i1,contact,1"]))
    house.ingest()
    assert [f.condition for f in open_venue(house.folder).findings()
            if f.subject == "chart-drawer"]


# A restart that a later file anchors.

BOOTS = VENUE.replace('files = ["logs/*.csv", "logs/*.csv.gz"]', '''files = ["logs/*.csv"]
file_pattern = '(?P<first>\\d{8}_\\d{6})'
start_format = "%Y%m%d_%H%M%S"
time_format = "boot-ms"
time_zone = "UTC"''')
ONE, TWO = "20261102_100000.csv", "20261103_000000.csv"


def counted(*counts):
    return lines([f"{count},north/q1,command,{k % 2}" for k, count in enumerate(counts)])


def seconds_of(house):
    return [(time - datetime(2026, 11, 2, 10, tzinfo=UTC)).total_seconds()
            for time in house.signals()["time"]]


@pytest.fixture
def boots(house):
    house.folder.joinpath("venue.toml").write_text(BOOTS)
    return house


@pytest.mark.parametrize("order", [[ONE, TWO], [TWO, ONE], [ONE + TWO]])
def test_a_restart_is_anchored_by_the_next_file_of_its_run(boots, order):
    """The board starts anew an hour after 10:00; the day ends 13 h later."""
    logs = {ONE: counted(5_000, 9_000, 1_000, 3_600_000),
            TWO: counted(13 * 3_600_000, 13 * 3_600_000 + 1_000)}
    for name in order:
        for one in (ONE, TWO):
            if one in name:
                boots.write(one, logs[one])
        boots.ingest()
    assert seconds_of(boots) == [0, 4, 3601, 7200, 14 * 3600, 14 * 3600 + 1]
    assert boots.store.rejects().is_empty()
    assert boots.ingest().taken == 0
    told = boots.store.clock_events()
    assert told.filter(pl.col("kind") == "restart")["how"].str.contains(TWO).all()
    assert "unanchored" not in told["kind"].to_list()


@pytest.mark.parametrize("beginning", [
    500_000,  # below where it stood: it restarted once more
    14 * 3_600_000 + 60_000 + 5_000_000,  # it would have begun before the run ahead of it ended
])
def test_a_file_of_another_run_anchors_nothing(boots, beginning):
    boots.write(ONE, counted(5_000, 9_000, 1_000, 3_600_000))
    boots.write(TWO, counted(beginning, beginning + 1_000))
    boots.ingest()
    assert seconds_of(boots) == [0, 4, 14 * 3600, 14 * 3600 + 1]
    assert boots.store.rejects().height == 2


def test_a_file_in_between_that_has_no_anchor_passes_it_on(boots):
    wall = BOOTS.replace("file_pattern = '(?P<first>\\d{8}_\\d{6})'\n", "").replace(
        'start_format = "%Y%m%d_%H%M%S"', 'columns = { wall = "wall" }')
    boots.folder.joinpath("venue.toml").write_text(wall)
    head = "time,channel,quantity,value,wall\n"
    boots.write("a.csv", head + "1000,north/q1,command,1,\n")
    boots.write("b.csv", head + "2000,north/q1,command,0,\n")
    boots.ingest()
    assert boots.store.rejects().height == 2
    boots.write("c.csv", head + "3000,north/q1,command,1,\n4000,,,,2026-11-02T10:00:04Z\n")
    boots.ingest()
    assert seconds_of(boots) == [1, 2, 3]


def test_a_store_of_a_version_that_kept_no_account_is_looked_through(house):
    house.write("a.csv", lines(GOOD[:2]))
    house.ingest()
    table = house.store.files()
    state = json.loads(table["state"][0])
    del state["seen"]
    old = table.with_columns(state=pl.lit(json.dumps(state)))
    house.store.commit(Batch(SIGNALS.empty(), files=old))
    assert [absent.channel for absent in house.ingest().absent] == ["rail-a"]


@pytest.mark.parametrize(("name", "doubted"), [
    ("logs/2026-11-02.csv", False), ("logs/20261102_180300.csv", False), ("north.csv", False),
    ("logs/2026-11-20-export.csv", False), ("logs/2026.06.31.csv", False),
    ("2019-01-01/2026-11-02.csv", False), ("2019-01-01/north.csv", True),
    ("logs/2026-02-11.csv", True), ("logs/20270101.csv", True), ("logs/part-120190101.csv", False),
])
def test_dates_in_names(name, doubted):
    span = (datetime(2026, 11, 2, 10, tzinfo=UTC), datetime(2026, 11, 3, 9, tzinfo=UTC))
    assert (name_doubt(name, span) is not None) == doubted
