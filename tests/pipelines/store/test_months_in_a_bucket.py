"""Finished months joined in a bucket: by one machine for all, whoever else writes or dies."""

from __future__ import annotations

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from remanence.pipelines.sheets.refresh import load_venue
from remanence.pipelines.sheets.verify import verify
from remanence.pipelines.store import remote
from remanence.pipelines.store import store as store_module
from remanence.pipelines.store.findings_files import NEWEST, TOGETHER, join_weeks
from remanence.pipelines.store.manifest import NAME, read_manifest
from remanence.pipelines.store.store import Batch
from tests.pipelines.store.test_findings_files import all_told, fill, names
from tests.pipelines.store.test_months import LOOSE_FILES, SEPTEMBER, TO_THE_END, day_of

pytest.importorskip("obstore")
pytest.importorskip("moto")
from tests.pipelines.store.killed import STEPS_IN_A_BUCKET, kill_before_each
from tests.pipelines.store.test_remote import (  # noqa: F401 - fixtures
    Machine,
    objects,
    running,
    server,
    two,
)


@pytest.fixture
def full(two):  # noqa: F811
    """Two machines, and a month that came in pieces too small to be written as one file."""
    one, other = two
    days = range(SEPTEMBER + TO_THE_END)
    for some in range(0, len(days), LOOSE_FILES):
        one.store().commit(Batch(pl.concat(
            [day_of(number) for number in days[some:some + LOOSE_FILES]])))
    return one, other


def held(machine):
    return machine.store().scan_signals().collect()


def test_one_machine_joins_and_the_others_fetch_two_files_a_month(full, server):  # noqa: F811
    one, other = full
    before = held(other)
    assert one.store().join_a_month() == "2026-09"
    assert_frame_equal(held(other), before)
    assert other.store().join_a_month() is None
    new = Machine(one.folder.parent / "new", load_venue(one.folder)[0].store)
    server.seen.clear()
    assert_frame_equal(held(new), before)
    assert len(server.seen) <= 2 + 2 * TO_THE_END + 4
    # A line that comes late on the other machine.
    other.store().commit(Batch(day_of(3, late=1)))
    assert held(one).height == before.height + 36
    assert verify(one.folder)[1]


def test_who_writes_meanwhile_loses_nothing(full, monkeypatch):
    one, other = full
    before = held(other)
    real = store_module.join_month

    def beside(folder, manifest, month):
        real(folder, manifest, month)
        monkeypatch.setattr(store_module, "join_month", real)
        other.store().commit(Batch(day_of(4, late=1)))

    monkeypatch.setattr(store_module, "join_month", beside)
    assert one.store().join_a_month() == "2026-09"
    assert held(one).height == before.height + 36
    assert_frame_equal(held(one), held(other))
    manifest = read_manifest(one.store().folder)
    assert len({s.path for day, entry in manifest.days.items() if day < "2026-10"
                for s in entry.segments}) == 2


def test_a_machine_that_dies_at_any_step_loses_and_doubles_nothing(full, monkeypatch):
    one, other = full
    before = held(other)

    def look():
        remote.forget_buckets()
        assert_frame_equal(held(other), before)
        assert_frame_equal(held(one), before)

    assert kill_before_each(
        monkeypatch, STEPS_IN_A_BUCKET, lambda: one.store().join_a_month(), look) > 5
    manifest = read_manifest(other.store().folder)
    assert len({s.path for day, entry in manifest.days.items() if day < "2026-10"
                for s in entry.segments}) == 2
    assert manifest.named() | {NAME} <= objects(None, one).keys()
    assert_frame_equal(held(other), before)


def test_weeks_are_joined_by_one_machine_for_all_while_another_adds_one(two, monkeypatch):  # noqa: F811
    one, other = two
    one.log("a.csv", 1).ingest()
    weeks = TOGETHER + NEWEST
    fill(one.store().folder, weeks)
    publish, beside = remote._Session.publish, [other]

    def overtaken(session, manifest):
        if beside:
            fill(beside.pop().store().folder, 1, weeks)
        publish(session, manifest)

    monkeypatch.setattr(remote._Session, "publish", overtaken)
    assert join_weeks(one.store().folder) == ["findings/2025"]
    expected = all_told(one.store().folder, weeks + 1)
    assert len(expected[0]) == weeks + 1
    assert all_told(other.store().folder, weeks + 1) == expected
    assert names(other.store().folder) == names(one.store().folder)
    assert verify(other.folder)[1]
