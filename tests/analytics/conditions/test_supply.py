from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from remanence.analytics.conditions.battery import battery_decline
from remanence.analytics.conditions.supply import low_supply, supply_sag
from remanence.shared.tables import RAIL_HOURS
from tests.analytics.conditions.said import ids, values
from tests.analytics.physics.rail_rows import (
    MONDAY,
    RAIL,
    actuations,
    at_week,
    latch,
    magnet,
    moment,
    venue,
)


def hours(weeks, volts=lambda day, hour: 12.2, seed=2, noise=0.03):
    rng = np.random.default_rng(seed)
    rows = [
        ("rail", moment(day, hour), 3600, 3500, volts(day, hour) + rng.normal(0, noise))
        for day in range(7 * weeks) for hour in range(9, 23)
    ]
    return RAIL_HOURS.conform(pl.DataFrame(rows, schema={
        "supply": pl.String, "hour": pl.Datetime("us", "UTC"), "samples": pl.Int64,
        "idle_samples": pl.Int64, "idle_median": pl.Float64}, orient="row"))


HOUSE = venue(latch("a"), latch("b"), latch("c"), magnet("m"))


def low(volts, week=5, where=HOUSE, weeks=6):
    return low_supply(at_week(where, week, rail_hours=hours(weeks, volts)))


# Low.


@pytest.mark.parametrize("level", [12.0, 12.4, 11.4, 10.95])
def test_a_steady_rail_inside_its_window_is_not_low(level):
    assert low(lambda day, hour: level) == []


def test_switched_off_at_night_and_on_closed_days_is_not_low():
    assert low(lambda day, hour: 0.05 if hour < 10 or day % 7 == 0 else 12.1) == []


def test_a_week_with_seasons_and_loads_is_not_low():
    assert low(lambda day, hour: 12.2 - 0.1 * np.sin(day / 20) - 0.15 * (hour > 18)) == []


def test_under_the_window_from_a_day_on():
    found = low(lambda day, hour: 10.4 if day >= 30 else 12.2)
    assert [(f.subject, f.subject_kind, f.urgency) for f in found] == [("rail", "supply", "week")]
    assert found[0].since == MONDAY + timedelta(days=30)
    assert found[0].score > 0.95
    assert found[0].evidence[0].now == pytest.approx(10.4, abs=0.05)
    assert found[0].evidence[0].before == pytest.approx(12.2, abs=0.05)


def test_under_the_window_in_the_first_week():
    found = low(lambda day, hour: 10.4, week=0)
    assert [f.urgency for f in found] == ["week"]
    assert found[0].since == MONDAY


def test_barely_under_the_window_could_be_the_meter():
    found = low(lambda day, hour: 10.77)
    assert [f.urgency for f in found] == ["plan"]
    assert found[0].score < 0.7


def test_low_in_some_hours_only():
    found = low(lambda day, hour: 10.3 if day >= 36 and hour >= 21 else 12.2)
    assert [f.urgency for f in found] == ["plan"]
    assert "hours-below" in ids(found[0])


def test_mended_before_the_week_is_none():
    assert low(lambda day, hour: 10.4 if 20 <= day < 33 else 12.2) == []


def test_a_lasting_fall_inside_the_window():
    found = low(lambda day, hour: 11.3 if day >= 24 else 12.2)
    assert [f.urgency for f in found] == ["watch"]
    assert abs((found[0].since - MONDAY).days - 24) <= 1


def test_without_the_rail_s_own_record_the_volts_before_commands_serve():
    rows = actuations(latch("a"), 4).with_columns(pl.col("volts_before") - 2.0)
    found = low_supply(at_week(HOUSE, 3, actuations=rows))
    assert [f.condition for f in found] == ["low-supply"]
    assert low_supply(at_week(HOUSE, 3, actuations=actuations(latch("a"), 4))) == []


# Sag.


def rail(weeks, ratio=lambda day: 1.0, locks=HOUSE.locks, **more):
    def change(row, day):
        row["sag_volts"] *= ratio(day)
    return pl.concat([actuations(lock, weeks, changed=change, **more) for lock in locks])


def sag(frame, week=5, where=HOUSE):
    return supply_sag(at_week(where, week, actuations=frame))


@pytest.mark.parametrize("noise", [0.005, 0.03])
def test_a_stiff_rail_is_nothing(noise):
    frame = rail(8, noise=noise)
    for week in range(8):
        assert sag(frame, week) == []


def test_a_season_in_the_copper_is_nothing():
    assert sag(rail(8, lambda day: 1 + 0.03 * np.sin(day / 9)), 7) == []


@pytest.mark.parametrize("where", [HOUSE, venue(latch("a"), latch("b"))])
def test_every_lock_sags_more_so_it_is_the_rail(where):
    found = sag(rail(6, lambda day: 1.6 if day >= 31 else 1.0, where.locks), where=where)
    assert [(f.subject, f.condition, f.urgency) for f in found] == [("rail", "supply-sag", "plan")]
    assert abs((found[0].since - MONDAY).days - 31) <= 2
    assert found[0].evidence[0].now == pytest.approx(160, rel=0.05)


@pytest.mark.parametrize(("volts", "told"), [
    (lambda day: -0.9 if 24 <= day < 35 else 0.0, True), (lambda day: 0.5 * (day >= 34), False)])
def test_the_end_of_a_low_spell_is_no_other_supply_that_is_softer(volts, told):
    """Another one, which also idles higher than the rail ever did, is what somebody fitted."""
    def change(row, day):
        row["sag_volts"] *= 2.0 if day >= 34 else 1.0
        row["volts_before"] += volts(day)
    frame = pl.concat([actuations(lock, 6, changed=change) for lock in HOUSE.locks])
    assert bool(sag(frame)) == told


def test_one_lock_alone_is_not_the_rail():
    def change(row, day):
        row["sag_volts"] *= 1.5 if day >= 31 else 1.0
    frame = pl.concat([rail(6, locks=HOUSE.locks[1:]), actuations(latch("a"), 6, changed=change)])
    assert sag(frame) == []


def test_a_slow_rise_is_found():
    found = sag(rail(10, lambda day: 1 + 0.01 * max(0, day - 30)), 9)
    assert [f.condition for f in found] == ["supply-sag"]


def test_mended_is_none():
    assert sag(rail(6, lambda day: 1.6 if 14 <= day < 30 else 1.0)) == []


def test_a_replaced_lock_does_not_bend_its_rail():
    def change(row, day):
        row["sag_volts"] *= 1.8 if day > 20 else 1.0
    two = venue(latch("a"), latch("b"), latch("c"))
    frame = pl.concat([actuations(latch("a"), 6, changed=change), rail(6, locks=two.locks[1:])])
    assert sag(frame, where=two) == []


def test_loaded_below_what_locks_need():
    deep = rail(6, lambda day: 9.0 if day >= 31 else 1.0)
    found = sag(deep)
    assert found[0].urgency == "week"
    assert values(found[0])["limit"].value == 85
    always = sag(rail(6, lambda day: 9.0))
    assert [f.urgency for f in always] == ["watch"]


def test_one_reading_a_second_still_shows_the_rail():
    def coarse(row, day):
        caught = row["command_time"].microsecond % 3 == 0
        row["volts_samples"] = 1 if caught else 0
        row["glimpse"] = row["sag_volts"] * (1.7 if day >= 31 else 1.0)
    frames = []
    for lock in HOUSE.locks[:3]:
        frame = actuations(lock, 6)
        day = (frame["command_time"].dt.date() - MONDAY).dt.total_days().to_numpy()
        seen = np.random.default_rng(4).random(frame.height) < 0.3
        sagged = frame["sag_volts"].to_numpy() * np.where(day >= 31, 1.7, 1.0)
        frames.append(frame.with_columns(
            volts_min=pl.Series(np.where(
                seen, frame["volts_before"].to_numpy() - sagged, np.nan)).fill_nan(None),
            volts_samples=pl.Series(seen.astype(int)), sag_volts=pl.lit(None, dtype=pl.Float64)))
    assert [f.condition for f in sag(pl.concat(frames))] == ["supply-sag"]


def test_no_volts_no_finding():
    frame = rail(6).with_columns(
        pl.lit(None, dtype=pl.Float64).alias(c) for c in ("volts_before", "volts_min", "sag_volts"))
    assert sag(frame) == []
    assert low_supply(at_week(HOUSE, 5, actuations=frame)) == []


# Batteries.

BATTERY = venue(latch("a"), supply=replace(RAIL, source="battery"))


def battery(volts, week=5):
    return battery_decline(at_week(BATTERY, week, rail_hours=hours(6, volts)))


def test_a_battery_that_is_kept_charged():
    assert battery(lambda day, hour: 12.6 - 0.15 * (hour - 9) / 13) == []


@pytest.mark.parametrize("week", [2, 3, 5])
def test_a_battery_that_is_charged_every_monday_from_the_second_charge_on(week):
    assert battery(lambda day, hour: 12.7 - 0.085 * (day % 7), week=week) == []


def test_a_battery_whose_charge_is_overdue_is_judged_without_its_habit():
    assert battery(lambda day, hour: 12.7 - 0.05 * (day % 7 if day < 21 else day - 21)) != []


def test_a_battery_that_runs_down_with_the_day_it_is_empty():
    found = battery(lambda day, hour: 12.6 - 0.03 * (day - 14) if day >= 14 else 12.6)
    assert [(f.subject, f.condition) for f in found] == [("rail", "battery-decline")]
    days = found[0].evidence[2]
    truth = (12.6 - 0.03 * 27 - 10.8) / 0.03
    assert days.now_low <= truth <= days.now_high
    assert found[0].urgency == "plan"


def test_a_battery_that_has_run_down_stays_told_until_it_is_charged():
    def ran_down(day, hour):
        return 12.6 - 0.15 * min(max(day - 14, 0), 20)

    def volts(day, hour):
        return 12.6 if day >= 14 * 7 else ran_down(day, hour)

    frame = hours(16, volts)
    told = [[(f.urgency, f.evidence[0].now) for f in battery_decline(
        at_week(BATTERY, week, rail_hours=frame))] for week in (4, 8, 13, 14, 15)]
    assert [len(one) for one in told] == [1, 1, 1, 0, 0]
    assert told[2] == [("week", pytest.approx(9.6, abs=0.05))]


def test_a_battery_whose_days_fall_on_one_line_has_a_slope_without_an_error():
    # Volts without noise, as much less each day.
    falling = hours(6, lambda day, hour: 12.6 - 0.0375 * day, noise=0.0)
    (found,) = battery_decline(at_week(BATTERY, 5, rail_hours=falling))
    assert found.score > 0.9


def test_a_fresh_battery_begins_anew():
    def volts(day, hour):
        return 12.6 - 0.03 * (day % 30)
    assert battery(volts, week=3) != []
    assert battery(volts, week=4) == []


@pytest.mark.parametrize("week", [1, 2, 3, 5])
def test_a_battery_that_is_charged_each_week_is_sound_from_its_second_week_on(week):
    # Charged on Sunday evenings; nobody plays on the first two days of a week.
    readings = hours(6, lambda day, hour: 12.9 - 0.12 * (day % 7))
    played = readings.filter(pl.col("hour").dt.weekday() > 2)
    assert battery_decline(at_week(BATTERY, week, rail_hours=played)) == []


def test_a_battery_that_was_not_charged_as_usual_is_told_of():
    def volts(day, hour):
        return 12.9 - 0.12 * (day % 7 if day < 28 else day - 28)

    assert battery(volts, week=5) != []


def test_a_step_is_no_running_down_and_mains_never():
    assert battery(lambda day, hour: 12.6 if day < 30 else 11.9) == []
    mains = at_week(HOUSE, 5, rail_hours=hours(6, lambda day, hour: 12.6 - 0.03 * day))
    assert battery_decline(mains) == []
