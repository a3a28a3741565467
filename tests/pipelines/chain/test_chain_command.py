"""``remanence chain``: as one by one, bad venues, what is done stays done, exit statuses."""

from __future__ import annotations

import hashlib
import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from remanence.pipelines.chain import find_venues, load_chain, run_chain
from remanence.pipelines.commands import AT_FAULT, DONE, URGENT, main
from remanence.pipelines.schemas import schema_of
from remanence.pipelines.sheets.weekly import run_weekly
from remanence.shared.chain_file import parse_chain
from remanence.shared.errors import RemanenceError, VenueFileError
from tests.durability.small_venue import make
from tests.pipelines.chain.real_cluster import cluster

ROOT = Path(__file__).parents[3]
NAMES = ("alder", "beech", "cedar")

CHAIN = """\
name = "Three houses"
venues = ["*/venue.toml"]

[[venue]]
path = "[ab]*"
labels = ["north"]
technician = "Ana"

[[venue]]
path = "cedar"
technician = "Bo"

[[depot]]
id = "yard"
stock = { latch-s = 1 }
lead_time_days = { latch-s = 10 }
"""


def chain(folder: Path, names: tuple[str, ...] = NAMES) -> Path:
    for seed, name in enumerate(names):
        path = make(folder / name, days=10, seed=seed)
        path.write_text(path.read_text().replace('"harbour"', f'"{name}"'))
    (folder / "chain.toml").write_text(CHAIN)
    return folder


OF_A_RUN = ("manifest.json", ".lock", "unchanged.json", "touched.json")
"""Files of a store that say when, where, and by which process, each log was read."""


def digests(folder: Path) -> dict[str, str]:
    """Every other file."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*")) if path.is_file()
        and path.name not in OF_A_RUN and path.parent.name != "files"}


@pytest.fixture(scope="module")
def one_by_one(tmp_path_factory) -> dict[str, dict[str, str]]:
    folder = chain(tmp_path_factory.mktemp("single"))
    for name in NAMES:
        assert run_weekly(folder / name).faults == ()
    found = {name: digests(folder / name) for name in NAMES}
    for name in NAMES:
        kinds = {path.split("/")[0] for path in found[name]}
        assert {"store", "reports", "timing", "parts"} <= kinds
    return found


def test_processes_write_the_same_bytes_as_one_by_one(tmp_path, one_by_one):
    folder = chain(tmp_path)
    outcome = run_chain(folder, jobs=2, say=lambda line: None)
    assert outcome.faults == ()
    for name in NAMES:
        assert digests(folder / name) == one_by_one[name]


def test_a_cluster_writes_the_same_bytes_as_one_by_one(tmp_path, one_by_one):
    folder = chain(tmp_path)
    with cluster(workers=2) as running:
        outcome = run_chain(folder, scheduler=running.address, say=lambda line: None)
    assert outcome.faults == ()
    for name in NAMES:
        assert digests(folder / name) == one_by_one[name]


def test_a_bad_venue_stops_no_other_and_is_named_at_the_end(tmp_path, capsys):
    folder = chain(tmp_path, NAMES[:2])
    (folder / "cedar").mkdir()
    (folder / "cedar" / "venue.toml").write_text("[venue]\n")
    assert main(["chain", str(folder), "--jobs", "2"]) == AT_FAULT
    told = capsys.readouterr()
    assert "cedar: NOT DONE" in told.out
    assert "Not known, see the errors: cedar" in told.out
    assert "error: cedar: " in told.err
    assert (folder / "alder" / "parts" / "index.html").exists()
    page = (folder / "chain" / "index.html").read_text()
    assert "State not known" in page
    assert "cedar" in page
    # What is done stays done; what was bad is tried again.
    main(["chain", str(folder)])
    again = capsys.readouterr().out
    assert again.count("(nothing new)") == 2
    assert "cedar: NOT DONE" in again


def test_a_venue_is_done_again_when_anything_about_it_is_new(tmp_path, capsys):
    folder = chain(tmp_path, NAMES[:1] + NAMES[2:])
    assert main(["chain", str(folder), "--jobs", "1"]) == DONE
    log = next((folder / "alder" / "logs").iterdir())
    log.write_text(log.read_text() + "2026-11-02T23:00:00Z,rail-a,volts,12\n")
    capsys.readouterr()
    assert main(["chain", str(folder), "--jobs", "1"]) == DONE
    out = capsys.readouterr().out
    assert "alder: week 2026-W46" in out
    assert out.count("(nothing new)") == 1
    assert main(["chain", str(folder), "--jobs", "1", "--again"]) == DONE
    assert "(nothing new)" not in capsys.readouterr().out


def test_after_a_crash_no_venue_is_done_twice(tmp_path):
    folder = chain(tmp_path)
    # Nothing in it, so that the group can be killed as a whole.
    run = subprocess.Popen(
        [sys.executable, "-m", "remanence", "chain", str(folder), "--jobs", "1"], cwd=ROOT,
        stdout=subprocess.PIPE, text=True, start_new_session=True)
    assert run.stdout
    first = run.stdout.readline()
    os.killpg(run.pid, signal.SIGKILL)
    run.wait()
    done = first.split("  ")[1].partition(":")[0]
    lines: list[str] = []
    outcome = run_chain(folder, jobs=1, say=lines.append)
    assert outcome.faults == ()
    kept = [line for line in lines if "(nothing new)" in line]
    assert any(f" {done}: " in line for line in kept)
    assert len(lines) == 3


def test_fail_on_exits_with_three(tmp_path, capsys):
    folder = chain(tmp_path, NAMES[:1])
    (folder / "chain.toml").write_text('venues = ["alder"]\n')
    found = main(["chain", str(folder), "--jobs", "1", "--fail-on", "week"])
    data = json.loads((folder / "chain" / "chain.json").read_text())
    counts = data["venues"][0]["findings"]
    assert found == (URGENT if counts["now"] + counts["week"] else DONE)
    assert counts["now"] + counts["week"] > 0


def test_labels_and_technicians_come_from_the_file(tmp_path):
    folder = chain(tmp_path)
    venues = find_venues(*load_chain(folder))
    assert [(v.id, v.labels, v.technician) for v in venues] == [
        ("alder", ("north",), "Ana"), ("beech", ("north",), "Ana"), ("cedar", (), "Bo")]


def test_two_venues_of_one_id_are_refused(tmp_path):
    folder = chain(tmp_path)
    path = folder / "beech" / "venue.toml"
    path.write_text(path.read_text().replace('"beech"', '"alder"'))
    with pytest.raises(RemanenceError, match="have one id"):
        find_venues(*load_chain(folder))


@pytest.mark.parametrize(("old", "new", "says"), [
    ('venues = ["*/venue.toml"]', 'venues = "*/venue.toml"', "write a list of text"),
    ("technician = \"Bo\"", "techniker = \"Bo\"", "did you mean technician?"),
    ("latch-s = 1 }", "latch-s = -1 }", "write a whole number of 0 or more"),
    ("[[depot]]", "[[depots]]", "did you mean depot?"),
    ("[[depot]]", "[depot]", "write [[depot]], one block each"),
])
def test_what_is_wrong_in_the_file_is_named(old, new, says):
    assert old in CHAIN
    with pytest.raises(VenueFileError) as told:
        parse_chain(CHAIN.replace(old, new))
    assert says in str(told.value)


def test_a_pattern_without_venues_is_named(tmp_path):
    (tmp_path / "chain.toml").write_text('venues = ["nowhere/*"]\n')
    with pytest.raises(VenueFileError, match=r"no venue\.toml is there"):
        find_venues(*load_chain(tmp_path))


def test_the_chains_file_fits_its_schema():
    import tomllib

    rules = Draft202012Validator(schema_of("chain"))
    assert list(rules.iter_errors(tomllib.loads(CHAIN))) == []
    assert list(rules.iter_errors({"venus": ["x"]}))


def test_what_takes_long_to_load_is_not_loaded_for_a_chain():
    words = ("import sys, remanence.pipelines.chain.run, remanence.dashboards.chain_pages\n"
             "sys.exit(' '.join({'scipy.stats', 'pandas', 'sklearn'} & set(sys.modules)) or 0)")
    subprocess.run([sys.executable, "-c", words], cwd=ROOT, check=True)
