"""Electrical faults that look like another: told once, by the name that fits."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from remanence.analytics.conditions.coil_circuit import coil_current_high
from remanence.analytics.conditions.diagnosis import diagnose
from remanence.analytics.conditions.joint import coil_current_low
from remanence.analytics.physics.rail_load import rail_loads
from tests.analytics.conditions.test_electrical import (
    HOUSE,
    house,
    judged,
    names,
    no_current,
    weaker,
)
from tests.analytics.physics.rail_rows import actuations, at_week, latch, magnet, venue


def told_of(lock, fault):
    history = at_week(HOUSE, 6, actuations=house(7, {lock: fault}))
    return [f.condition for f in diagnose(history)
            if f.subject == lock and f.condition != "release-test-due"]


def test_a_coil_that_draws_nothing_does_not_draw_too_little_besides():
    """The volts of a cut coil are not quite nought: a meter's noise, or a driver that leaks."""
    def cut(row, day):
        if day >= 35:
            no_current(row, day)
            row.update(sag_volts=abs(row["sag_volts"]) + 0.02, volts_noise=0.005)
    assert told_of("a", cut) == ["coil-open"]


def test_a_contact_that_a_weak_coil_does_not_move_is_not_stuck():
    def joint(row, day):
        weaker(0.6)(row, day)
        if day >= 42:
            row.update(outcome="no-release", latency_ms=None, waited_ms=1300.0, contact_edges=0)
    assert told_of("a", joint) == ["coil-current-low"]


def test_a_magnet_with_one_of_its_windings_open_draws_half():
    def winding(row, day):
        weaker(0.5)(row, day)
        if day >= 35:
            row.update(latency_ms=0.57 * row["latency_ms"], waited_ms=0.57 * row["waited_ms"])
    assert told_of("m", winding) == ["coil-current-low"]


def test_a_relay_that_sticks_at_one_command_in_fifteen_is_told_in_each_week():
    """Two or three a week: each week alone could be chance, all of them together are not."""
    turn = iter(range(10**6))

    def sticks(row, day):
        if day >= 56 and next(turn) % 15 == 0:
            row["sag_outlasts_ms"] = 1500.0
    frame = house(13, {"a": sticks})
    for week in (10, 11, 12):
        found = judged(frame, week)
        assert names(found) == [("a", "stuck-energised")], week
        assert found[0].score > 0.9


@pytest.mark.parametrize("week", [0, 5])
def test_of_a_sag_about_as_small_as_the_noise_only_the_deepest_are_read(week):
    # 0.08 A through 0.25 ohms: 20 mV, of which sags from 30 mV on count as such.
    where = venue(*(latch(name) for name in "abcdef"), magnet("m", rated_amps=0.08))
    frame = pl.concat([
        actuations(lock, 6, per_day=40) for lock in where.locks])
    assert judged(frame, week, where=where, judges=[coil_current_high]) == []
    load = rail_loads(at_week(where, week, actuations=frame))["rail"]
    assert {name: load.clear(row) for row, (name, _) in enumerate(load.coils)} == {
        **dict.fromkeys("abcdef", True), "m": False}


def test_a_small_sag_that_two_readings_show_is_no_measure_of_its_coil():
    """A meter read each second scatters a magnet's sag by its own noise; only the deepest count."""
    rng = np.random.default_rng(6)

    def coarse(row, day):
        if row["lock"] == "m":
            row["sag_volts"] += rng.normal(0.0, 0.02)

    where = venue(*(latch(name) for name in "abcdef"), magnet("m", rated_amps=0.12))
    frame = pl.concat([actuations(lock, 6, changed=coarse) for lock in where.locks])
    for week in (0, 2, 5):
        assert judged(frame, week, where=where, judges=[coil_current_high]) == []


@pytest.mark.parametrize("ratio", [0.5, 2.0])
def test_of_a_sag_that_another_supply_puts_into_the_noise_or_out_of_it_nothing_is_told(ratio):
    """On the stiffer one only its deepest sags are read, so that it seems to draw more there."""
    where = venue(*(latch(name) for name in "abcdef"), magnet("m", rated_amps=0.16))
    full = 0.25 if ratio < 1 else 0.125

    def supply(row, day):
        row["sag_volts"] *= ratio if day >= 33 else 1.0
    frame = pl.concat([
        actuations(lock, 6, per_day=40, source_ohms=full, changed=supply, noise=0.018)
        for lock in where.locks])
    assert judged(frame, 5, where=where, judges=[coil_current_high, coil_current_low]) == []


@pytest.mark.parametrize("size", [1.35, 0.65])
def test_a_current_that_is_back_where_it_was_at_first_tells_of_no_fault(size):
    def drew(row, day):
        if 21 <= day < 70:
            row["sag_volts"] *= size
    frame = house(13, {"a": drew})
    told = [names(judged(frame, week, judges=[coil_current_low, coil_current_high]))
            for week in (5, 8, 11, 12)]
    name = "coil-current-high" if size > 1 else "coil-current-low"
    assert told == [[("a", name)], [("a", name)], [], []]


def test_a_coil_is_told_beside_a_rail_that_softened_two_days_before():
    """The other coils tell what the rail did: its own current has a past from before that."""
    def soft(row, day):
        row["sag_volts"] *= 3.0 if day >= 33 else 1.0

    def shorted(row, day):
        soft(row, day)
        row["sag_volts"] *= 1.4 if day >= 35 else 1.0
    faults = {lock.id: shorted if lock.id == "a" else soft for lock in HOUSE.locks}
    assert names(judged(house(6, faults), judges=[coil_current_high])) == [
        ("a", "coil-current-high")]


@pytest.mark.parametrize("ratio", [1.25, 1.0])
def test_a_coil_whose_days_scatter_is_told_by_all_of_them(ratio):
    """Noise of a meter has no memory, and the days together tell a change that one hides."""
    turn = np.random.default_rng(3)

    def noisy(row, day):
        row["sag_volts"] *= (ratio if day >= 35 else 1.0) * np.exp(turn.normal(0, 0.14))
    frame = house(7, {"a": noisy})
    assert [names(judged(frame, week, judges=[coil_current_high])) for week in (4, 5, 6)] == [
        [], *[[("a", "coil-current-high")] if ratio > 1 else []] * 2]


def test_a_coil_that_draws_more_from_its_first_day_on_is_sure_of_its_name():
    """It has no before: what is stated of it, and the coils beside it, tell what is usual."""
    def wrong(row, day):
        row["sag_volts"] *= 1.6
    history = at_week(HOUSE, 3, actuations=house(4, {"a": wrong}))
    [told] = [f for f in diagnose(history) if f.subject == "a"
              and f.condition != "release-test-due"]
    assert told.condition == "coil-current-high"
    assert told.score > 0.6


def test_a_pulse_that_was_cut_short_is_no_coil_that_draws_less():
    """Of a shorter pulse fewer readings are loaded to the full."""
    def cut(row, day):
        if day >= 35:
            row.update(pulse_ms=90.0, sag_volts=0.8 * row["sag_volts"])
    assert judged(house(7, {"a": cut}), 6, judges=[coil_current_low, coil_current_high]) == []


def test_a_coil_that_is_not_cut_any_more_is_read_deeper_and_draws_what_it_drew():
    def uncut(row, day):
        if day >= 35:
            row.update(sag_ms=row["pulse_ms"], sag_volts=1.2 * row["sag_volts"])
    assert told_of("f5s", uncut) == ["self-cut-failed"]


@pytest.mark.parametrize(("longer", "deeper", "told"), [
    (1.4, 1.15, []), (1.05, 1.4, [("f5s", "coil-current-high")])])
def test_a_load_that_lasts_longer_is_read_deeper(longer, deeper, told):
    """A catch that sticks keeps its own switch from cutting the coil."""
    def slower(row, day):
        if day >= 35:
            row.update(sag_ms=longer * row["sag_ms"], sag_volts=deeper * row["sag_volts"],
                       latency_ms=longer * row["latency_ms"])
    assert names(judged(house(7, {"f5s": slower}), 6, judges=[coil_current_high])) == told
