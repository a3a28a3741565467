"""One fault is said once, by its right name; and little is said in vain."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from remanence.analytics.conditions import catalogue, diagnosis
from remanence.analytics.conditions.condition import causes_first, finding, judges
from remanence.analytics.conditions.diagnosis import diagnose, resolve
from remanence.shared.findings import rank
from remanence.shared.tables import SERVICE
from tests.analytics.physics.latency_rows import FIRST_MONDAY, actuations, history_at, lock

LATCHES = [lock(f"latch-{index}") for index in range(10)]
MAGNETS = [lock(f"magnet-{index}", kind="magnet") for index in range(5)]
LOCKS = LATCHES + MAGNETS
DAY = date(2026, 6, 1)


@pytest.fixture(scope="module")
def quiet():
    return history_at(LOCKS, actuations(LOCKS, weeks=8, seed=30), 7)


def said(subject="latch-1", condition="no-release", urgency="week", score=0.98, since=DAY, **more):
    return finding(subject, condition, urgency, score, says=[], since=since, **more)


def names(found):
    return [(item.subject, item.condition) for item in found]


def test_the_catalogue_is_the_contract_s():
    # The names of the file formats that other programs read.
    assert set(catalogue()) >= {
        "sticking-catch", "no-release", "slow-drop", "weakening-hold", "loaded-catch",
        "stuck-energised", "hot-coil", "opened-unpowered", "over-long-energising", "short-pulse",
        "contact-chatter", "contact-stuck", "contact-inverted", "coil-open", "coil-current-high",
        "self-cut-failed", "missing-suppression", "crossed-channels", "release-test-due",
        "not-reclosed", "low-supply", "supply-sag", "battery-decline", "clock-fault", "log-gap",
        "unsafe-fitting",
    }


def test_a_cause_stands_before_what_it_explains():
    order = [item.name for item in causes_first()]
    for item in causes_first():
        for effect in item.explains:
            if effect in order and item.name not in catalogue()[effect].explains:
                assert order.index(item.name) < order.index(effect)


@pytest.mark.parametrize(("cause", "effect"), [
    ("contact-inverted", "no-release"), ("contact-inverted", "not-reclosed"),
    ("coil-open", "no-release"), ("short-pulse", "no-release"),
    ("sticking-catch", "no-release"), ("crossed-channels", "opened-unpowered"),
    ("contact-stuck", "no-release"), ("crossed-channels", "coil-current-high"),
    ("self-cut-failed", "over-long-energising"),
])
def test_a_cause_is_said_in_place_of_its_effect(quiet, cause, effect):
    found = resolve([said(condition=cause), said(condition=effect, score=0.999)], quiet)
    assert names(found) == [("latch-1", cause)]
    assert effect in found[0].extra["accounts_for"]


def test_a_magnet_without_its_diode_is_not_called_weak(quiet):
    found = resolve([
        said("magnet-1", "missing-suppression"), said("magnet-1", "weakening-hold")], quiet)
    assert names(found) == [("magnet-1", "missing-suppression")]


def test_an_effect_long_before_its_supposed_cause_has_another_one(quiet):
    early = said(condition="no-release", since=DAY - timedelta(days=60))
    found = resolve([said(condition="coil-open"), early], quiet)
    assert set(names(found)) == {("latch-1", "coil-open"), ("latch-1", "no-release")}


def test_what_sticks_and_fails_is_as_urgent_as_what_fails(quiet):
    found = resolve([
        said(condition="sticking-catch", urgency="plan"),
        said(condition="no-release", urgency="now")], quiet)
    assert [(item.condition, item.urgency) for item in found] == [("sticking-catch", "now")]


def test_a_cause_that_is_unsure_does_not_eat_what_is_certain(quiet):
    found = resolve([
        said(condition="sticking-catch", score=0.77),
        said(condition="no-release", urgency="now", score=0.999)], quiet)
    assert [(item.condition, item.urgency, item.extra["effect_score"]) for item in found] == [
        ("no-release", "now", 0.999)]
    label = found[0].extra["likely_cause"]
    assert label["condition"] == "sticking-catch"
    assert label["score"] < 0.77
    assert found[0].score < 0.999
    assert found[0].not_excluded[0] == "sticking-catch"


def test_a_cause_that_is_no_less_sure_than_its_effect_stands_for_both(quiet):
    found = resolve([said(condition="sticking-catch", score=0.77),
                     said(condition="no-release", score=0.6)], quiet)
    assert names(found) == [("latch-1", "sticking-catch")]


def test_a_rail_that_is_unsure_does_not_eat_a_lock_that_fails(quiet):
    rail = said("rail", "low-supply", score=0.55, subject_kind="supply")
    found = resolve([rail, said(score=0.999)], quiet)
    assert ("latch-1", "no-release") in names(found)


def test_a_finding_that_stands_alone_is_as_urgent_as_one_in_company(quiet):
    alone = resolve([said("magnet-1", "missing-suppression", score=0.95)], quiet)
    company = resolve([said("magnet-1", "missing-suppression", score=0.95),
                       *(said(f"latch-{i}", score=0.999) for i in range(8))], quiet)
    assert [item.urgency for item in alone] == ["week"]
    assert {item.urgency for item in company} == {"week"}


def test_effects_on_other_locks_are_their_own(quiet):
    found = resolve([said("latch-1", "coil-open"), said("latch-2", "no-release")], quiet)
    assert set(names(found)) == {("latch-1", "coil-open"), ("latch-2", "no-release")}


def test_the_same_condition_is_said_once_with_all_its_evidence(quiet):
    found = resolve([
        said(condition="sticking-catch", score=0.95, urgency="plan"),
        said(condition="sticking-catch", score=0.8, urgency="week")], quiet)
    assert len(found) == 1
    assert found[0].urgency == "week"
    assert found[0].extra["effect_score"] > 0.95


def test_the_unsure_is_only_watched(quiet):
    found = resolve([
        said(condition="coil-open", score=0.5), said("latch-2", score=0.99)], quiet)
    assert [(item.subject, item.urgency) for item in found] == [
        ("latch-2", "week"), ("latch-1", "watch")]
    assert resolve([said(condition="coil-open", score=0.1)], quiet) == []


def test_what_is_watched_has_a_likely_name(quiet):
    """Nothing of this log is like a lock that fails: what is left of a half is not worth a line."""
    assert resolve([said(score=0.5)], quiet) == []
    [raised_for_all_that] = resolve([said(score=0.99)], quiet)
    assert raised_for_all_that.urgency == "week"
    doors = [replace(lock, guards="doorway") for lock in MAGNETS]
    exits = history_at(doors, actuations(doors, weeks=2, seed=30), 1)
    assert [item.urgency for item in resolve([said("magnet-1", score=0.35)], exits)] == ["watch"]


def test_findings_come_most_urgent_first(quiet):
    found = resolve([
        said("latch-1", "no-release", "plan"), said("latch-2", "no-release", "now"),
        said("latch-3", "no-release", "week")], quiet)
    assert [item.urgency for item in found] == ["now", "week", "plan"]
    assert found == sorted(found, key=rank)


def test_quiet_weeks_of_healthy_locks_ask_for_nothing():
    rows = actuations(LOCKS, weeks=16, seed=31)
    asked = [
        item for week in (5, 9, 12, 15) for item in diagnose(history_at(LOCKS, rows, week))
        if item.urgency != "watch" and item.subject_kind == "lock"
    ]
    assert asked == []


def test_locks_slow_together_are_said_once_of_their_rail():
    # No volts in the log: the rail is what they share, beside locks on another one.
    other = [lock(f"far-{index}", supply="rail-2") for index in range(9)]
    near = LATCHES[:6]
    rows = actuations(near + other, weeks=14, seed=32, log_volts=False, faults={
        item.id: (lambda days: np.where(days >= 72, np.log(1.35), 0.0)) for item in near
    })
    history = history_at(near + other, rows, 12)
    found = [item for item in diagnose(history) if item.urgency != "watch"
             and item.condition in ("sticking-catch", "supply-sag", "low-supply")]
    assert names(found) == [("rail", "supply-sag")]
    assert set(found[0].extra["accounts_for"]) == {item.id for item in near}


def test_a_repair_that_did_not_help_is_said_so_and_one_that_did_is_silent():
    def slow(days):
        return np.where(days >= 63, np.log(1.35), 0.0)

    def mended(days):
        return np.where((days >= 63) & (days < 84), np.log(1.35), 0.0)

    rows = actuations(LOCKS, weeks=15, seed=33, faults={"latch-0": slow, "latch-1": mended})
    service = SERVICE.conform(pl.DataFrame({
        "date": [FIRST_MONDAY + timedelta(days=84)] * 2, "lock": ["latch-0", "latch-1"],
        "action": ["cleaned"] * 2, "part": [None] * 2, "note": [None] * 2,
    }))
    found = [item for item in diagnose(history_at(LOCKS, rows, 13, service=service))
             if item.condition == "sticking-catch"]
    assert [item.subject for item in found] == ["latch-0"]
    assert found[0].extra["service"]["helped"] is False
    assert found[0].extra["service"]["helped"] is False
    assert abs((found[0].since - FIRST_MONDAY).days - 63) <= 10


def slow_at_times(rows: pl.DataFrame, name: str, share: float, from_day: int, *, rested: bool):
    rng = np.random.default_rng(40)
    day = pl.col("command_time").dt.date()
    first = pl.col("command_time").rank().over("lock", day) == 1
    begin = FIRST_MONDAY + timedelta(days=from_day)
    hit = (pl.col("lock") == name) & (day >= begin) & pl.Series(rng.random(rows.height) < share)
    if not rested:
        hit = hit & ~first
    factor = pl.Series(np.exp(rng.uniform(0.7, 1.5 if rested else 2.6, rows.height)))
    return rows.with_columns(
        latency_ms=pl.when(hit).then(pl.col("latency_ms") * factor).otherwise("latency_ms"),
    )


def test_a_catch_that_sticks_one_time_in_ten_is_found_before_its_median_moves():
    rows = slow_at_times(actuations(LOCKS, weeks=13, seed=34, lean=0.0), "latch-2", 0.12, 70,
                         rested=True)
    found = [item for item in diagnose(history_at(LOCKS, rows, 11)) if item.urgency != "watch"]
    assert names(found) == [("latch-2", "sticking-catch")]
    assert found[0].extra["course"] == "slow mode"
    assert abs((found[0].since - FIRST_MONDAY).days - 70) <= 10


def test_a_drawer_that_players_lean_on_is_no_sticking_catch():
    rows = slow_at_times(actuations(LOCKS, weeks=13, seed=35, lean=0.0), "latch-2", 0.4, 63,
                         rested=False)
    found = [item for item in diagnose(history_at(LOCKS, rows, 12)) if item.urgency != "watch"]
    assert names(found) == [("latch-2", "loaded-catch")]


def test_row_order_does_not_matter():
    rows = actuations(LATCHES[:5], weeks=11, seed=36, faults={
        "latch-0": lambda days: np.where(days >= 50, np.log(1.3), 0.0)})
    history = history_at(LATCHES[:5], rows, 10)
    shuffled = rows.sample(fraction=1.0, shuffle=True, seed=1)
    again = history_at(LATCHES[:5], shuffled, 10)
    assert diagnose(history) == diagnose(again)


def test_slower_in_milliseconds_is_the_same_finding_at_twice_the_scale():
    rows = actuations(LATCHES[:6], weeks=11, seed=37, resolution_ms=1e-3, faults={
        "latch-0": lambda days: np.where(days >= 50, np.log(1.3), 0.0)})
    one = next(item for item in diagnose(history_at(LATCHES[:6], rows, 10))
               if item.condition == "sticking-catch")
    double = rows.with_columns(pl.col("latency_ms", "resolution_ms", "pulse_ms") * 2)
    two = next(item for item in diagnose(history_at(LATCHES[:6], double, 10))
               if item.condition == "sticking-catch")
    assert (one.since, round(one.score, 3)) == (two.since, round(two.score, 3))
    assert two.evidence[1].now == pytest.approx(2 * one.evidence[1].now, rel=0.01)


def test_every_condition_has_a_judge():
    assert all(item.judges or item.last_judges for item in catalogue().values())
    assert set(judges()) == {judge for item in catalogue().values() for judge in item.judges}


def test_a_lock_that_is_named_is_not_asked_again_whether_it_changed(monkeypatch):
    rows = actuations(LATCHES[:6], weeks=11, seed=37, faults={
        "latch-0": lambda days: np.where(days >= 50, np.log(1.3), 0.0)})
    asked = []

    def last(history, locks):
        asked.extend(locks)
        return []

    monkeypatch.setattr(diagnosis, "last_judges", lambda: (last,))
    assert ("latch-0", "sticking-catch") in names(diagnose(history_at(LATCHES[:6], rows, 10)))
    assert sorted(asked) == [f"latch-{n}" for n in range(1, 6)]
