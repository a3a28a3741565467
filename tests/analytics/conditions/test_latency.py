"""Findings that rest on when, and whether, a lock lets go."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta

import numpy as np
import polars as pl
import pytest

from remanence.analytics.conditions import latency, slow_mode
from remanence.analytics.conditions.diagnosis import diagnose
from remanence.analytics.conditions.latency import (
    slow_drop,
    sticking_catch,
    weakening_hold,
)
from remanence.analytics.conditions.new_locks import slow_beside_siblings
from remanence.analytics.conditions.outcomes import no_release, not_reclosed, short_pulse
from remanence.analytics.conditions.shared_slowing import shared_slowing
from remanence.analytics.drift.judge import drifts
from remanence.shared.tables import OPENINGS, SERVICE
from tests.analytics.physics.latency_rows import FIRST_MONDAY, actuations, history_at, lock

LATCHES = [lock(f"latch-{index}") for index in range(10)]
MAGNETS = [lock(f"magnet-{index}", kind="magnet") for index in range(6)]
LOCKS = LATCHES + MAGNETS
STEP_DAY = 72


def step(share: float, day: int = STEP_DAY):
    return lambda days: np.where(days >= day, np.log1p(share), 0.0)


@pytest.fixture(scope="module")
def faulty() -> pl.DataFrame:
    return actuations(LOCKS, weeks=14, seed=5, faults={
        "latch-0": step(0.20), "magnet-0": step(0.20), "magnet-1": step(-0.20),
    })


def test_a_slower_latch_a_slower_magnet_and_a_faster_one_each_get_their_own_name(faulty):
    history = history_at(LOCKS, faulty, 12)
    assert [f.subject for f in sticking_catch(history)] == ["latch-0"]
    assert [f.subject for f in slow_drop(history)] == ["magnet-0"]
    assert [f.subject for f in weakening_hold(history)] == ["magnet-1"]


def test_the_change_is_dated_and_measured_with_intervals(faulty):
    (found,) = sticking_catch(history_at(LOCKS, faulty, 12))
    truth = FIRST_MONDAY + timedelta(days=STEP_DAY)
    assert abs((found.since - truth).days) <= 10
    assert found.since_low <= found.since <= found.since_high
    latency, change = found.evidence[1:3]
    assert latency.before_low < latency.before < latency.before_high < latency.now
    assert change.now_low < 20.0 < change.now_high
    assert latency.n > 20


def test_before_the_step_nothing_is_said(faulty):
    history = history_at(LOCKS, faulty, 9)
    assert [*sticking_catch(history), *slow_drop(history), *weakening_hold(history)] == []


def test_the_day_found_stays_where_it_was_in_later_weeks(faulty):
    dates = [sticking_catch(history_at(LOCKS, faulty, week))[0].since for week in (11, 12, 13)]
    assert max(dates) - min(dates) <= timedelta(days=5)


def test_a_fault_mended_without_a_word_is_no_finding_any_more():
    rows = actuations(LOCKS, weeks=16, seed=6, faults={
        "latch-0": lambda days: np.where((days >= 63) & (days < 91), np.log(1.3), 0.0),
    })
    assert [f.subject for f in sticking_catch(history_at(LOCKS, rows, 12))] == ["latch-0"]
    assert sticking_catch(history_at(LOCKS, rows, 14)) == []


def test_a_service_entry_starts_the_baseline_anew(faulty):
    service = SERVICE.conform(pl.DataFrame({
        "date": [FIRST_MONDAY + timedelta(days=STEP_DAY - 3)], "lock": ["latch-0"],
        "action": ["adjusted"], "part": [None], "note": [None],
    }))
    assert sticking_catch(history_at(LOCKS, faulty, 12, service=service)) == []


def test_a_hot_season_that_slows_every_latch_is_no_drift():
    everyone = {item.id: (lambda days: 0.25 * np.clip(days - 60, 0, None) / 60) for item in LATCHES}
    rows = actuations(LOCKS, weeks=14, seed=7, faults=everyone)
    assert sticking_catch(history_at(LOCKS, rows, 13)) == []


def test_a_lower_rail_explains_slower_latches_where_volts_are_logged():
    rows = actuations(
        LATCHES[:3], weeks=14, seed=8, volts=lambda days: np.where(days >= 70, np.log(0.93), 0.0),
    )
    assert sticking_catch(history_at(LATCHES[:3], rows, 13)) == []


def test_a_magnet_is_not_excused_by_volts():
    rows = actuations(
        MAGNETS, weeks=14, seed=9, faults={"magnet-0": step(0.2)},
        volts=lambda days: np.where(days >= STEP_DAY, np.log(0.92), 0.0),
    )
    assert [f.subject for f in slow_drop(history_at(MAGNETS, rows, 13))] == ["magnet-0"]


def test_on_a_way_out_the_same_change_is_more_urgent():
    door = [lock("way-out", kind="magnet", guards="doorway"), *MAGNETS]
    rows = actuations(door, weeks=13, seed=10, faults={"way-out": step(0.4)})
    (found,) = slow_drop(history_at(door, rows, 12))
    assert found.urgency == "now"


def test_locks_that_came_open_while_held_are_found_weak():
    rows = actuations(MAGNETS, weeks=10, seed=11)
    days = [FIRST_MONDAY + timedelta(days=65 + index // 2) for index in range(8)]
    openings = OPENINGS.conform(pl.DataFrame({
        "lock": ["magnet-2"] * 8, "energised": [True] * 8,
        "time": pl.Series([f"{day}T12:{index:02d}:00Z" for index, day in enumerate(days)])
        .str.to_datetime(time_zone="UTC"),
    }))
    (found,) = weakening_hold(history_at(MAGNETS, rows, 9, openings=openings))
    assert (found.subject, found.urgency) == ("magnet-2", "week")
    assert found.since == date(2026, 6, 3)


def test_cuts_whose_command_was_lost_make_no_magnet_weak(monkeypatch):
    rows = actuations(MAGNETS, weeks=10, seed=11)
    days = [FIRST_MONDAY + timedelta(days=day) for day in (57, 60, 63, 65, 67, 69)]
    openings = OPENINGS.conform(pl.DataFrame({
        "lock": ["magnet-2"] * len(days), "energised": [True] * len(days),
        "time": pl.Series([f"{day}T12:00:00Z" for day in days]).str.to_datetime(time_zone="UTC")}))
    history = history_at(MAGNETS, rows, 9, openings=openings)
    assert [item.subject for item in weakening_hold(history)] == ["magnet-2"]
    controller = history.venue.locks_by_id["magnet-2"].command_controller
    monkeypatch.setattr(latency, "lost_shares", lambda history: {controller: 0.05})
    assert weakening_hold(history) == []


def test_answers_that_were_lost_are_no_slow_ones(monkeypatch):
    rows = unanswered(actuations(MAGNETS, weeks=12, seed=11), "magnet-2", 7, 70)
    late = (pl.col("lock") == "magnet-2") & (pl.col("command_time").dt.date()
                                             >= FIRST_MONDAY + timedelta(days=70))
    rows = rows.with_columns(latency_ms=pl.when(late & (pl.int_range(pl.len()) % 9 == 1)).then(
        2 * pl.col("latency_ms")).otherwise("latency_ms"))
    full = slow_mode.slow_modes(history_at(MAGNETS, rows, 11))["magnet-2"].mode
    history = history_at(MAGNETS, rows, 11)
    controller = history.venue.locks_by_id["magnet-2"].command_controller
    monkeypatch.setattr(slow_mode, "lost_shares", lambda history: {controller: 0.02})
    fewer = slow_mode.slow_modes(history).get("magnet-2")
    assert full.unanswered > 0
    assert fewer is None or (
        fewer.mode.unanswered, fewer.mode.change.log_odds < full.change.log_odds) == (0, True)


@pytest.mark.parametrize("seed", range(4))
def test_a_hold_that_stays_weak_is_found_in_its_last_week_as_in_its_first(seed):
    rows = actuations(MAGNETS, weeks=13, seed=11)
    chance = np.random.default_rng(seed)
    noon = datetime.combine(FIRST_MONDAY, time(12))
    opened = [noon + timedelta(days=day, minutes=place)
              for day in range(42, 91) for place in range(chance.poisson(0.9))]
    openings = OPENINGS.conform(pl.DataFrame({
        "lock": ["magnet-2"] * len(opened), "energised": [True] * len(opened),
        "time": pl.Series(opened).cast(pl.Datetime("us")).dt.replace_time_zone("UTC")}))
    # (Three openings or fewer may be a player's good pull; between such weeks it stands.)
    told = [week for week in range(6, 13)
            if sum((at - noon).days // 7 == week for at in opened) >= 4]
    assert len(told) >= 5
    for week in told:
        found = weakening_hold(history_at(MAGNETS, rows, week, openings=openings))
        assert [item.subject for item in found] == ["magnet-2"], week
        assert abs((found[0].since - FIRST_MONDAY).days - 42) <= 5


def unanswered(rows: pl.DataFrame, name: str, every: int, from_day: int) -> pl.DataFrame:
    begin = FIRST_MONDAY + timedelta(days=from_day)
    hit = (
        (pl.col("lock") == name) & (pl.col("command_time").dt.date() >= begin)
        & (pl.int_range(pl.len()) % every == 0)
    )
    return rows.with_columns(
        outcome=pl.when(hit).then(pl.lit("no-release")).otherwise("outcome"),
        latency_ms=pl.when(hit).then(None).otherwise("latency_ms"),
    )


def test_one_command_in_eight_unanswered_is_no_release():
    rows = unanswered(actuations(LOCKS, weeks=10, seed=12), "latch-3", 8, 63)
    (found,) = no_release(history_at(LOCKS, rows, 9))
    assert (found.subject, found.urgency) == ("latch-3", "now")
    share = found.evidence[0]
    assert share.now_low < 12.5 < share.now_high
    assert abs((found.since - FIRST_MONDAY).days - 63) <= 3


def test_a_lock_that_never_answers_must_not_be_run():
    rows = unanswered(actuations(LOCKS, weeks=10, seed=13), "latch-3", 1, 63)
    assert [(f.subject, f.urgency) for f in no_release(history_at(LOCKS, rows, 9))] == [
        ("latch-3", "now")]


def test_two_unanswered_commands_in_a_year_are_chance():
    rows = unanswered(actuations(LOCKS, weeks=10, seed=14, no_release=0.0), "latch-3", 200, 0)
    assert no_release(history_at(LOCKS, rows, 9)) == []


def test_unanswered_commands_of_the_past_are_not_this_weeks():
    rows = unanswered(actuations(LOCKS, weeks=12, seed=15, no_release=0.0), "latch-3", 4, 50)
    mended = rows.with_columns(outcome=pl.when(
        pl.col("command_time").dt.date() >= FIRST_MONDAY + timedelta(days=70)
    ).then(pl.lit("released")).otherwise("outcome"))
    assert no_release(history_at(LOCKS, mended, 9))
    assert no_release(history_at(LOCKS, mended, 11)) == []


def test_failures_that_a_repair_left_as_they_were_are_said_with_the_repair():
    rows = unanswered(actuations(LOCKS, weeks=12, seed=21), "latch-3", 6, 50)
    service = SERVICE.conform(pl.DataFrame({
        "date": [FIRST_MONDAY + timedelta(days=65)], "lock": ["latch-3"], "action": ["adjusted"],
        "part": [None], "note": [None],
    }))
    (found,) = no_release(history_at(LOCKS, rows, 10, service=service))
    assert found.extra["service"]["helped"] is False
    assert found.extra["service"]["helped"] is False
    assert abs((found.since - FIRST_MONDAY).days - 50) <= 6


def with_pulses(rows: pl.DataFrame, name: str, pulse_ms: float, from_day: int) -> pl.DataFrame:
    begin = FIRST_MONDAY + timedelta(days=from_day)
    hit = (pl.col("lock") == name) & (pl.col("command_time").dt.date() >= begin)
    late = hit & (pl.col("latency_ms") > pulse_ms)
    return rows.with_columns(
        pulse_ms=pl.when(hit).then(pulse_ms).otherwise("pulse_ms"),
        outcome=pl.when(late).then(pl.lit("no-release")).otherwise("outcome"),
        latency_ms=pl.when(late).then(None).otherwise("latency_ms"),
        waited_ms=pl.when(late).then(pulse_ms + 1000).otherwise("waited_ms"),
    )


def test_a_pulse_cut_below_the_locks_own_latency_is_the_programs_fault():
    rows = actuations(LOCKS, weeks=12, seed=16)
    middle = rows.filter(pl.col("lock") == "latch-4")["latency_ms"].median()
    rows = with_pulses(rows, "latch-4", middle, 63)
    history = history_at(LOCKS, rows, 9)
    (found,) = short_pulse(history)
    assert found.subject == "latch-4"
    assert abs((found.since - FIRST_MONDAY).days - 63) <= 3
    assert no_release(history) == []


def test_a_changed_but_ample_pulse_is_nobodys_fault():
    rows = with_pulses(actuations(LOCKS, weeks=12, seed=17), "latch-4", 120.0, 63)
    history = history_at(LOCKS, rows, 9)
    assert [*short_pulse(history), *no_release(history), *sticking_catch(history)] == []


def left_open(rows: pl.DataFrame, name: str, every: int, from_day: int, edges: int = 0):
    begin = FIRST_MONDAY + timedelta(days=from_day)
    hit = (
        (pl.col("lock") == name) & (pl.col("command_time").dt.date() >= begin)
        & (pl.int_range(pl.len()) % every == 0)
    )
    return rows.with_columns(
        outcome=pl.when(hit).then(pl.lit("already-open")).otherwise("outcome"),
        latency_ms=pl.when(hit).then(None).otherwise("latency_ms"),
        contact_edges=pl.when(hit).then(edges).otherwise("contact_edges"),
    )


def test_found_open_again_and_again_is_said():
    rows = left_open(actuations(LOCKS, weeks=10, seed=18), "latch-5", 5, 63)
    assert [f.subject for f in not_reclosed(history_at(LOCKS, rows, 9))] == ["latch-5"]


def test_found_open_now_and_then_is_people():
    rows = left_open(actuations(LOCKS, weeks=10, seed=19), "latch-5", 80, 0)
    assert not_reclosed(history_at(LOCKS, rows, 9)) == []


def test_a_feedback_that_moves_the_wrong_way_is_not_a_lock_left_open():
    rows = left_open(actuations(LOCKS, weeks=10, seed=20), "latch-5", 1, 63, edges=2)
    assert not_reclosed(history_at(LOCKS, rows, 9)) == []


def test_a_new_lock_much_slower_than_its_siblings_is_told_though_it_has_no_past():
    young = [lock("new", installed=FIRST_MONDAY + timedelta(days=56)), *LATCHES]
    rows = actuations(young, weeks=10, seed=22, faults={
        "new": lambda days: np.full(days.size, np.log(4.0))})
    (found,) = slow_beside_siblings(history_at(young, rows, 9))
    assert found.subject == "new"
    assert found.evidence[0].now > 2 * found.evidence[0].before


def test_new_locks_that_are_like_their_siblings_are_not_told():
    young = [lock("new", installed=FIRST_MONDAY + timedelta(days=56)), *LATCHES]
    assert slow_beside_siblings(history_at(young, actuations(young, weeks=10, seed=23), 9)) == []


def test_the_smallest_change_that_would_show_follows_scatter_and_pace():
    rows = actuations(LATCHES, weeks=8, seed=24)
    usual = drifts(history_at(LATCHES, rows, 7)).current
    scattered = drifts(history_at(
        LATCHES, actuations(LATCHES, weeks=8, seed=24, noise=0.3), 7)).current
    assert all(0 < drift.detectable_change < 0.3 for drift in usual.values())
    assert all(scattered[name].detectable_change > drift.detectable_change
               for name, drift in usual.items())


def test_a_coarse_poll_in_step_with_the_command_hides_what_is_smaller_than_it():
    rows = actuations(LATCHES, weeks=8, seed=25, noise=0.03).with_columns(
        latency_ms=(pl.col("latency_ms") / 20).ceil() * 20, resolution_ms=pl.lit(20.0))
    for drift in drifts(history_at(LATCHES, rows, 7)).current.values():
        assert drift.detectable_change * drift.days.reference_ms >= 19.9 - 1e-6


def test_people_who_open_a_door_later_do_not_make_its_magnet_slow():
    door = [lock("door", kind="magnet", contact_senses="door"), *MAGNETS]
    rows = actuations(door, weeks=14, seed=26, noise=0.05)
    rng = np.random.default_rng(1)
    person = 500.0 * np.exp(rng.normal(0, 0.6, rows.height))
    later = pl.col("command_time").dt.date() >= FIRST_MONDAY + timedelta(days=63)
    wait = pl.Series(np.where(person < 300, 1.0, 3.0))
    rows = rows.with_columns(
        latency_ms=pl.when(pl.col("lock") == "door").then(
            pl.col("latency_ms") + pl.Series(person) * pl.when(later).then(wait).otherwise(1.0)
        ).otherwise("latency_ms"),
    )
    assert slow_drop(history_at(door, rows, 13)) == []


def test_a_door_that_nobody_opens_at_times_is_no_lock_that_fails():
    door = [lock("door", kind="magnet", contact_senses="door"), *MAGNETS]
    rows = unanswered(actuations(door, weeks=12, seed=27), "door", 8, 0)
    assert no_release(history_at(door, rows, 11)) == []
    shut = unanswered(actuations(door, weeks=12, seed=28), "door", 1, 77)
    assert [item.subject for item in no_release(history_at(door, shut, 11))] == ["door"]


def test_a_fail_safe_strike_is_not_excused_by_volts():
    strikes = [lock(f"strike-{n}", mechanism="strike", released_by="power-off") for n in range(6)]
    rows = actuations(strikes, weeks=14, seed=29, faults={"strike-0": step(0.25)})
    low = pl.col("command_time").dt.date() >= FIRST_MONDAY + timedelta(days=STEP_DAY)
    rows = rows.with_columns(
        volts_before=pl.when(low).then(pl.col("volts_before") * 0.9).otherwise("volts_before"))
    assert [item.subject for item in sticking_catch(history_at(strikes, rows, 12))] == ["strike-0"]


def test_faults_of_most_of_a_small_family_are_not_taken_for_a_season():
    few = MAGNETS[:5]
    rows = actuations(few, weeks=14, seed=31, faults={
        f"magnet-{n}": step(0.35, 72 + 3 * n) for n in range(3)})
    history = history_at(few, rows, 13)
    (together,) = shared_slowing(history)
    assert together.extra["accounts_for"] == ["magnet-0", "magnet-1", "magnet-2"]
    assert slow_drop(history) == []


@pytest.mark.parametrize("week", [1, 13])
def test_a_latch_that_was_slow_from_its_first_day_is_told_for_as_long_as_it_lasts(week):
    """By its siblings: soon, and in the first report on a long log as well."""
    part = [lock(f"latch-{index}", part="latch") for index in range(8)]
    rows = actuations(part, weeks=14, seed=29, faults={
        "latch-3": lambda days: np.full(days.size, np.log(2.2))})
    history = history_at(part, rows, week)
    (found,) = [item for item in diagnose(history) if item.urgency != "watch"]
    assert (found.subject, found.condition, found.urgency) == ("latch-3", "sticking-catch", "week")
    assert found.since is None or found.since >= FIRST_MONDAY
    assert "another-make-or-size-of-lock" in found.not_excluded


MAGNET = {"mechanism": "magnet", "released_by": "power-off", "contact_senses": "armature"}


@pytest.mark.parametrize(("kind", "other"), [
    ({}, {"part": "slow"}),
    (MAGNET, {"coil_ohms": 24.0}),
    (MAGNET, {"holding_newtons": 2700.0}),
])
def test_a_lock_of_another_part_or_a_magnet_of_another_size_is_of_another_make(kind, other):
    usual = {"part": "one", "coil_ohms": 12.0, "holding_newtons": 600.0, **kind}
    found = slow_from_the_first_day(usual, other, 3.0)
    assert found == []
    assert slow_from_the_first_day(usual, {}, 3.0) == ["latch-3"]


def test_latches_with_other_coils_are_siblings_but_not_as_alike_as_those_of_one_model():
    usual = {"part": "one", "coil_ohms": 12.0}
    assert slow_from_the_first_day(usual, {}, 1.3) == ["latch-3"]
    assert slow_from_the_first_day(usual, {"coil_ohms": 18.0}, 1.3) == []
    assert slow_from_the_first_day(usual, {"coil_ohms": 18.0}, 2.2) == ["latch-3"]


def slow_from_the_first_day(usual, other, times):
    """Who of eight is told beside its siblings, the fourth being so many times as slow."""
    part = [lock(f"latch-{index}", **usual | (other if index == 3 else {})) for index in range(8)]
    rows = actuations(part, weeks=14, seed=29, faults={
        "latch-3": lambda days: np.full(days.size, np.log(times))})
    return [item.subject for item in slow_beside_siblings(history_at(part, rows, 13))]


def test_of_locks_across_two_clocks_no_time_is_known_that_siblings_could_be_held_against():
    part = [lock(f"latch-{index}", part="latch") for index in range(8)]
    rows = actuations(part, weeks=14, seed=29, faults={
        "latch-3": lambda days: np.full(days.size, np.log(2.2))})
    apart = rows.with_columns(across_clocks=pl.lit(True), latency_ms=pl.col("latency_ms") - 12.0)
    assert [f.subject for f in slow_beside_siblings(history_at(part, rows, 13))] == ["latch-3"]
    assert slow_beside_siblings(history_at(part, apart, 13)) == []


def test_a_latch_that_became_slow_is_judged_by_its_own_past_and_not_by_its_siblings():
    part = [lock(f"latch-{index}", part="latch") for index in range(8)]
    rows = actuations(part, weeks=14, seed=29, faults={"latch-3": step(1.2)})
    assert slow_beside_siblings(history_at(part, rows, 13)) == []
