"""``verify`` sees whatever is missing or damaged, and ``--repair`` loses nothing that is there."""

from __future__ import annotations

import json
import random
import shutil
from pathlib import Path

import pytest
from polars.testing import assert_frame_equal

from remanence.pipelines.commands import main
from remanence.pipelines.sheets.load import load_table
from remanence.pipelines.sheets.refresh import load_venue
from remanence.pipelines.store import disk
from remanence.pipelines.store.manifest import read_manifest
from tests.durability.small_venue import make

TABLES = ("signals", "rejects", "actuations", "energisings", "clock_events", "forecasts")


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """A venue after a weekly run, two weeks and then the third."""
    folder = tmp_path_factory.mktemp("whole")
    path = make(folder)
    late = sorted((folder / "logs").glob("*.csv"))[14:]
    for log in late:
        log.rename(log.with_suffix(".later"))
    assert main(["weekly", str(path)]) == 0
    for log in late:
        log.with_suffix(".later").rename(log)
    assert main(["weekly", str(path)]) == 0
    return folder


@pytest.fixture
def house(whole, tmp_path):
    disk.forget_checks()
    return Path(shutil.copytree(whole, tmp_path / "house"))


def tables(folder, names=TABLES):
    disk.forget_checks()
    venue, path = load_venue(folder)
    return {name: load_table(venue, path, name) for name in names}


def same(folder, whole, names=TABLES):
    for name, frame in tables(whole, names).items():
        assert_frame_equal(tables(folder, [name])[name], frame, check_row_order=name != "rejects")


def paths(folder, stem):
    """Files that the manifest names, and begin so."""
    return sorted(folder / "store" / path for path in read_manifest(folder / "store").named()
                  if path.startswith(stem))


def flip(path, rng):
    data = bytearray(path.read_bytes())
    data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
    path.write_bytes(data)


def said(capsys):
    out = capsys.readouterr()
    return out.out + out.err


def test_a_sound_store_is_told_so_and_left_alone(house, capsys):
    before = {p: p.stat().st_mtime_ns for p in (house / "store").rglob("*") if p.is_file()}
    assert main(["verify", str(house)]) == 0
    assert "all as they were written" in " ".join(said(capsys).split())
    assert before == {p: p.stat().st_mtime_ns for p in (house / "store").rglob("*") if p.is_file()}


@pytest.mark.parametrize("stem", ["signals/2026-11/edges", "signals/2026-11/levels", "files/",
                                  "rejects/", "signals/"])
@pytest.mark.parametrize("missing", [False, True])
def test_what_is_lost_comes_back_from_the_logs(house, whole, stem, missing, capsys):
    rng = random.Random(stem)
    for path in paths(house, stem):
        path.unlink() if missing else flip(path, rng)
    assert main(["verify", str(house)]) == 1
    text = said(capsys)
    assert "it is not there" in text if missing else "content is not what was written" in text
    assert main(["verify", str(house), "--repair"]) == 0
    assert "everything that was lost is back" in said(capsys)
    same(house, whole)
    assert main(["verify", str(house)]) == 0
    if not missing:
        assert "is not what was written" in (house / "store/aside/reasons.txt").read_text()


def test_a_damaged_derived_table_is_made_anew(house, whole, capsys):
    rng = random.Random(3)
    for path in (house / "store" / "derived").rglob("*.parquet"):
        flip(path, rng)
    assert main(["report", str(house)]) == 1
    assert "verify VENUE" in said(capsys)
    assert main(["verify", str(house), "--repair"]) == 0
    same(house, whole)
    assert main(["report", str(house)]) == 0


def test_days_whose_logs_are_gone_come_back_from_what_is_kept_for_a_week(house, whole, capsys):
    """A day that was written twice: its first file is still there, and the rest is told as lost."""
    log = house / "logs" / "2026-11-20.csv"
    more = house / "logs" / "more.csv"
    more.write_text("time,channel,quantity,value\n2026-11-20T23:00:00Z,north/q1,command,1\n"
                    "2026-11-20T10:00:00.5Z,north/q1,command,0\n")
    assert main(["ingest", str(house)]) == 0
    same_before = tables(house, ["signals"])["signals"].height
    log.unlink()
    more.unlink()
    for path in paths(house, "signals/2026-11-20/edges"):
        flip(path, random.Random(5))
    assert main(["verify", str(house), "--repair"]) == 1
    text = said(capsys)
    assert "LOST for good" in text
    assert "records of 2026-11-20" in text
    lost = same_before - tables(house, ["signals"])["signals"].height
    assert 0 < lost <= 2, text
    same(house, whole, ["forecasts"])


def test_forecasts_and_findings_outlive_a_repair(house, whole, capsys):
    for path in [*paths(house, "forecasts-"), *paths(house, "findings/")]:
        flip(path, random.Random(6))
    assert main(["verify", str(house), "--repair"]) == 1
    text = said(capsys)
    assert "LOST for good" in text
    assert {path.name.split("-")[0] for path in (house / "store/aside").glob("*.parquet")} == {
        "forecasts"}
    assert main(["weekly", str(house)]) == 0
    for path in paths(house, "signals/"):
        path.unlink()
    held = tables(house, ["forecasts"])["forecasts"]
    assert held.height > 0
    findings = [json.loads(path.read_text()) for path in paths(house, "findings/")]
    assert main(["verify", str(house), "--repair"]) == 0
    assert_frame_equal(tables(house, ["forecasts"])["forecasts"], held)
    assert [json.loads(path.read_text()) for path in paths(house, "findings/")] == findings


@pytest.mark.parametrize("how", ["flipped", "cut", "gone"])
def test_a_lost_manifest_is_made_anew_from_the_files(house, whole, how, capsys):
    manifest = house / "store" / "manifest.json"
    for log in list((house / "logs").glob("*.csv"))[::2]:
        log.unlink()
    if how == "gone":
        manifest.unlink()
    else:
        data = manifest.read_bytes()
        manifest.write_bytes(data[:-900] if how == "cut" else data.replace(b"edges", b"Edges", 1))
    assert main(["report", str(house)]) == 1
    assert "verify VENUE --repair" in said(capsys)
    assert main(["verify", str(house)]) == 1
    assert main(["verify", str(house), "--repair"]) == 0, said(capsys)
    same(house, whole, ["signals", "actuations", "forecasts"])
    assert len(paths(house, "findings/")) == len(paths(whole, "findings/"))
    assert main(["verify", str(house)]) == 0


def test_a_folder_that_is_not_ours_is_not_repaired(house, capsys):
    shutil.rmtree(house / "store")
    (house / "store").mkdir()
    (house / "store" / "film.mkv").write_text("a film")
    assert main(["verify", str(house), "--repair"]) == 1
    assert "is not empty" in said(capsys)
    assert [path.name for path in (house / "store").iterdir()] == ["film.mkv"]


def test_a_venue_under_a_new_id_says_so_once(house, capsys):
    path = house / "venue.toml"
    path.write_text(path.read_text().replace('id = "harbour"', 'id = "lighthouse"'))
    assert main(["report", str(house)]) == 1
    assert 'the venue "harbour", not of "lighthouse"' in said(capsys)
    assert main(["verify", str(house), "--renamed"]) == 0
    assert main(["report", str(house)]) == 0
