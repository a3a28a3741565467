from dataclasses import replace

import pytest

from remanence.analytics.conditions.fitting import fitting_notes, unsafe_fittings
from remanence.shared.venue import Lock, Supply, Venue
from tests.analytics.conditions.said import ids, values

RAIL = Supply(id="rail", rated_volts=12.0, channel="rail", rated_amps=15.0)
LATCH = Lock(id="latch", guards="container", mechanism="latch", released_by="power-on",
             supply="rail", command="a/q1", contact="a/i1", contact_closed_when="locked",
             rated_volts=12.0, coil_ohms=10.0, max_on_ms=500.0, duty_percent=10.0)
MAGNET = Lock(id="magnet", guards="doorway", mechanism="magnet", released_by="power-off",
              supply="rail", command="a/q2", contact="a/i2", contact_closed_when="locked",
              contact_senses="armature", rated_volts=12.0, rated_amps=0.5)


def venue(*locks, supply=RAIL):
    return Venue(id="v", name="v", time_zone="UTC", supplies=(supply,), locks=locks)


def only(*locks, supply=RAIL):
    found = unsafe_fittings(venue(*locks, supply=supply))
    assert len(found) == 1
    assert found[0].condition == "unsafe-fitting"
    return found[0]


def test_a_venue_as_it_should_be_has_nothing_unsafe_in_it():
    assert unsafe_fittings(venue(LATCH, MAGNET)) == []
    assert fitting_notes(venue(LATCH, MAGNET)) == []


@pytest.mark.parametrize("mechanism", ["latch", "bolt", "strike", "magnet"])
def test_a_fail_secure_lock_on_a_doorway_comes_before_all(mechanism):
    held_hot = replace(MAGNET, id="hot", duty_percent=50.0)
    secure = replace(LATCH, id="secure", guards="doorway", mechanism=mechanism)
    found = unsafe_fittings(venue(held_hot, MAGNET, secure))
    assert [(f.subject, f.urgency) for f in found] == [("secure", "now"), ("hot", "week")]
    assert "can-hold-people" in ids(found[0])
    assert found[0].extra["reasons"][0] == "way_out"


def test_a_fail_safe_bolt_on_a_doorway_is_no_fault():
    assert unsafe_fittings(venue(replace(LATCH, guards="doorway", released_by="power-off",
                                         max_on_ms=None, duty_percent=None))) == []


@pytest.mark.parametrize(("lock", "urgency"), [(MAGNET, "now"), (LATCH, "week")])
def test_a_coil_on_twice_its_volts_takes_four_times_its_power(lock, urgency):
    found = only(lock, supply=replace(RAIL, rated_volts=24.0))
    assert found.urgency == urgency
    assert values(found)["times"].value == 4.0
    assert found.evidence[0].now == pytest.approx(200.0)


def test_ten_percent_over_is_borne():
    assert unsafe_fittings(venue(MAGNET, supply=replace(RAIL, rated_volts=13.2))) == []
    assert only(MAGNET, supply=replace(RAIL, rated_volts=13.8)).urgency == "week"


def test_a_magnet_on_half_its_volts_holds_weakly_a_latch_is_left_to_the_log():
    assert only(replace(MAGNET, rated_volts=24.0)).urgency == "plan"
    assert unsafe_fittings(venue(replace(LATCH, rated_volts=24.0))) == []


@pytest.mark.parametrize("rating", [{"max_on_ms": 2000.0}, {"duty_percent": 25.0}])
def test_a_held_coil_that_is_not_made_for_it(rating):
    assert only(replace(MAGNET, **rating)).urgency == "week"
    assert unsafe_fittings(venue(replace(MAGNET, duty_percent=100.0))) == []


def test_more_held_current_than_the_supply_gives_is_said_once():
    magnets = [replace(MAGNET, id=f"m{i}", rated_amps=0.5 + 0.01 * i) for i in range(8)]
    weak = replace(RAIL, rated_amps=4.0)
    found = only(*magnets, supply=weak)
    assert (found.subject, found.urgency) == ("m7", "plan")
    assert found.evidence[0].now == pytest.approx(4.28)
    assert unsafe_fittings(venue(*magnets, supply=replace(RAIL, rated_amps=4.3))) == []
    assert unsafe_fittings(venue(*magnets, supply=replace(RAIL, rated_amps=None))) == []


def test_pulsed_coils_do_not_count_towards_what_is_held():
    latches = [replace(LATCH, id=f"l{i}") for i in range(8)]
    assert unsafe_fittings(venue(*latches, supply=replace(RAIL, rated_amps=4.0))) == []


def test_a_doorway_on_a_battery_is_a_caution():
    battery = replace(RAIL, source="battery")
    assert only(MAGNET, supply=battery).urgency == "watch"
    assert unsafe_fittings(venue(replace(MAGNET, guards="container"), supply=battery)) == []


def test_one_finding_holds_all_that_is_wrong_with_a_lock():
    found = only(replace(LATCH, guards="doorway"), supply=replace(RAIL, rated_volts=24.0))
    assert found.urgency == "now"
    assert {"can-hold-people", "coil-overvolts"} <= ids(found)


def test_notes_are_no_findings():
    unrated = replace(LATCH, max_on_ms=None, duty_percent=None, line=12)
    silent = replace(MAGNET, contact=None)
    assert unsafe_fittings(venue(unrated, silent)) == []
    notes = fitting_notes(venue(unrated, silent))
    assert [(note.lock, note.line) for note in notes] == [("latch", 12), ("magnet", 0)]
