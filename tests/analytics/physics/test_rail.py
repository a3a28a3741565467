"""Volts with any set of locks on, and games left in a battery, from a known network."""

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import numpy as np
import polars as pl
import pytest

from remanence.analytics.history import History
from remanence.analytics.physics.battery import battery_outlook
from remanence.analytics.physics.idle_volts import idle_volts
from remanence.analytics.physics.on_times import ON_TIMES, on_times
from remanence.analytics.physics.rail_model import company, rail_model
from remanence.shared.tables import ACTUATIONS, ENERGISINGS, RAIL_HOURS
from remanence.shared.venue import Lock, Supply, Venue
from remanence.shared.weeks import Week

START = datetime(2026, 1, 5, 9, tzinfo=UTC)


def lock(name, **changes):
    values = {
        "id": name, "guards": "container", "mechanism": "latch", "released_by": "power-on",
        "supply": "rail", "command": f"c/{name}", "coil_ohms": 10.0,
    }
    return Lock(**(values | changes))


MAGNET = {"mechanism": "magnet", "released_by": "power-off", "coil_ohms": 24.0}


def venue(latches=6, magnets=4, **supply):
    return Venue(
        id="v", name="V", time_zone="UTC",
        supplies=(Supply(**({"id": "rail", "rated_volts": 12.0, "rated_amps": 10.0} | supply)),),
        locks=(*(lock(f"l{i}") for i in range(latches)),
               *(lock(f"m{i}", **MAGNET) for i in range(magnets)), lock("dark", coil_ohms=None)),
    )


def model(ohms=0.3, idle=12.0, **more):
    return rail_model(venue(**more), "rail", idle, ohms, 0.9 * ohms, 1.1 * ohms)


def test_volts_with_any_set_on_are_those_of_the_network():
    rail = model()
    rest = 4 / 24
    open_volts = 12.0 * (1 + 0.3 * rest)
    found = rail.with_on(["m0", "m1", "m2", "m3", "l0", "l1"])
    load = rest + 2 / 10
    assert found.volts == pytest.approx(open_volts / (1 + 0.3 * load))
    assert found.amps == pytest.approx(found.volts * load)
    # Kirchhoff: what the source drops and what the coils see make up the open volts.
    assert open_volts == pytest.approx(found.volts + 0.3 * found.amps)
    assert found.low_volts < found.volts < found.high_volts
    assert rail.with_on(rail.resting).volts == pytest.approx(12.0)
    assert rail.with_on([]).volts == pytest.approx(open_volts)
    assert rail.unknown == ("dark",)


def test_at_rest_it_reads_its_idle_volts_to_the_last_digit():
    # Whatever the coils and the resistance: no range, and no order in which the coils are added.
    rng = np.random.default_rng(5)
    for _ in range(50):
        coils = (lock(f"m{i}", **{**MAGNET, "coil_ohms": float(rng.uniform(20, 90))})
                 for i in range(6))
        place = Venue(id="v", name="V", time_zone="UTC", locks=tuple(coils),
                      supplies=(Supply(id="rail", rated_volts=12.0),))
        rail = rail_model(place, "rail", 12.0, *rng.uniform(0.1, 0.9, 3))
        rest = rail.with_on(rail.resting[::-1])
        assert (rest.low_volts, rest.volts, rest.high_volts) == (12.0, 12.0, 12.0)


def test_how_many_together():
    rail = model(ohms=0.5)
    steps = rail.pulsed_together()
    assert [len(step.on) for step in steps] == [5, 6, 7, 8, 9, 10]
    assert all(a.volts > b.volts for a, b in pairwise(steps))
    safe = rail.safe_together
    assert 0 < safe < 6
    assert steps[safe - 1].low_volts >= rail.window_volts > steps[safe].low_volts
    assert model(ohms=0.01).safe_together == 6
    assert model(ohms=0.01, rated_amps=3.5).safe_together == 1  # 2 A of magnets and one latch
    assert model(idle=10.0).safe_together == 0


def test_how_many_magnets_at_reset():
    assert model(ohms=0.05).reset_together == 4
    assert model(ohms=0.05, magnets=20, rated_amps=5.0).reset_together == 9
    assert model(magnets=0).reset_together == 0


def battery_days(volts_per_game, days=20, games=6, change_at=None, noise=0.01, start=12.9):
    rng = np.random.default_rng(4)
    hours, commands, level = [], [], start
    for day in range(days):
        if change_at == day:
            level = start
        moment = START + timedelta(days=day)
        middle = level + volts_per_game * games / 2 + noise * rng.standard_normal()
        hours.append({"supply": "rail", "hour": moment, "idle_median": middle, "idle_samples": 60})
        for number in range(games):
            for name in ("l0", "l1", "l2"):
                commands.append({"lock": name, "outcome": "released", "attempt": 1,
                                 "command_time": moment + timedelta(minutes=10 * number)})
        level += volts_per_game * games
    return RAIL_HOURS.conform(pl.DataFrame(hours)), ACTUATIONS.conform(pl.DataFrame(commands))


def outlook(*tables, ohms=0.3):
    where = venue(source="battery")
    hours, commands = tables
    idle = idle_volts(History.of(where, Week(2026, 9), rail_hours=hours))["rail"]
    return battery_outlook(idle, commands, where, rail_model(where, "rail", 12.5, ohms, ohms, ohms))


def test_games_left_of_a_straight_decline():
    found = outlook(*battery_days(-0.01))
    truth = (12.9 - 0.01 * 120 - found.stop_volts) / 0.01
    assert found.games_left == pytest.approx(truth, rel=0.05)
    assert found.low_games <= truth <= found.high_games
    assert found.volts_per_game == pytest.approx(-0.01, rel=0.03)
    # At the stop volts the heaviest latch just touches the window.
    rest, heavy = 4 / 24, 1 / 10
    assert found.stop_volts * (1 + 0.3 * rest) / (1 + 0.3 * (rest + heavy)) == pytest.approx(10.2)


def test_a_changed_battery_starts_anew():
    found = outlook(*battery_days(-0.01, days=30, change_at=18))
    assert found.days == 12
    assert found.volts_per_game == pytest.approx(-0.01, rel=0.1)


def test_no_decline_gives_no_date():
    found = outlook(*battery_days(0.0, noise=0.02))
    assert found.games_left is None
    assert found.volts_per_game is not None
    assert found.high_games is None


def test_thin_data_and_an_empty_battery():
    thin = outlook(*battery_days(-0.01, days=3))
    assert (thin.days, thin.volts_per_game, thin.games_left) == (3, None, None)
    assert outlook(RAIL_HOURS.empty(), ACTUATIONS.empty()) is None
    flat = outlook(*battery_days(-0.01, start=11.0))
    assert flat.games_left == 0.0


def energised(*items):
    return ENERGISINGS.conform(pl.DataFrame([
        {"lock": name, "start": START + timedelta(seconds=at), "on_ms": on,
         "end": START + timedelta(seconds=at, milliseconds=on)} for name, at, on in items
    ]))


def test_what_was_on_together_is_found_with_its_volts():
    rail = model(ohms=2.0)
    rows = energised(("l0", 0, 300.0), ("l1", 0.1, 300.0), ("l2", 0.2, 300.0),
                     ("l0", 60, 300.0), ("l1", 61, 300.0), ("m0", 0, 1e6))
    found = company(rail, on_times(rows, venue()), ACTUATIONS.empty())
    assert [item.pulsed for item in found.sequences] == [("l0", "l1", "l2"), ("l0", "l1")]
    assert [item.times for item in found.sequences] == [1, 1]
    deepest = found.sequences[0]
    assert deepest.prediction.volts == pytest.approx(
        rail.with_on((*rail.resting, "l0", "l1", "l2")).volts)
    assert deepest.under_window
    assert found.error_volts is None


def test_a_magnet_that_was_released_is_not_counted_on():
    rail = model()
    cut = ACTUATIONS.conform(pl.DataFrame([
        {"lock": "m0", "command_time": START - timedelta(seconds=5), "pulse_ms": 60_000.0},
        {"lock": "m1", "command_time": START - timedelta(seconds=5), "pulse_ms": 1000.0},
        {"lock": "m2", "command_time": START + timedelta(seconds=5), "pulse_ms": 1000.0},
    ]))
    found = company(
        rail, on_times(energised(("l0", 0, 300.0), ("l1", 0.1, 300.0)), venue()), cut)
    assert found.sequences[0].prediction.on == ("l0", "l1", "m1", "m2", "m3")


def test_the_prediction_is_judged_by_the_readings():
    rail = model()
    rows = energised(*(("l0", 60 * i, 300.0) for i in range(40)))
    rng = np.random.default_rng(9)
    read = ACTUATIONS.conform(pl.DataFrame([
        {"lock": "l0", "command_time": START + timedelta(seconds=60 * i),
         "volts_min": rail.with_on((*rail.resting, "l0")).volts + 0.1 + 0.02 * float(
             rng.standard_normal())} for i in range(40)
    ]))
    found = company(rail, on_times(rows, venue()), read)
    assert found.checked == 40
    assert found.error_volts == pytest.approx(0.1, abs=0.015)
    assert found.low_volts < found.error_volts < found.high_volts
    assert company(rail, ON_TIMES.empty(), read).checked == 0
