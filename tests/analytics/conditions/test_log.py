from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from remanence.analytics.conditions.log import (
    clock_fault,
    log_gap,
    release_test_due,
)
from remanence.analytics.history import History
from remanence.shared.tables import ACTUATIONS
from remanence.shared.venue import Lock, Supply, Venue
from remanence.shared.weeks import Week
from tests.analytics.conditions.said import ids

RAIL = Supply(id="rail", rated_volts=12.0, channel="volts/rail")
DOOR = Lock(id="door", guards="doorway", mechanism="magnet", released_by="power-off",
            supply="rail", command="north/q1", contact="south/i1", contact_senses="armature",
            contact_closed_when="locked")
DRAWER = Lock(id="drawer", guards="container", mechanism="latch", released_by="power-on",
              supply="rail", command="south/q1")
VENUE = Venue(id="harbour", name="Harbour", time_zone="Europe/Lisbon",
              supplies=(RAIL,), locks=(DOOR, DRAWER))
WEEK = Week(2026, 20)


def history(week=WEEK, **frames):
    return History.of(VENUE, week, **frames)


def service(*rows):
    return pl.DataFrame(
        [(day, lock, action, None, note, (result or [None])[0])
         for day, lock, action, note, *result in rows],
        schema={"date": pl.Date, "lock": pl.String, "action": pl.String, "part": pl.String,
                "note": pl.String, "result": pl.String}, orient="row",
    )


# Release tests.


def test_a_way_out_without_any_test_is_due_a_drawer_never():
    found = release_test_due(history())
    assert [(f.subject, f.urgency) for f in found] == [("door", "week")]


@pytest.mark.parametrize(("age", "due"), [(0, False), (31, False), (32, True), (400, True)])
def test_due_on_the_day_after_the_interval(age, due):
    last = WEEK.sunday - timedelta(days=age)
    passed = (last, "door", "release-tested", "", "passed")
    found = release_test_due(history(service=service(passed)))
    assert bool(found) is due
    if due:
        assert found[0].since == last + timedelta(days=32)
        assert found[0].evidence[0].now == age


def test_other_entries_and_later_tests_are_no_evidence():
    rows = service(
        (WEEK.sunday, "door", "inspected", "released well"),
        (WEEK.sunday + timedelta(days=1), "door", "release-tested", "", "passed"),
        (WEEK.sunday, "drawer", "release-tested", "", "passed"),
    )
    assert len(release_test_due(history(service=rows))) == 1


def test_a_failed_test_is_now_until_one_is_passed():
    day = WEEK.monday
    failed = (day, "door", "release-tested", "jammed, had to be forced", "failed")
    found = release_test_due(history(service=service(failed)))
    assert [(f.urgency, f.since) for f in found] == [("now", day)]
    untold = (day, "door", "release-tested", "ok after new plunger")
    found = release_test_due(history(service=service(failed, untold)))
    assert [(f.urgency, f.since) for f in found] == [("now", day)]
    passed = (*untold, "passed")
    assert release_test_due(history(service=service(failed, passed))) == []


@pytest.mark.parametrize("note", ["", "ok", "let go at once", "did not let go"])
def test_a_test_of_which_nobody_said_how_it_went_is_asked_about(note):
    told = (WEEK.monday, "door", "release-tested", note)
    passed = (WEEK.monday - timedelta(days=9), "door", "release-tested", "", "passed")
    for rows in ((told,), (passed, told)):
        [item] = release_test_due(history(service=service(*rows)))
        assert (item.urgency, item.says[0].id) == ("week", "test-result-untold")


# Clocks.


def events(*rows):
    return pl.DataFrame(
        [("north", *row, "a.csv", 1) for row in rows],
        schema={"controller": pl.String, "time": pl.Datetime("us", "UTC"), "kind": pl.String,
                "seconds": pl.Float64, "mended": pl.Boolean, "file": pl.String,
                "line": pl.Int64}, orient="row",
    )


MOMENT = datetime(2026, 5, 13, 12, tzinfo=UTC)


def test_what_was_mended_or_is_past_is_no_fault():
    rows = events((MOMENT, "wrap", 4294967.296, True), (MOMENT, "step", 3600.0, True),
                  (MOMENT, "restart", None, True), (MOMENT - timedelta(days=9), "step", 5.0, False))
    assert clock_fault(history(clock_events=rows)) == []


def test_an_unmended_step_is_said_with_its_size():
    found = clock_fault(history(clock_events=events((MOMENT, "step", -42.0, False))))
    assert [(f.subject, f.subject_kind, f.urgency) for f in found] == [
        ("north", "controller", "plan")]
    assert found[0].since == date(2026, 5, 13)
    assert found[0].evidence[-1].now == 42.0


def test_the_hour_that_the_clock_change_leaves_out_is_only_watched():
    found = clock_fault(history(clock_events=events((MOMENT, "missing-hour", 3600.0, False))))
    assert [f.urgency for f in found] == ["watch"]


def _restarting(*moments):
    """What is said of restarts in a week with commands from ten to ten."""
    midnight = datetime(2026, 5, 11, tzinfo=UTC)
    commands = pl.DataFrame({"lock": "drawer", "command_time": [
        midnight + timedelta(days=day, hours=hour) for day in range(7) for hour in (10, 16, 22)]})
    return clock_fault(history(
        clock_events=events(*((moment, "restart", None, True) for moment in moments)),
        actuations=ACTUATIONS.conform(commands)))


def test_restarts_in_play_again_and_again_are_said_even_where_mended():
    rows = [MOMENT + timedelta(hours=26 * i) for i in range(3)]
    assert [f.urgency for f in _restarting(*rows)] == ["plan"]
    assert _restarting(*rows[:2]) == []


def test_a_unit_that_is_switched_off_for_the_night_is_not_faulty():
    assert _restarting(*(MOMENT + timedelta(days=i, hours=-4) for i in range(-2, 4))) == []


# Gaps.


def activity(weeks, lost=lambda controller, local: False, closed=(), steady=("volts",),
             share=0.97, stop=None, together=False):
    """Hours of two controllers that log games from 10 to 22 h and one that logs always.

    ``together``: they share their games, so that either is silent when the other is.
    """
    rng = np.random.default_rng(5)
    end = WEEK.bounds(VENUE.zone)[1]
    hour = end - timedelta(weeks=weeks)
    rows = []
    while hour < (stop or end):
        local = hour.astimezone(VENUE.zone)
        playing = 10 <= local.hour < 22 and local.date() not in closed
        booked = rng.random() < share
        for controller in ("north", "south", "volts"):
            if not together:
                booked = rng.random() < share
            edges = int(rng.poisson(70)) + 1 if playing and booked else 0
            records = 3600 if controller in steady else edges
            if records and not lost(controller, local):
                rows.append((controller, hour, records, edges if controller != "volts" else 0,
                             hour + timedelta(seconds=1), hour + timedelta(seconds=3599),
                             1.5 if controller in steady else 400.0, 1))
        hour += timedelta(hours=1)
    return pl.DataFrame(rows, schema={
        "controller": pl.String, "hour": pl.Datetime("us", "UTC"), "records": pl.Int64,
        "edges": pl.Int64, "first": pl.Datetime("us", "UTC"), "last": pl.Datetime("us", "UTC"),
        "longest_silence_s": pl.Float64, "runs": pl.Int64}, orient="row")


THURSDAY = date(2026, 5, 14)


@pytest.mark.parametrize("steady", [("volts",), ()])
@pytest.mark.parametrize("share", [0.97, 0.6])
@pytest.mark.parametrize("closed", [(), (THURSDAY,), (THURSDAY, WEEK.sunday)])
def test_nights_quiet_hours_and_closed_days_are_no_gaps(steady, share, closed):
    frame = activity(10, closed=closed, steady=steady, share=share)
    assert [f for f in log_gap(history(activity=frame)) if f.urgency != "watch"] == []


@pytest.mark.parametrize("weeks", [1, 2, 10])
def test_a_short_past_makes_no_gaps(weeks):
    frame = activity(weeks, closed=(THURSDAY,))
    assert [f for f in log_gap(history(activity=frame)) if f.urgency != "watch"] == []


def test_a_silence_in_the_week_in_whose_midst_the_log_begins_is_judged_without_any_past():
    frame = activity(1, lost=lambda c, local: c == "south" and local.date() == THURSDAY)
    begins = WEEK.bounds(VENUE.zone)[0] + timedelta(hours=9)
    found = log_gap(history(activity=frame.filter(pl.col("hour") >= begins)))
    assert [(f.subject, f.urgency) for f in found] == [("south", "watch")]


def test_a_controller_that_is_silent_on_a_day_of_play():
    frame = activity(10, lost=lambda c, local: c == "south" and local.date() == THURSDAY)
    found = [f for f in log_gap(history(activity=frame)) if f.urgency != "watch"]
    assert [(f.subject, f.subject_kind, f.since) for f in found] == [
        ("south", "controller", THURSDAY - timedelta(days=1))]
    assert "others-logged" in ids(found[0])


def two_hours(controller, local):
    return controller == "south" and local.date() == THURSDAY and local.hour in (13, 14)


def test_two_silent_hours_of_one_who_shares_its_games_with_a_busy_other_are_said():
    frame = activity(6, share=0.9, together=True, lost=two_hours, steady=())
    found = [f for f in log_gap(history(activity=frame)) if f.urgency != "watch"]
    assert [(f.subject, f.since) for f in found] == [("south", THURSDAY)]


def test_two_silent_hours_of_a_room_that_is_often_not_booked_are_not():
    frame = activity(6, share=0.6, lost=two_hours, steady=())
    assert [f for f in log_gap(history(activity=frame)) if f.urgency != "watch"] == []


def test_a_controller_that_fell_silent_and_stays_so_is_for_this_week():
    frame = activity(10, lost=lambda c, local: c == "south" and local.date() >= THURSDAY)
    found = [f for f in log_gap(history(activity=frame)) if f.subject == "south"]
    assert [f.urgency for f in found] == ["week"]


def test_a_silence_of_last_week_is_not_of_this_one():
    before = THURSDAY - timedelta(days=7)
    frame = activity(10, lost=lambda c, local: c == "south" and local.date() == before)
    assert [f for f in log_gap(history(activity=frame)) if f.urgency != "watch"] == []


def test_days_without_play_at_a_venue_of_one_controller_are_watched_though_its_meter_goes_on():
    frame = activity(10, lost=lambda c, local: c == "north" and local.date() >= THURSDAY)
    alone = frame.filter(pl.col("controller") != "south")
    found = [f for f in log_gap(history(activity=alone)) if f.subject == "north"]
    assert [f.urgency for f in found] == ["watch"]
    # Where another is played meanwhile, it is the controller.
    assert [f.urgency for f in log_gap(history(activity=frame)) if f.subject == "north"] == ["week"]


def test_a_whole_week_without_play_is_asked_about_though_the_meter_goes_on():
    frame = activity(10, lost=lambda c, local: c == "north"
                     and local.date() >= WEEK.monday - timedelta(days=2))
    alone = frame.filter(pl.col("controller") != "south")
    assert [f.urgency for f in log_gap(history(activity=alone)) if f.subject == "north"] == ["week"]


def test_two_hours_without_the_record_that_never_stops():
    frame = activity(2, lost=lambda c, local: c == "volts" and local.date() == THURSDAY
                     and local.hour in (3, 4))
    found = log_gap(history(activity=frame))
    # At night nobody else logs: it is the venue's log that broke off.
    assert [(f.subject_kind, f.urgency, f.since) for f in found] == [("venue", "plan", THURSDAY)]
    by_day = activity(2, lost=lambda c, local: c == "volts" and local.date() == THURSDAY
                      and local.hour in (13, 14))
    assert [f.subject for f in log_gap(history(activity=by_day))] == ["volts"]


def test_a_silence_within_the_hour_of_a_steady_record():
    frame = activity(3).with_columns(
        longest_silence_s=pl.when(
            (pl.col("controller") == "volts")
            & (pl.col("hour") == datetime(2026, 5, 14, 13, tzinfo=UTC))
        ).then(2000.0).otherwise("longest_silence_s"))
    found = log_gap(history(activity=frame))
    assert [(f.subject, f.urgency) for f in found] == [("volts", "plan")]
    assert found[0].evidence[0].now == pytest.approx(2000 / 3600, rel=0.01)


def test_a_whole_venue_silent_for_a_day_may_have_been_closed():
    frame = activity(10, closed=(THURSDAY,), steady=())
    found = log_gap(history(activity=frame))
    assert [(f.subject_kind, f.urgency) for f in found] == [("venue", "watch")]
    assert "closed" in found[0].not_excluded


def test_the_days_to_come_of_a_week_that_is_not_over_are_no_gap():
    frame = activity(10, stop=datetime(2026, 5, 14, 12, tzinfo=UTC))
    assert log_gap(history(activity=frame)) == []


def test_a_controller_never_heard_of_is_watched():
    frame = activity(10).filter(pl.col("controller") != "south")
    found = log_gap(history(activity=frame))
    assert [(f.subject, f.urgency) for f in found] == [("south", "watch")]
    assert found[0].score == pytest.approx(3 / 4)  # Both others are in use, and that is few.


def test_a_week_wholly_without_log_is_told():
    frame = activity(10).filter(pl.col("hour") < WEEK.bounds(VENUE.zone)[0])
    [found] = log_gap(history(activity=frame))
    assert (found.subject_kind, found.urgency, found.says[0].id) == (
        "venue", "week", "week-without-log")
