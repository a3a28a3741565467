"""The demo generator: repeatable, readable by the contract's layout, its truth told."""

import gzip
import json
from datetime import date
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from remanence.analytics.conditions import catalogue
from remanence.sample_data import physics
from remanence.sample_data.faults import DEMO_FAULTS
from remanence.sample_data.generate import VENUE_FILE, write_demo
from remanence.shared.log_format import QUANTITIES
from remanence.shared.venue_file import parse_venue

END = date(2026, 11, 22)


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo")
    return folder, write_demo(folder, seed=7, weeks=3, end=END)


def records(folder: Path) -> pl.DataFrame:
    return pl.concat([
        pl.read_csv(gzip.decompress(path.read_bytes()), schema_overrides={"value": pl.Float64})
        for path in sorted((folder / "logs").glob("*.csv.gz"))
    ]).with_columns(pl.col("time").str.to_datetime("%Y-%m-%dT%H:%M:%S%.3fZ", time_unit="us"))


def test_the_same_seed_gives_the_same_bytes_and_another_seed_others(demo, tmp_path):
    folder, truth = demo
    again = write_demo(tmp_path / "again", seed=7, weeks=3, end=END)
    assert again == truth
    names = sorted(p.relative_to(folder) for p in folder.rglob("*") if p.is_file())
    assert [p.relative_to(tmp_path / "again") for p in sorted((tmp_path / "again").rglob("*"))
            if p.is_file()] == names
    for name in names:
        assert (folder / name).read_bytes() == (tmp_path / "again" / name).read_bytes(), name
    write_demo(tmp_path / "other", seed=8, weeks=3, end=END)
    log = names[0]
    assert (folder / log).read_bytes() != (tmp_path / "other" / log).read_bytes()


def test_every_record_is_on_a_channel_of_the_venue_file(demo):
    folder, truth = demo
    venue = parse_venue((folder / "venue.toml").read_text())
    taken = records(folder)
    assert taken.height == truth.records
    assert set(taken["quantity"].unique()) <= set(QUANTITIES)
    for channel, quantity in taken.select("channel", "quantity").unique().iter_rows():
        assert quantity in venue.channels[channel], channel
    switched = taken.filter(pl.col("quantity") != "volts")
    assert set(switched["value"].unique()) == {0.0, 1.0}
    assert taken["time"].is_sorted()


def test_every_channel_speaks(demo):
    folder, _ = demo
    venue = parse_venue((folder / "venue.toml").read_text())
    assert set(records(folder)["channel"].unique()) == set(venue.channels)


def test_the_venue_has_every_kind_of_lock():
    venue = parse_venue(VENUE_FILE.read_text())
    assert len(venue.locks) >= 30
    assert len(venue.supplies) == 3
    assert {lock.mechanism for lock in venue.locks} == {"magnet", "latch", "bolt", "strike"}
    assert {lock.rated_volts for lock in venue.locks} == {12.0, 24.0}
    assert {lock.latency_kind for lock in venue.locks} == {
        "catch", "armature", "door", "supply", None}
    assert {lock.contact_closed_when for lock in venue.locks} == {"locked", "open", "unknown"}
    assert {lock.command_energised for lock in venue.locks} == {0, 1}
    assert {lock.fail_safe for lock in venue.locks if lock.mechanism == "bolt"} == {True, False}
    unsafe = [lock.id for lock in venue.locks if lock.on_way_out and not lock.fail_safe]
    assert unsafe == ["tower-stair"]


def test_the_truth_names_subjects_and_conditions_that_exist(demo):
    folder, truth = demo
    venue = parse_venue((folder / "venue.toml").read_text())
    told = json.loads((folder / "truth.json").read_text())
    assert len(told["faults"]) == len(truth.faults)
    subjects = {*venue.locks_by_id, *venue.supplies_by_id, *venue.controllers}
    for fault in truth.faults:
        assert fault.subject in subjects
        assert fault.subject_kind in catalogue()[fault.condition].subject_kinds
        assert truth.start <= fault.since <= truth.end
    faulty = {fault.subject for fault in truth.standing(END)}
    assert len(faulty & set(venue.locks_by_id)) < len(venue.locks) / 2


def test_the_logged_pulse_of_the_cut_program_is_short_and_its_lock_misses(demo):
    folder, _ = demo
    venue = parse_venue((folder / "venue.toml").read_text())
    channel = venue.locks_by_id["pawl-drawer"].command
    edges = records(folder).filter(pl.col("channel") == channel)
    pulses = edges.with_columns(
        ms=pl.col("time").diff().shift(-1).dt.total_microseconds() / 1e3
    ).filter(pl.col("value") == 1)
    late = pulses.filter(pl.col("time") > pl.datetime(2026, 11, 9))
    assert late["ms"].max() == 20.0
    assert pulses["ms"].max() == 240.0


def test_pull_in_follows_the_trade_notes_table():
    # Pull-in of a 12 V latch at 20/40/60/80 degrees, ms: trade notes of the toolkit, A2,
    # calculated from a generic textbook model there; "dependable in direction and ratio", so
    # a fifth of the value is the tolerance.
    volts = np.array([13.2, 12.0, 12.0, 12.0, 11.4, 10.8])
    celsius = np.array([20.0, 20.0, 40.0, 60.0, 40.0, 20.0])
    told = np.array([20.0, 23.0, 26.0, 31.0, 30.0, 30.0])
    stall = 9.2 * physics.warm(celsius - 20.0)
    ms = physics.pull_in_ms(volts, stall, np.full(6, 10.0), np.full(6, 5.0))
    np.testing.assert_allclose(ms, told, rtol=0.2)
    stalled = physics.pull_in_ms(
        np.array([9.0]), np.array([9.2]), np.array([10.0]), np.array([5.0])
    )
    assert np.isinf(stalled).all()


def test_a_magnet_lets_go_sooner_with_a_gap_and_later_with_a_residual_field():
    base = physics.drop_ms(np.array([170.0]), np.array([0.09]), np.array([0.0]))[0]
    assert physics.drop_ms(np.array([170.0]), np.array([0.12]), np.array([0.0]))[0] < base
    assert physics.drop_ms(np.array([170.0]), np.array([0.09]), np.array([0.04]))[0] > base
    assert np.isinf(physics.drop_ms(np.array([170.0]), np.array([0.09]), np.array([0.09]))[0])


def test_the_readme_tells_every_fault():
    text = VENUE_FILE.with_name("README.md").read_text()
    for fault in DEMO_FAULTS:
        assert f"| `{fault.subject}` | `{fault.condition}` |" in text, fault.subject
        assert fault.size in text
