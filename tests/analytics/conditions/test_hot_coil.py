"""The condition hot-coil: said when it is hot, not when it is warm, and not once mended."""

from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest

from remanence.analytics.conditions.hot_coil import hot_coil
from remanence.analytics.history import History
from remanence.analytics.physics.cable import copper_ohms
from remanence.shared.tables import ACTIVITY, ACTUATIONS, CLOCK_EVENTS, ENERGISINGS, SERVICE
from remanence.shared.venue import Lock, Supply, Venue
from remanence.shared.weeks import Week

WEEK = Week(2026, 20)
MONDAY = datetime(2026, 5, 11, 10, tzinfo=UTC)


def venue(**changes):
    values = {
        "id": "a", "guards": "container", "mechanism": "latch", "released_by": "power-on",
        "supply": "rail", "command": "c/a", "coil_ohms": 12.0, "max_on_ms": 500.0,
    }
    return Venue(id="v", name="V", time_zone="Europe/Lisbon",
                 supplies=(Supply(id="rail", rated_volts=12.0),), locks=(Lock(**values | changes),))


def history(*held, weeks=10, place=None, **tables):
    """A short pulse an hour, ten a day; ``held`` are (week from the last, seconds)."""
    rows = []
    for week in range(weeks):
        for day in range(5):
            for hour in range(10):
                at = MONDAY - timedelta(weeks=week) + timedelta(days=day, hours=hour)
                rows.append((at, 300.0))
        rows += [(MONDAY - timedelta(weeks=week) + timedelta(days=2, minutes=30), 1000.0 * seconds)
                 for ago, seconds in held if ago == week]
    frame = pl.DataFrame([
        {"lock": "a", "start": at, "on_ms": on, "end": at + timedelta(milliseconds=on)}
        for at, on in rows
    ])
    return History.of(place or venue(), WEEK, energisings=ENERGISINGS.conform(frame), **tables)


def test_usual_pulses_are_nothing_to_say():
    assert hot_coil(history()) == []
    assert hot_coil(history((0, 25.0))) == []
    assert hot_coil(History.of(venue(), WEEK)) == []


def test_a_coil_held_on_for_minutes_is_hot():
    item = hot_coil(history((0, 400.0)))[0]
    assert (item.condition, item.urgency, item.subject) == ("hot-coil", "now", "a")
    assert item.score > 0.75
    assert item.since == date(2026, 5, 13)
    hottest = item.evidence[0]
    assert hottest.now_low < hottest.now < hottest.now_high
    assert hottest.before < 40


def test_longer_is_surer_and_more_urgent():
    scores = {
        seconds: (found[0].score if (found := hot_coil(history((0, float(seconds))))) else 0.0)
        for seconds in (30, 90, 150, 240, 400)
    }
    assert list(scores.values()) == sorted(scores.values())
    assert scores[30] == 0.0
    assert hot_coil(history((0, 150.0)))[0].urgency == "week"


def test_a_week_that_has_passed_is_no_finding():
    assert hot_coil(history((1, 400.0))) == []
    run = hot_coil(history((0, 400.0), (1, 400.0), (2, 400.0), (5, 400.0)))[0]
    assert run.since == date(2026, 5, 13) - timedelta(weeks=2)


def test_mended_in_the_week_is_no_finding():
    service = SERVICE.conform(pl.DataFrame([
        {"date": date(2026, 5, 14), "lock": "a", "action": "replaced", "part": "", "note": ""}
    ]))
    assert hot_coil(history((0, 400.0), service=service)) == []


def test_stated_thermal_data_make_it_sharper():
    stated = venue(coil_rise_kelvin=90.0, coil_time_minutes=6.0, insulation_class="A")
    item = hot_coil(history((0, 1800.0), place=stated))[0]
    generic = hot_coil(history((0, 1800.0)))[0]
    assert (item.evidence[0].now_high - item.evidence[0].now_low
            < generic.evidence[0].now_high - generic.evidence[0].now_low)
    bears_more = venue(coil_rise_kelvin=90.0, coil_time_minutes=6.0, insulation_class="H")
    assert hot_coil(history((0, 1800.0), place=bears_more)) == []


@pytest.mark.parametrize(("celsius", "said"), [(112.0, True), (60.0, False)])
def test_measured_current_decides_where_it_is_logged(celsius, said):
    rows = [
        {"lock": "a", "command_time": MONDAY + timedelta(days=day, hours=hour),
         "volts_before": 12.0, "sag_volts": 0.3, "outcome": "released",
         "amps": 11.7 / copper_ohms(12.0, celsius if (day, hour) == (2, 4) else 25.0)}
        for day in range(5) for hour in (0, 2, 4)
    ]
    table = ACTUATIONS.conform(pl.DataFrame(rows))
    # The on-times alone would say the opposite.
    held = () if said else ((0, 400.0),)
    found = hot_coil(history(*held, actuations=table))
    assert bool(found) == said
    if said:
        assert found[0].evidence[0].now == pytest.approx(celsius, abs=1.0)
        assert found[0].not_excluded == ()


def activity(*hours):
    """Hours in which the controller logged, as (hours after Monday ten o'clock, runs)."""
    return ACTIVITY.conform(pl.DataFrame([
        {"controller": "c", "hour": MONDAY + timedelta(hours=hour), "records": 100, "runs": runs,
         "first": MONDAY + timedelta(hours=hour),
         "last": MONDAY + timedelta(hours=hour, minutes=59)}
        for hour, runs in hours
    ]))


def left_on(**tables):
    frame = pl.DataFrame([{"lock": "a", "start": MONDAY, "end": None, "on_ms": None}])
    return History.of(venue(), WEEK, energisings=ENERGISINGS.conform(frame), **tables)


def test_a_coil_left_on_is_hot_only_where_the_log_went_on():
    assert hot_coil(left_on(activity=activity((0, 1))))[0].urgency == "now"
    # The log broke off, or the controller started anew: nothing is known.
    assert hot_coil(left_on()) == []
    assert hot_coil(left_on(activity=activity((0, 2)))) == []
    restart = CLOCK_EVENTS.conform(pl.DataFrame([
        {"controller": "c", "time": MONDAY + timedelta(minutes=1), "kind": "restart"}]))
    assert hot_coil(left_on(activity=activity((0, 1)), clock_events=restart)) == []
    early = activity((-2, 1))
    assert hot_coil(left_on(activity=early)) == []
