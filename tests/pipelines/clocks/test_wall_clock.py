"""Times of every kind come out as the right UTC; what cannot be told is said."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from remanence.pipelines.clocks.iso import parse_times
from remanence.pipelines.clocks.wall_clock import WallClock
from remanence.shared.log_format import LogFormat
from remanence.shared.time_forms import form_pattern, lacks
from remanence.shared.venue import Venue

LISBON = Venue(id="v", name="v", time_zone="Europe/Lisbon")


def utc(text):
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def converted(times, zone="UTC", channel="north/q1", **log):
    venue = Venue(id="v", name="v", time_zone=zone)
    clock = WallClock(venue, LogFormat(files=("x",), **log), "x")
    frame = pl.DataFrame({
        "line": list(range(1, len(times) + 1)), "time": times, "channel": channel,
        "quantity": "command", "value": "1"})
    return clock.convert(frame), clock


@pytest.mark.parametrize(("text", "expected"), [
    ("2026-11-02T18:03:11.482Z", "2026-11-02 18:03:11.482"),
    ("2026-11-02T18:03:11Z", "2026-11-02 18:03:11"),
    ("2026-11-02T18:03:11.123456Z", "2026-11-02 18:03:11.123456"),
    ("2026-11-02T18:03:11.1234569Z", "2026-11-02 18:03:11.123456"),
    ("2026-11-02 18:03:11,5+01:00", "2026-11-02 17:03:11.5"),
    ("20261102T180311-0330", "2026-11-02 21:33:11"),
    ("2026-11-02T18:03z", "2026-11-02 18:03:00"),
    ("2024-02-29T23:59:59+14:00", "2024-02-29 09:59:59"),
    ("2026-12-31T23:30:00-01:00", "2027-01-01 00:30:00"),
])
def test_iso_8601(text, expected):
    assert converted([text])[0]["utc"].to_list() == [utc(expected)]
    # Among others of another width, the general way must say the same.
    assert converted([text, "2026-01-01"])[0]["utc"].to_list() == [utc(expected), None]


@pytest.mark.parametrize("text", [
    "2026-02-29T00:00:00Z", "2026-04-31T00:00:00Z", "2026-13-01T00:00:00Z", "2026-00-01T00:00:00Z",
    "2026-11-02T24:00:00Z", "2026-11-02T18:60:00Z", "2026-11-02T18:03:61Z", "2026-11-02T18:03:1Z",
    "2026-11-02", "18:03:11", "2026-11-02T18:03:11+24:00", "x2026-11-02T18:03:11Z", "٢٠٢٦-11-02",
    "2026-11-02T18:0a:11.482Z", "2026-11-02T18:03:11.4a2Z", "2026-11-02T18:03:71.482Z",
])
def test_what_is_no_time_is_not_made_into_one(text):
    assert parse_times(pl.Series([text] * 3))["time"].null_count() == 3


def test_the_quick_way_agrees_with_the_standard_library():
    start = utc("2024-02-28 23:58:00")
    moments = [start + timedelta(milliseconds=7919 * i) for i in range(20_000)]
    for spec, zone in (("milliseconds", "Z"), ("seconds", "Z"), ("microseconds", "+05:30"),
                       ("milliseconds", ""), ("seconds", "-03:00"), ("microseconds", "-0930")):
        text = [m.isoformat(timespec=spec).replace("+00:00", zone) for m in moments]
        expected = [t if t.tzinfo is None else t.astimezone(UTC).replace(tzinfo=None)
                    for t in map(datetime.fromisoformat, text)]
        quick = parse_times(pl.Series(text))
        assert quick["time"].to_list() == expected
        assert quick["zoned"].all() == bool(zone)
        slow = parse_times(pl.Series([*text, "?"]))
        assert slow["time"].to_list() == [*expected, None]
        assert slow["zoned"][:-1].all() == bool(zone)
        other = parse_times(pl.Series([*text, text[0].replace("T", " ")]))
        assert other["time"].to_list() == [*expected, expected[0]]


def test_times_in_no_order_are_read_alike():
    start = utc("2023-12-31 22:00:00")
    moments = [start + timedelta(milliseconds=7919 * i) for i in range(100_000)]
    random.Random(1).shuffle(moments)
    text = [m.isoformat(timespec="milliseconds").replace("+00:00", "Z") for m in moments]
    assert parse_times(pl.Series(text))["time"].to_list() == [
        m.replace(tzinfo=None) for m in moments]
    for bad in ("2023-02-29", "2023-00-10", "2023-1a-10", "2023-13-10"):
        odd = parse_times(pl.Series([*text, f"{bad}T00:00:00.000Z"]))["time"]
        assert odd[-1] is None
        assert odd.null_count() == 1


@pytest.mark.parametrize("unit", ["ms", "us", "ns"])
@pytest.mark.parametrize("zone", [None, "UTC", "Asia/Tokyo"])
def test_times_that_are_times_already_are_taken_whatever_the_form(unit, zone):
    times = pl.Series([utc("2026-11-02 18:03:11.482"), None]).cast(pl.Datetime(unit, "UTC"))
    times = times.dt.convert_time_zone(zone) if zone else times.dt.replace_time_zone(None)
    for form in ("iso", "epoch-ms", "%d.%m.%Y %H:%M:%S"):
        told, _ = converted(times, time_format=form)
        assert told["utc"].to_list() == [utc("2026-11-02 18:03:11.482"), None]
        assert told["fault"].to_list() == [None, "time is missing"]


@pytest.mark.parametrize(("form", "value", "expected"), [
    ("epoch-s", "1793642591.4825", "2026-11-02 18:03:11.4825"),
    ("epoch-s", "1793642591", "2026-11-02 18:03:11"),
    ("epoch-ms", "1793642591482", "2026-11-02 18:03:11.482"),
    ("epoch-us", "1793642591482001", "2026-11-02 18:03:11.482001"),
    ("epoch-ns", "1793642591482001999", "2026-11-02 18:03:11.482001"),
    ("epoch-ms", "1.793642591482e12", "2026-11-02 18:03:11.482"),
])
def test_epochs(form, value, expected):
    frame, _ = converted([value], time_format=form)
    assert frame["utc"].to_list() == [utc(expected)]
    assert frame["fault"].to_list() == [None]


@pytest.mark.parametrize(("form", "value", "fault"), [
    ("epoch-s", "1793642591482", "not between 2000 and 2100"),
    ("epoch-ms", "1793642591", "not between 2000 and 2100"),
    ("epoch-s", "1" * 30, "cannot be read"),
    ("epoch-s", "nan", "cannot be read"),
    ("epoch-s", "soon", "cannot be read"),
    ("epoch-s", None, "missing"),
])
def test_an_epoch_in_the_wrong_unit_is_told(form, value, fault):
    frame, _ = converted([value, "0"], time_format=form)
    assert fault in frame["fault"][0]


@pytest.mark.parametrize(("form", "text", "expected"), [
    ("%d.%m.%Y %H:%M:%S,%f", "2.11.2026  18:03:11,5", "2026-11-02 18:03:11.5"),
    ("%m/%d/%y %I:%M:%S %p", "11/2/26 06:03:11 PM", "2026-11-02 18:03:11"),
    ("%I:%M %p %d %b %Y", "12:05 AM 2 Nov 2026", "2026-11-02 00:05:00"),
    ("%a %d %B %Y %H:%M:%S%z", "Mon 2 November 2026 19:03:11+0100", "2026-11-02 18:03:11"),
    ("%F %T", "2026-11-02 18:03:11", "2026-11-02 18:03:11"),
    ("[%Y.%m.%d] (%H:%M)", "[2026.11.02] (18:03)", "2026-11-02 18:03:00"),
])
def test_forms(form, text, expected):
    frame, _ = converted([text, "rubbish"], time_format=form)
    assert frame["utc"].to_list() == [utc(expected), None]
    assert lacks(form) == ""


def test_forms_that_cannot_work_are_told():
    with pytest.raises(ValueError, match="%Q is not known"):
        form_pattern("%Y %Q")
    with pytest.raises(ValueError, match="twice"):
        form_pattern("%Y %d %d")
    assert lacks("%d.%m. %I:%M") == "AM or PM (%p), the year (%Y)"


def test_local_time_over_both_clock_changes_matches_the_zone_data():
    # Every half hour of the two days, in order, written as a clock on the wall shows it.
    for day in ("2026-03-29", "2026-10-25"):
        start = utc(f"{day} 00:00:00") - timedelta(hours=3)
        moments = [start + timedelta(minutes=20 * i) for i in range(120)]
        local = [m.astimezone(LISBON.zone).strftime("%Y-%m-%d %H:%M:%S") for m in moments]
        frame, clock = converted(local, "Europe/Lisbon")
        assert frame["utc"].to_list() == moments
        assert frame["fault"].null_count() == len(local)
        assert clock.local_seen


def test_two_controllers_pass_the_doubled_hour_each_in_its_own_order():
    start = utc("2026-10-25 00:00:00")
    moments = [start + timedelta(minutes=9 * i) for i in range(30)]
    rows = [(m, c) for m in moments for c in ("a/1", "b/1")]
    # b's lines reach the file 30 minutes late.
    rows.sort(key=lambda r: r[0] + (timedelta(minutes=30) if r[1] == "b/1" else timedelta()))
    local = [m.astimezone(LISBON.zone).strftime("%Y-%m-%d %H:%M:%S") for m, _ in rows]
    frame, _ = converted(local, "Europe/Lisbon", channel=pl.Series([c for _, c in rows]))
    assert frame["utc"].to_list() == [m for m, _ in rows]


def test_the_blocks_own_zone_goes_before_the_venues():
    frame, _ = converted(["2026-11-02 18:03:11"], "Europe/Lisbon", time_zone="Asia/Tokyo")
    assert frame["utc"].to_list() == [utc("2026-11-02 09:03:11")]


def test_a_boot_number_makes_runs():
    venue = Venue(id="v", name="v", time_zone="UTC")
    for boots, runs in ((["7", "7", "9"], [7, 7, 9]), (["x", "y", "y"], [0, 1, 1])):
        clock = WallClock(venue, LogFormat(files=("x",)), "x")
        frame = clock.convert(pl.DataFrame({
            "line": [1, 2, 3], "time": ["2026-11-02T18:03:11Z"] * 3, "channel": "a/1", "value": "1",
            "boot": boots}))
        assert frame["run"].to_list() == runs
