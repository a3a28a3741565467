"""Weeks' findings in one file a year: the same findings, whatever happens while they are joined."""

from __future__ import annotations

import json

import pytest

from remanence.analytics.conditions.life import Standing
from remanence.pipelines.store import disk, repair
from remanence.pipelines.store import manifest as store_manifest
from remanence.pipelines.store.findings_files import (
    NEWEST,
    TOGETHER,
    findings_held,
    join_weeks,
    year_of,
)
from remanence.pipelines.store.kept import keep
from remanence.pipelines.store.manifest import read_manifest
from remanence.pipelines.store.past_findings import (
    earlier_findings,
    keep_findings,
    standing_findings,
)
from remanence.shared.errors import StoreError
from remanence.shared.findings import Finding
from remanence.shared.weeks import Week
from tests.pipelines.store.killed import STEPS_ON_DISK, kill_before_each

FIRST = Week(2025, 30)


def stands(number: int) -> Standing:
    return Standing(Finding(
        subject=f"lock-{number}", condition="no-release", urgency="week", score=0.9,
        subject_kind="lock", first_named=FIRST.plus(number)), 0.5, 1, None)


def fill(folder, weeks, begin=0):
    for number in range(begin, begin + weeks):
        item = stands(number)
        keep_findings(folder, FIRST.plus(number), [item.finding], [item])


def all_told(folder, weeks):
    end = FIRST.plus(weeks)
    return earlier_findings(folder, end, 600), [
        standing_findings(folder, FIRST.plus(number)) for number in range(weeks + 1)]


def names(folder):
    return sorted(name for name in read_manifest(folder).kept if name.startswith("findings/"))


@pytest.fixture
def store(tmp_path):
    disk.forget_checks()
    return tmp_path / "store"


def test_earlier_weeks_are_a_file_a_year_and_say_the_same(store):
    weeks = 40
    fill(store, weeks)
    before = all_told(store, weeks)
    assert len(before[0]) == weeks
    assert before[1][weeks] == (FIRST.plus(weeks - 1), (stands(weeks - 1),))
    assert join_weeks(store) == ["findings/2025", "findings/2026"]
    assert names(store) == ["findings/2025", "findings/2026", *(
        f"findings/{FIRST.plus(weeks - ago)}" for ago in range(NEWEST, 0, -1))]
    assert all_told(store, weeks) == before
    assert join_weeks(store) == []
    assert repair.look(store) == (len(names(store)) + 1, [])
    assert sum(kept.rows for kept in read_manifest(store).kept.values()) == weeks


def test_weeks_are_joined_where_there_are_many(store):
    fill(store, TOGETHER + NEWEST - 1)
    assert join_weeks(store) == []
    fill(store, 1, TOGETHER + NEWEST - 1)
    assert join_weeks(store) == ["findings/2025"]
    assert len(names(store)) == NEWEST + 1


def test_ten_years_of_weeks_are_few_files(store):
    weeks = 60
    for number in range(weeks):
        # (A step of nine weeks: ten years are done in no time, and meet every turn of a year.)
        fill(store, 1, 9 * number)
        join_weeks(store)
    years = {year_of(f"findings/{FIRST.plus(9 * number)}") for number in range(weeks)}
    assert len(years) == 11
    assert len(names(store)) <= len(years) + NEWEST + TOGETHER
    assert len(earlier_findings(store, FIRST.plus(9 * weeks), 9 * weeks)) == weeks


def test_a_week_that_is_reported_again_counts_for_what_its_year_holds(store):
    fill(store, 30)
    join_weeks(store)
    week = FIRST.plus(2)
    fill(store, 1, 2)  # the same again: nothing is written
    assert f"findings/{week}" not in names(store)
    keep_findings(store, week, [stands(99).finding], [stands(99)])
    assert f"findings/{week}" in names(store)
    told = all_told(store, 30)
    assert told[1][3] == (week, (stands(99),))
    fill(store, TOGETHER + NEWEST, 30)
    join_weeks(store)
    assert f"findings/{week}" not in names(store)
    assert all_told(store, 30) == told


def test_a_kill_at_any_step_loses_nothing(store, monkeypatch):
    fill(store, 30)
    expected = all_told(store, 30)

    def look():
        store_manifest._LAST.clear()
        disk.forget_checks()
        assert all_told(store, 30) == expected
        assert repair.look(store)[1] == []

    assert kill_before_each(monkeypatch, STEPS_ON_DISK, lambda: join_weeks(store), look) > 5
    join_weeks(store)
    assert all_told(store, 30) == expected
    assert len(names(store)) == NEWEST + 2


def test_a_damaged_year_comes_back_from_the_files_of_its_weeks(store):
    fill(store, 30)
    join_weeks(store)
    expected = all_told(store, 30)
    path = store / read_manifest(store).kept["findings/2025"].path
    path.write_bytes(path.read_bytes()[:-9])
    disk.forget_checks()
    with pytest.raises(StoreError, match="verify VENUE"):
        earlier_findings(store, FIRST.plus(30))
    [fault] = repair.look(store)[1]
    assert "the findings of 2025" in str(fault)
    repair.set_right(store, "v")
    assert all_told(store, 30) == expected
    assert repair.look(store)[1] == []


def test_a_repair_brings_back_no_week_that_its_year_holds(store):
    fill(store, 30)
    join_weeks(store)
    before = names(store)
    newest = store / read_manifest(store).kept[before[-1]].path
    newest.unlink()
    repair.set_right(store, "v")
    assert names(store) == before[:-1]


def test_a_damaged_week_keeps_no_other_from_being_joined(store):
    fill(store, 30)
    path = store / read_manifest(store).kept[f"findings/{FIRST.plus(4)}"].path
    path.write_bytes(b"rubbish")
    disk.forget_checks()
    assert join_weeks(store) == ["findings/2025", "findings/2026"]
    assert names(store)[:2] == ["findings/2025", f"findings/{FIRST.plus(4)}"]
    assert [fault.path for fault in repair.look(store)[1]] == [
        path.relative_to(store).as_posix()]


def test_a_store_of_version_5_and_weeks_of_the_first_form_are_read_and_joined(store):
    old = [["lock-7", "no-release"]]
    for number in range(5):
        keep(store, f"findings/{FIRST.plus(number)}", ".json", json.dumps(old).encode(), 1)
    fill(store, 25, 5)
    path = store / "manifest.json"
    raw = json.loads(path.read_text())
    del raw["sha256"]
    raw["version"] = 5
    path.write_text(disk.sealed(json.dumps(raw, separators=(",", ":"))))
    before = all_told(store, 30)
    assert before[0][0] == (FIRST, (("lock-7", "no-release"),))
    assert join_weeks(store)
    assert json.loads(path.read_text())["version"] == store_manifest.VERSION
    assert all_told(store, 30) == before
    year = store / read_manifest(store).kept["findings/2025"].path
    assert findings_held(json.loads(year.read_text())) == 23 - 1 + 1
