"""Coil heat over what was really switched: hottest moment, duty, margins, measured heat."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from remanence.analytics.physics.cable import copper_ohms
from remanence.analytics.physics.coil_heat import coil_heat, loaded_volts
from remanence.analytics.physics.coil_thermal import held_seconds, thermal_of
from remanence.analytics.physics.heat_curve import heat_curve
from remanence.analytics.physics.measured_heat import measured_heat
from remanence.analytics.physics.on_times import ON_TIMES, duty_share, on_times
from remanence.shared.limits import Limits
from remanence.shared.tables import ACTUATIONS, ENERGISINGS
from remanence.shared.venue import Lock, Supply, Venue

DAY = datetime(2026, 3, 2, 10, tzinfo=UTC)


def lock(name, **changes):
    values = {
        "id": name, "guards": "container", "mechanism": "latch", "released_by": "power-on",
        "supply": "rail", "command": f"c/{name}", "coil_ohms": 12.0, "max_on_ms": 500.0,
        "duty_percent": 10.0,
    }
    return Lock(**(values | changes))


VENUE = Venue(
    id="v", name="V", time_zone="UTC", supplies=(Supply(id="rail", rated_volts=12.0),),
    locks=(lock("a"), lock("b"), lock("f5", self_cut=True),
           lock("m", mechanism="magnet", released_by="power-off", max_on_ms=None,
                duty_percent=None),
           lock("dark", coil_ohms=None)),
)


def energised(*items):
    """Energisings out of (lock, seconds after the day's start, milliseconds or None[, cut])."""
    return ENERGISINGS.conform(pl.DataFrame([
        {"lock": item[0], "start": DAY + timedelta(seconds=item[1]),
         "end": None if item[2] is None else DAY + timedelta(seconds=item[1] + item[2] / 1000),
         "on_ms": item[2], "cut_ms": item[3] if len(item) > 3 else None}
        for item in items
    ], schema_overrides={"on_ms": pl.Float64, "cut_ms": pl.Float64}))


def heat(rows, actuations=None, until=None, **named):
    """Heat of every coil out of its energisings."""
    if actuations is not None:
        named["volts"] = loaded_volts(actuations)
    return coil_heat(on_times(rows, VENUE, actuations, until), VENUE, **named)


def test_the_hottest_moment_is_found_and_dated():
    rows = energised(("a", 0, 300.0), ("a", 3600, 300.0), ("a", 7200, 60_000.0), ("a", 9999, 300.0))
    row = heat(rows).row(0, named=True)
    assert row["hottest_time"] == DAY + timedelta(seconds=7260)
    assert row["hottest_celsius"] == pytest.approx(25 + 38, abs=4)
    assert row["margin_kelvin"] == pytest.approx(120 - row["hottest_celsius"])
    assert row["longest_on_ms"] == 60_000.0
    # Generic data: half and twice the rise, and it says so.
    rise = row["hottest_celsius"] - 25
    assert row["hottest_low_celsius"] == pytest.approx(25 + rise / 2)
    assert row["hottest_high_celsius"] == pytest.approx(25 + rise * 2)
    assert row["estimated"]
    assert row["generic"]
    # From hot it takes less time to the limit than from cold.
    assert 0 < row["held_hot_s"] < row["held_cold_s"]


def test_locks_without_coil_data_and_continuous_magnets_have_no_row():
    rows = energised(("m", 0, 5e6), ("dark", 0, 300.0), ("a", 0, 300.0))
    assert heat(rows)["lock"].to_list() == ["a"]
    assert heat(ENERGISINGS.empty()).height == 0


def test_an_end_that_is_not_known_is_no_heat():
    rows = energised(("a", 0, 300.0), ("a", 60, None), ("a", 120, 300.0))
    row = heat(rows).row(0, named=True)
    assert (row["pulses"], row["unknown_ends"]) == (2, 1)
    assert row["hottest_celsius"] < 27


def test_one_that_still_lasts_is_heat_until_now():
    rows = energised(("a", 0, 300.0), ("a", 60, None))
    row = heat(rows, until=DAY + timedelta(seconds=60 + 600)).row(0, named=True)
    assert row["longest_on_ms"] == 600_000.0
    assert row["hottest_celsius"] > 120
    assert row["held_hot_s"] == 0.0
    # Only the locks that are known to have stayed on do so.
    named = heat(rows, until={"a": DAY + timedelta(seconds=660)})
    assert named["longest_on_ms"][0] == 600_000.0
    assert heat(rows, until={"b": DAY + timedelta(seconds=660)})["unknown_ends"][0] == 1
    assert heat(rows, until={})["unknown_ends"][0] == 1


def test_a_coil_that_cuts_itself_is_on_only_until_then():
    held = energised(("f5", 0, 60_000.0))
    cut = energised(("f5", 0, 60_000.0, 30.0))
    released = ACTUATIONS.conform(pl.DataFrame([{
        "lock": "f5", "command_time": DAY, "outcome": "released", "latency_ms": 30.0,
        "waited_ms": 30.0,
    }]))
    assert heat(held).is_empty()  # nobody saw when it was cut
    assert heat(cut)["longest_on_ms"][0] == 30.0
    assert heat(held, actuations=released)["longest_on_ms"][0] == 30.0


def test_weeks_carry_heat_over_and_report_their_own():
    rows = energised(("a", 0, 300.0), ("a", 7 * 86_400, 300.0))
    found = heat(rows, by=("lock", "week"))
    assert found.select("week", "pulses").rows() == [("2026-W10", 1), ("2026-W11", 1)]
    later = heat(rows, start=DAY + timedelta(days=1))
    assert later["pulses"].to_list() == [1]
    # Heat from just before the start is still there.
    near = energised(("a", 0, 60_000.0), ("a", 70, 300.0))
    alone = energised(("a", 70, 300.0))
    start = DAY + timedelta(seconds=65)
    assert (heat(near, start=start)["hottest_celsius"][0]
            > 20 + heat(alone, start=start)["hottest_celsius"][0])


# Preferred duties of a five-minute cycle, DIN VDE 0580, clauses 3.2.2 and 3.2.3 (as solenoid
# makers quote them): longest single on-time in seconds.
@pytest.mark.parametrize(
    ("percent", "seconds"), [(5, 15), (15, 45), (25, 75), (40, 120), (60, 180)]
)
def test_one_longest_on_time_makes_the_rated_duty(percent, seconds):
    share = duty_share(np.array([0.0]), np.array([float(seconds)]), 300.0)
    assert 100 * share[0] == pytest.approx(percent)


def test_duty_by_a_slow_and_obvious_count():
    rng = np.random.default_rng(2)
    start = np.sort(rng.uniform(0, 3000, 60))
    on = rng.uniform(0, 40, 60)
    cut = np.minimum(on, np.append(np.diff(start), np.inf))
    seen = duty_share(start, on, 300.0)
    for index in range(60):
        end = start[index] + cut[index]
        overlap = np.minimum(start + cut, end) - np.maximum(start, end - 300.0)
        assert seen[index] == pytest.approx(np.clip(overlap, 0, None).sum() / 300.0, abs=1e-9)


def test_seen_volts_are_used():
    low = ACTUATIONS.conform(pl.DataFrame([
        {"lock": "a", "command_time": DAY, "volts_before": 10.5, "sag_volts": 0.5}
    ]))
    assert loaded_volts(low) == {"a": 10.0}
    rows = energised(("a", 0, 60_000.0))
    assert (heat(rows, actuations=low)["hottest_celsius"][0]
            < heat(rows)["hottest_celsius"][0] - 5)


def test_the_curve_passes_through_the_hottest_moment_and_cools():
    rows = energised(("a", 600, 60_000.0))
    curve = heat_curve(on_times(rows, VENUE), VENUE, "a", DAY, DAY + timedelta(hours=2))
    peak = heat(rows)["hottest_celsius"][0]
    assert max(curve.celsius) == pytest.approx(peak)
    assert curve.time == sorted(curve.time)
    assert curve.celsius[0] == pytest.approx(25.0)
    assert curve.celsius[-1] == pytest.approx(25.0, abs=0.1)
    assert heat_curve(on_times(rows, VENUE), VENUE, "dark", DAY, DAY + timedelta(hours=1)) is None
    quiet = heat_curve(ON_TIMES.empty(), VENUE, "a", DAY, DAY + timedelta(hours=1))
    assert set(quiet.celsius) == {25.0}


def test_resistance_method_where_amps_are_logged():
    # Cold readings each morning; on day six a hot one, 83.6 degrees by construction.
    rng = np.random.default_rng(1)
    rows = []
    for day in range(10):
        for hour, celsius in ((0.0, 25.0), (0.01, 83.6 if day == 6 else 27.0)):
            ohms = copper_ohms(11.0, celsius) * (1 + 0.002 * rng.standard_normal())
            rows.append({
                "lock": "a", "command_time": DAY + timedelta(days=day, hours=hour),
                "volts_before": 12.0, "sag_volts": 0.5, "amps": 11.5 / ohms,
            })
    found = measured_heat(ACTUATIONS.conform(pl.DataFrame(rows)), VENUE)
    hot = found.filter(pl.col("celsius") > 60)
    assert hot["celsius"].to_list() == pytest.approx([83.6], abs=2.5)
    # One per cent of resistance is 2.5 K: 0.2 % scatter is half a kelvin.
    assert found["error_kelvin"][0] == pytest.approx(0.5, abs=0.35)
    assert measured_heat(ACTUATIONS.empty(), VENUE).height == 0


def test_hotter_volts_reach_the_limit_sooner():
    times = [held_seconds(thermal_of(lock("a"), Limits(), volts=volts), 120.0)
             for volts in (12.0, 13.0, 13.8)]
    assert times == sorted(times, reverse=True)
