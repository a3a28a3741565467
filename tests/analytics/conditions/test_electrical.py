from datetime import timedelta
from functools import lru_cache

import numpy as np
import polars as pl
import pytest

from remanence.analytics.conditions.coil_circuit import circuit, coil_current_high
from remanence.analytics.conditions.diagnosis import diagnose
from remanence.analytics.conditions.joint import coil_current_low
from remanence.analytics.conditions.self_cut import self_cut_failed
from remanence.analytics.conditions.switch_off import missing_suppression
from tests.analytics.conditions.said import ids, values
from tests.analytics.physics.rail_rows import (
    MONDAY,
    actuations,
    at_week,
    energisings,
    latch,
    magnet,
    moment,
    service,
    venue,
)

# The coil's circuit.

LATCHES = [latch(name) for name in "abcd"]
CUTTER = latch("f5", self_cut=True, contact=None, contact_closed_when="unknown")
SEEN_CUTTER = latch("f5s", self_cut=True)
HOUSE = venue(*LATCHES, magnet("m"), magnet("n"), CUTTER, SEEN_CUTTER)
CIRCUIT = [circuit, coil_current_high, self_cut_failed, missing_suppression]


def of_lock(lock, weeks, fault=None, noise=0.02, seed=1):
    def kind(row, day):
        if lock.is_magnet:
            row["sag_ms"] = row["sag_outlasts_ms"] = None
        if lock.contact is None:
            row["latency_from"] = "supply"
        if fault:
            fault(row, day)
    return actuations(lock, weeks, changed=kind, noise=noise, seed=seed)


sound = lru_cache(of_lock)


def house(weeks, faults=None, **more):
    """Rows of every lock; ``faults`` maps a lock to a change of its rows."""
    return pl.concat([
        of_lock(lock, weeks, faults[lock.id], **more) if lock.id in (faults or {})
        else sound(lock, weeks, **more) for lock in HOUSE.locks])


def judged(frame, week=5, where=HOUSE, judges=CIRCUIT, **frames):
    history = at_week(where, week, actuations=frame, **frames)
    return [finding for judge in judges for finding in judge(history)]


def names(findings):
    return [(f.subject, f.condition) for f in findings]


@pytest.mark.parametrize(("noise", "seed"), [(0.005, 1), (0.02, 2), (0.03, 3)])
def test_a_sound_house_is_left_alone(noise, seed):
    frame = house(8, noise=noise, seed=seed)
    assert [names(judged(frame, week)) for week in (0, 1, 4, 7)] == [[]] * 4


def no_current(row, day):
    row.update(outcome="no-release", latency_ms=None, waited_ms=1300.0, contact_edges=0,
               sag_volts=np.random.default_rng(day).normal(0, 0.005), sag_ms=None,
               off_spike_volts=None)


def from_day(start, change):
    def changed(row, day):
        if day >= start:
            change(row, day)
    return changed


def now_and_then(change, share, start=0):
    rng = np.random.default_rng(9)

    def changed(row, day):
        if day >= start and rng.random() < share:
            change(row, day)
    return changed


def test_open_coil_from_a_day_on():
    found = judged(house(6, {"a": from_day(33, no_current)}))
    assert names(found) == [("a", "coil-open")]
    assert found[0].urgency == "week"
    assert found[0].score > 0.9
    assert abs((found[0].since - MONDAY).days - 33) <= 1
    assert found[0].evidence[0].before == pytest.approx(0.25 * 1.2, rel=0.1)


def test_a_wire_that_breaks_now_and_then():
    found = judged(house(6, {"a": now_and_then(no_current, 0.2, 30)}))
    assert names(found) == [("a", "coil-open")]
    assert "circuit-open-at-times" in ids(found[0])


def test_a_jam_draws_its_current_and_is_no_open_coil():
    def jam(row, day):
        row.update(outcome="no-release", latency_ms=None, waited_ms=1300.0, contact_edges=0)
    assert judged(house(6, {"a": from_day(33, jam)})) == []


def test_no_volts_no_open_coil():
    frame = house(6, {"a": from_day(33, no_current)}).with_columns(
        sag_volts=pl.lit(None, dtype=pl.Float64))
    assert judged(frame) == []


def test_a_meter_that_died_is_no_open_coil():
    def dead(row, day):
        row["sag_volts"] = 0.0
        if row["lock"] == "a":
            no_current(row, day)
    frame = house(6, {lock.id: from_day(33, dead) for lock in HOUSE.locks})
    assert ("a", "coil-open") not in names(judged(frame))


def test_an_open_coil_from_the_first_day_is_held_against_the_others():
    found = judged(house(1, {"a": no_current}), week=0)
    assert names(found) == [("a", "coil-open")]
    assert found[0].score < 0.97


def test_a_self_cutting_lock_may_have_been_open_already():
    def nothing(row, day):
        row.update(outcome="unobserved", latency_ms=None, sag_volts=0.0, sag_ms=None)
    one_day = judged(house(6, {"f5": lambda row, day: nothing(row, day) if day == 40 else None}))
    assert one_day == []
    found = judged(house(6, {"f5": from_day(37, nothing)}))
    assert names(found) == [("f5", "coil-open")]
    assert "already-open" in found[0].not_excluded


def test_a_magnet_without_current_holds_nothing():
    def dead(row, day):
        row.update(outcome="already-open", latency_ms=None, sag_volts=0.0)
    found = judged(house(6, {"m": from_day(36, dead)}))
    assert names(found) == [("m", "coil-open")]
    assert found[0].urgency == "now"


def test_a_magnet_whose_relay_is_welded():
    def welded(row, day):
        row.update(outcome="no-release", latency_ms=None, sag_volts=0.0)
    found = judged(house(6, {"m": from_day(36, welded)}))
    assert names(found) == [("m", "stuck-energised")]
    assert found[0].urgency == "now"


def test_a_magnet_that_sticks_without_current_is_not_stuck_energised():
    def sticks(row, day):
        row.update(outcome="no-release", latency_ms=None)
    assert judged(house(6, {"m": from_day(36, sticks)})) == []


def test_a_latch_that_is_on_all_the_time():
    rest = 0.25 * 1.2

    def lower(row, day):
        row["volts_before"] -= rest

    def welded(row, day):
        lower(row, day)
        row.update(outcome="already-open", latency_ms=None, sag_volts=0.0, sag_ms=None)
    faults = {lock.id: from_day(36, lower) for lock in HOUSE.locks}
    faults["a"] = from_day(36, welded)
    found = judged(house(6, faults))
    assert names(found) == [("a", "stuck-energised")]


def test_a_relay_that_sticks_now_and_then():
    def tack(row, day):
        row["sag_outlasts_ms"] = 1900.0
    found = judged(house(6, {"a": now_and_then(tack, 0.15, 30)}))
    assert names(found) == [("a", "stuck-energised")]
    assert found[0].urgency == "now"


def test_a_supply_that_comes_back_slowly_is_not_a_relay():
    def slow(row, day):
        row["sag_outlasts_ms"] = 400.0
    frame = house(6, {lock.id: from_day(36, slow) for lock in HOUSE.locks})
    assert judged(frame, judges=[circuit]) == []


def test_one_neighbour_s_pulse_over_the_end_of_ours_is_nothing():
    def overlap(row, day):
        row["sag_outlasts_ms"] = 300.0
    assert judged(house(8, {"a": now_and_then(overlap, 0.03)}), 7) == []


# Current.


@pytest.mark.parametrize("name", ["a", "m", "f5"])
@pytest.mark.parametrize("ratio", [1.25, 1.43])
def test_shorted_turns(name, ratio):
    def shorted(row, day):
        row["sag_volts"] *= ratio
    found = judged(house(6, {name: from_day(34, shorted)}))
    assert names(found) == [(name, "coil-current-high")]
    assert found[0].urgency == "now"
    assert abs((found[0].since - MONDAY).days - 34) <= 2
    told = found[0].evidence[0]
    assert told.now is not None
    assert told.now_low is not None
    # Six intervals of 95 %: one of them may miss by a little.
    assert abs(told.now - 100 * ratio) < 1.5 * (told.now - told.now_low)


def test_a_rail_that_sags_makes_no_coil_draw_more():
    def soft(row, day):
        row["sag_volts"] *= 1.6
    frame = house(6, {lock.id: from_day(34, soft) for lock in HOUSE.locks})
    assert judged(frame) == []


@pytest.mark.parametrize("share", [0.2, 0.35, 0.6])
def test_a_stiffer_supply_opens_no_coil(share):
    # Every coil takes less off the rail from that day on; of some no sag is left above the noise.
    def stiffer(row, day):
        for name in ("sag_volts", "end_sag_volts"):
            if row.get(name) is not None:
                row[name] *= share
    frame = house(6, {lock.id: from_day(34, stiffer) for lock in HOUSE.locks})
    assert judged(frame) == []


def test_a_coil_that_opens_after_the_supply_was_made_stiffer_is_told():
    def stiffer(row, day):
        row["sag_volts"] *= 0.4

    def opened(row, day):
        stiffer(row, day)
        if day >= 37:
            no_current(row, day)
    faults = {lock.id: from_day(30, stiffer) for lock in HOUSE.locks}
    found = judged(house(6, faults | {"b": from_day(30, opened)}))
    assert names(found) == [("b", "coil-open")]
    assert abs((found[0].since - MONDAY).days - 37) <= 1


def test_a_new_coil_is_measured_against_itself():
    def other(row, day):
        row["sag_volts"] *= 1.4
    frame = house(8, {"a": from_day(29, other)})
    assert names(judged(frame, 7)) == [("a", "coil-current-high")]
    assert judged(frame, 7, service=service((28, "a", "replaced"))) == []
    cleaned = judged(frame, 7, service=service((40, "a", "cleaned")))
    assert names(cleaned) == [("a", "coil-current-high")]


@pytest.mark.parametrize("week", [0, 2, 5])
def test_a_coil_of_another_kind_from_the_first_day_however_long_ago_that_was(week):
    def wrong(row, day):
        row["sag_volts"] *= 1.6
    frame = house(week + 1, {"a": wrong})
    found = judged(frame, week)
    assert names(found) == [("a", "coil-current-high")]
    assert (found[0].urgency, found[0].since) == ("plan", MONDAY)
    assert found[0].score > 0.95
    # What the work on it left is its own past's to show.
    if week > 2:
        assert judged(frame, week, service=service((8, "a", "rewired"))) == []


def test_a_self_cutting_coil_whose_single_sags_hide_in_noise_is_told_by_its_days():
    weak = 0.07

    def faint(row, day):
        rng = np.random.default_rng(int(row["command_time"].timestamp()))
        row["volts_noise"] = weak / 5.6  # far from the nine that a single pulse asks for
        row["sag_volts"] = weak + rng.normal(0, 0.012)

    def open_coil(row, day):
        faint(row, day)
        if day >= 36:
            no_current(row, day)
            row["sag_volts"] -= 0.001

    def cut_at_once(row, day):
        faint(row, day)
        if int(row["command_time"].timestamp()) % 10:  # a level was left in one pulse of ten
            row["sag_volts"] -= weak

    assert judged(house(6, {"f5s": faint})) == []
    assert judged(house(6, {"f5s": cut_at_once})) == []
    found = judged(house(6, {"f5s": open_coil}))
    assert names(found) == [("f5s", "coil-open")]
    assert abs((found[0].since - MONDAY).days - 36) <= 1
    assert values(found[0])["sag"].value >= 0


def test_a_sag_that_a_low_rail_puts_under_what_is_read_is_no_open_coil():
    """At 22 % less the sag of most pulses stands less than five noises out, and none is read."""
    read, weak, noise = 0.062, 0.07, 0.0125

    def faint(row, day):
        rng = np.random.default_rng(int(row["command_time"].timestamp()))
        low = 0.78 if day >= 30 else 1.0
        sag = low * weak + rng.normal(0, 0.004)
        before = low * row["volts_before"]
        row.update(outcome="unobserved", latency_ms=None, volts_noise=noise, volts_before=before,
                   sag_volts=sag if sag > read else None, end_sag_volts=0.0, volts_min=before - sag)

    def opened(row, day):
        faint(row, day)
        if day >= 24:
            row["sag_volts"], row["volts_min"] = None, row["volts_before"]

    assert judged(house(6, {"f5": faint})) == []
    assert names(judged(house(6, {"f5": opened}), week=3)) == [("f5", "coil-open")]


# Self-cut.


def uncut(row, day):
    row["sag_ms"] = row["pulse_ms"]


def test_a_switch_that_no_longer_cuts_seen_by_its_contact():
    found = judged(house(6, {"f5s": from_day(36, uncut)}))
    assert names(found) == [("f5s", "self-cut-failed")]
    assert abs((found[0].since - MONDAY).days - 36) <= 1
    assert found[0].evidence[1].before == pytest.approx(30, rel=0.1)


def test_without_a_contact_nobody_trying_again_speaks_for_the_switch():
    def held(row, day):
        uncut(row, day)
        row.update(outcome="no-release", latency_ms=None)

    def tried_again(row, day):
        held(row, day)
        row["attempt"] = 2
    found = judged(house(6, {"f5": from_day(36, held)}))
    assert names(found) == [("f5", "self-cut-failed")]
    assert "no-release" in found[0].not_excluded
    assert judged(house(6, {"f5": from_day(36, tried_again)})) == []
    # A catch that stays shut now and then is tried again now and then; a switch is not.
    assert names(judged(house(6, {"f5": now_and_then(held, 0.3, 36)}))) == [
        ("f5", "self-cut-failed")]
    assert judged(house(6, {"f5": now_and_then(tried_again, 0.3, 36)})) == []


def test_a_pulse_hardly_longer_than_the_release_tells_nothing():
    def short(row, day):
        row["pulse_ms"] = row["sag_ms"] = row["latency_ms"] + 12
    assert judged(house(6, {"f5s": short})) == []


# Over-voltage.


def spiked(row, day):
    row["off_spike_volts"] += 2.5 + np.random.default_rng(day).random()


@pytest.mark.parametrize("share", [0.1, 0.4, 1.0])
@pytest.mark.parametrize("name", ["a", "m"])
def test_a_diode_that_went_open(name, share):
    frame = house(8, {name: now_and_then(spiked, share, 34)})
    found = judged(frame, 6 if share < 0.2 else 5)
    assert names(found) == [(name, "missing-suppression")]
    assert found[0].urgency == "week"


def test_a_rail_that_jumps_for_every_lock_is_no_diode():
    frame = house(6, {lock.id: now_and_then(spiked, 0.05) for lock in HOUSE.locks})
    assert judged(frame) == []


def test_a_rail_that_rises_when_a_magnet_is_cut_is_no_spike():
    def soft(row, day):
        row["sag_volts"] *= 4
        row["off_spike_volts"] += row["sag_volts"]
    assert judged(house(6, {"m": from_day(34, soft)}), judges=[missing_suppression]) == []


def test_spikes_that_are_meant_to_be():
    bare = venue(*LATCHES[1:], latch("a", suppression="none"))
    frame = house(6, {"a": spiked}).filter(pl.col("lock").is_in(["a", "b", "c", "d"]))
    assert judged(frame, where=bare) == []


def test_a_bare_neighbour_switched_off_at_the_same_moment():
    frame = house(6, {"a": now_and_then(spiked, 0.3, 20)})
    hit = frame.filter((pl.col("lock") == "a") & (pl.col("off_spike_volts") > 1))
    off = [(name, time, 300.0) for name, time in zip(
        ["b"] * hit.height, hit["command_time"], strict=True)]
    assert judged(frame, energisings=energisings(off)) == []


def test_after_the_diode_was_fitted_it_is_gone():
    frame = house(6, {"a": lambda row, day: spiked(row, day) if 20 <= day <= 36 else None})
    assert names(judged(frame, 4)) == [("a", "missing-suppression")]
    assert judged(frame, 5, service=service((36, "a", "rewired"))) == []


def test_a_retry_right_after_a_pulse_tells_nothing_of_the_current():
    frame = house(6)
    late = frame.filter((pl.col("lock") == "a") & (pl.col("command_time") > moment(36)))
    retries = late.with_columns(
        pl.col("command_time") + pl.duration(milliseconds=1500), sag_volts=pl.lit(0.01),
        outcome=pl.lit("no-release"), latency_ms=pl.lit(None, dtype=pl.Float64))
    assert judged(pl.concat([frame, retries]), judges=[circuit]) == []


def test_a_logged_current_is_judged_itself():
    day = pl.col("command_time").dt.date()
    rng = np.random.default_rng(5)
    frame = house(6)
    risen = pl.when((pl.col("lock") == "a") & (day >= MONDAY + timedelta(days=34))).then(1.3)
    logged = frame.with_columns(
        sag_volts=pl.lit(None, dtype=pl.Float64),
        amps=1.2 * risen.otherwise(1.0) * pl.Series(rng.normal(1, 0.01, frame.height)))
    found = judged(logged)
    assert names(found) == [("a", "coil-current-high")]
    assert found[0].evidence[0].now == pytest.approx(130, rel=0.02)
    assert judged(logged.filter(pl.col("lock") != "a")) == []


def test_a_supply_that_overshoots_for_every_lock_since_a_day():
    frame = house(6, {lock.id: from_day(34, spiked) for lock in HOUSE.locks})
    assert judged(frame, judges=[missing_suppression]) == []


def test_a_rail_that_always_came_back_slowly():
    def slow(row, day):
        row["sag_outlasts_ms"] = 350.0
    alone = venue(latch("a"))
    assert judged(of_lock(latch("a"), 2, slow), 1, where=alone, judges=[circuit]) == []


def test_one_step_of_a_coarse_meter_is_no_change():
    step = 0.015
    weak = magnet("m", rated_amps=0.15)
    other = [latch(name) for name in "abc"]
    where = venue(*other, weak)

    def coarse(row, day):
        # 37 mV of sag read as two steps or as three, for weeks on end.
        row["sag_volts"] = step * (2 if day < 34 else 3) if row["lock"] == "m" else \
            step * np.round(row["sag_volts"] / step)
        row["volts_before"] = step * np.round(row["volts_before"] / step)
    frame = pl.concat([of_lock(lock, 6, coarse, noise=0.005) for lock in where.locks])
    assert judged(frame, where=where, judges=[coil_current_high]) == []


# Too little current.


def weaker(share):
    def fault(row, day):
        if day >= 35:
            row["sag_volts"] *= share
            row["volts_min"] = row["volts_before"] - row["sag_volts"]
    return fault


@pytest.mark.parametrize(("share", "expected"), [
    (0.70, [("a", "coil-current-low")]), (0.93, [])])
def test_ohms_in_a_coil_s_circuit_take_current(share, expected):
    found = judged(house(6, {"a": weaker(share)}), judges=[coil_current_low, coil_current_high])
    assert names(found) == expected
    if found:
        (item,) = found
        assert (item.urgency, item.score > 0.9) == ("week", True)
        assert item.evidence[0].now == pytest.approx(100 * share, abs=3)


def test_a_bad_joint_is_no_catch_that_sticks():
    """It is slower, and draws less: what sticks draws what it drew."""
    def joint(row, day):
        weaker(0.7)(row, day)
        if day >= 35 and row["latency_ms"]:
            row["latency_ms"] *= 1.4
            row["waited_ms"] = row["latency_ms"]
    history = at_week(HOUSE, 5, actuations=house(6, {"a": joint}))
    told = [(f.subject, f.condition) for f in diagnose(history) if f.subject == "a"]
    assert ("a", "coil-current-low") in told
    assert ("a", "sticking-catch") not in told
