"""One odd file stops only itself: it is set aside with its reason, and the rest is taken."""

from __future__ import annotations

import gzip
import io
import os
import random
import sys
import zipfile

import pytest

from remanence.pipelines.ingest import ingest as ingest_module
from remanence.pipelines.readers import source
from tests.pipelines.ingest.house import GOOD, VENUE, House, lines

ONE = "2026-11-02T18:04:11.482Z,north/q1,command,0"


@pytest.fixture
def zipped(tmp_path):
    return House(tmp_path, VENUE.replace('"logs/*.csv.gz"]', '"logs/*.csv.gz", "logs/*.zip"]'))


def archive(**members: str) -> bytes:
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, text in members.items():
            packed.writestr(name, text)
    return data.getvalue()


@pytest.mark.skipif(sys.platform == "win32", reason="names there are always text")
def test_a_name_that_is_no_text_is_shown_and_its_file_taken(house):
    (house.folder / "logs" / os.fsdecode(b"\xff\xfe.csv")).write_text(lines(GOOD))
    house.write("b.csv", lines([ONE]))
    summary = house.ingest()
    assert (summary.faults, summary.taken) == ([], 4)
    assert r"logs/\xff\xfe.csv" in summary.text()
    assert set(house.signals()["file"]) == {r"logs/\xff\xfe.csv", "logs/b.csv"}
    assert house.ingest().files[0].unchanged


def test_a_member_without_a_name_stops_no_other(zipped):
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w") as packed:
        nameless = zipfile.ZipInfo("x")
        nameless.filename = ""
        packed.writestr(nameless, lines(GOOD))
        packed.writestr("ok.csv", lines([ONE]))
    zipped.write("a.zip", data.getvalue())
    assert zipped.ingest().taken == 4


def test_a_member_whose_name_is_not_what_it_says_is_told(zipped):
    """Marked as UTF-8, and it is none."""
    data = archive(**{"é.csv": lines(GOOD)}).replace("é".encode(), b"\xff\xff")
    zipped.write("a.zip", data)
    zipped.write("b.csv", lines([ONE]))
    summary = zipped.ingest()
    assert summary.taken == 1
    [fault] = summary.faults
    assert fault.startswith("logs/a.zip: ")


@pytest.mark.parametrize("seed", range(12))
def test_a_damaged_member_stops_no_other(zipped, seed):
    """Bytes exchanged anywhere: what can be unpacked is taken, the rest is told, nothing fails."""
    rng = random.Random(seed)
    data = bytearray(archive(**{f"m{i}.csv": lines([
        f"2026-11-02T18:0{i}:{k // 1000:02}.{k % 1000:03}Z,north/q1,command,{k % 2}"
        for k in range(300)]) for i in range(4)}))
    for _ in range(rng.choice([1, 1, 5])):
        data[rng.randrange(len(data))] = rng.randrange(256)
    zipped.write("a.zip", bytes(data))
    zipped.write("b.csv", lines([ONE]))
    summary = zipped.ingest()
    assert summary.taken >= 1
    assert summary.taken >= 900 or summary.faults or summary.rejected


def test_a_file_of_short_lines_that_is_no_log_is_given_up(house, monkeypatch):
    monkeypatch.setattr(ingest_module, "HOPELESS_LINES", 50_000)
    monkeypatch.setattr(source, "CHUNK_LINES", 20_000)
    with gzip.open(house.folder / "logs" / "a.csv.gz", "wb") as file:
        file.write(b"time,channel,quantity,value\n" + b"a\n" * 300_000)
    house.write("b.csv", lines(GOOD))
    summary = house.ingest()
    assert summary.taken == 3
    [fault] = summary.faults
    assert "lines 0 are records; it is no log of this form" in fault
    assert 50_000 <= summary.rejected < 80_000


def test_long_chunks_of_short_lines_keep_their_numbers(house, monkeypatch):
    monkeypatch.setattr(source, "CHUNK_LINES", 7)
    rows = [f"2026-11-02T18:04:{i:02}.000Z,north/q1,command,{i % 2}" for i in range(40)]
    house.write("a.csv", lines([*rows[:20], "nonsense", *rows[20:]]))
    assert house.ingest().taken == 40
    assert house.signals()["line"].to_list() == [*range(2, 22), *range(23, 43)]
    assert house.reasons().keys() == {22}


def test_many_members_cost_in_proportion(zipped, monkeypatch):
    """The archive's directory is read once, not once a member."""
    opened = []
    real = zipfile.ZipFile._RealGetContents

    def counted(self):
        opened.append(1)
        return real(self)

    monkeypatch.setattr(zipfile.ZipFile, "_RealGetContents", counted)
    zipped.write("a.zip", archive(**{
        f"m{i}.csv": lines([f"2026-11-02T18:04:{i:02}.000Z,north/q1,command,{i % 2}"])
        for i in range(40)}))
    assert zipped.ingest().taken == 40
    assert len(opened) == 1


@pytest.mark.parametrize("pattern", [
    r"^(?<time>\\S+) (?:a|a)*(?<channel>\\S+) (?<value>(\\d+)+)$"])
def test_a_pattern_that_could_backtrack_takes_no_longer(tmp_path, pattern):
    """Patterns run in an engine whose time grows with the line alone: else this never ends."""
    house = House(tmp_path, VENUE.replace(
        'files = ["logs/*.csv", "logs/*.csv.gz"]',
        f'files = ["logs/*.txt"]\nformat = "text"\npattern = "{pattern}"'))
    house.write("a.txt", "2026-11-02T18:04:11Z north/q1 1\n"
                + f"2026-11-02T18:04:12Z north/q1 {'1' * 5_000}x\n" * 20)
    summary = house.ingest()
    assert (summary.taken, summary.rejected) == (1, 20)
