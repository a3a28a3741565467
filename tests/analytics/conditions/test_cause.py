"""A name by all columns of a lock: a story that its own columns contradict loses."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest

from remanence.analytics.conditions.calibration import MISLEADS, OF_CONDITION, misleads
from remanence.analytics.conditions.cause import (
    STORIES,
    Expected,
    bounded,
    posterior,
    ratio,
    ratios,
    rivals,
    total,
)
from remanence.analytics.conditions.columns import Column, columns, on_scale, share
from remanence.analytics.conditions.condition import catalogue
from remanence.analytics.conditions.diagnosis import diagnose, resolve
from tests.analytics.conditions.test_diagnosis import said
from tests.analytics.physics.latency_rows import actuations, history_at, lock
from tests.analytics.situations.small_venue import life_of, sound
from tests.campaign.scenario import Fault

SINCE = 58


def told(condition, **shown):
    return posterior(condition, 0.99, total(ratios(condition, shown)))


def exactly(value):
    return Column(value, 0.01)


def test_every_story_and_number_is_of_a_condition():
    assert set(STORIES) | set(OF_CONDITION) <= set(catalogue())


@pytest.mark.parametrize(("count", "total"), [(0, 4), (3, 10), (7, 7), (40, 90)])
def test_a_share_lies_on_its_scale_with_the_error_of_its_number(count, total):
    column = share(count, total)
    assert abs(column.value - on_scale(count / total)) < 3 * column.error
    assert 0.7 / np.sqrt(total) < column.error <= 1 / np.sqrt(total)


def test_what_a_column_says_grows_with_the_readings_behind_it():
    slower = Expected(0.3, 0.2)
    few, many = (ratio("latency", Column(0.3, error), slower) for error in (0.3, 0.02))
    assert 0 < few < many
    sooner = [ratio("latency", Column(-0.3, error), slower) for error in (0.3, 0.1, 0.02)]
    assert sooner == sorted(sooner, reverse=True)
    assert sooner[-1] < -2


def test_a_joint_of_some_ohms_is_no_catch_that_sticks():
    """It is slower, as a catch that sticks is, and draws less, which none does."""
    slower = {"latency": exactly(0.3), "bounces": exactly(0.0)}
    assert told("sticking-catch", **slower, draw=exactly(0.0)) > 0.7
    assert told("sticking-catch", **slower, draw=exactly(-0.29)) < 0.1


def test_a_coil_whose_load_was_over_was_not_on_for_hours():
    """The log has it on for 12,600 s; its sag lasted 303 ms: the line of its end is missing."""
    assert told("over-long-energising", loaded=share(0, 3)) < 0.65 < 0.9 < told(
        "over-long-energising", loaded=share(3, 3))
    assert told("over-long-energising", loaded=share(1, 1)) < told(
        "over-long-energising", loaded=share(6, 6))
    assert told("over-long-energising", loaded=share(6, 6)) > 0.9


def test_a_lock_that_nobody_saw_to_did_open():
    """Lost answers look like failures, and nobody tries again."""
    failed = {"unanswered": share(12, 90), "empty": share(0, 12)}
    assert told("no-release", **failed, seen_to=share(12, 12)) > 0.75
    assert told("no-release", **failed, seen_to=share(0, 12)) < 0.15


def test_who_sees_to_a_lock_without_a_contact_leaves_no_line():
    venue = [lock("latch-0", self_cut=True, contact=None), lock("latch-1")]
    rows = actuations(venue, weeks=10, seed=3, no_release=0.1)
    history = history_at(venue, rows, 9)
    shown = [columns(history, item, history.week.monday - timedelta(days=20)) for item in venue]
    assert ["seen_to" in one for one in shown] == [False, True]


def test_nothing_is_surer_than_its_judge():
    assert posterior("crossed-channels", 0.97) == 0.97
    assert posterior("no-release", 0.5, 6.0) < 0.5
    assert posterior("low-supply", 0.9, of_lock=False) < 0.9


@pytest.mark.parametrize("misled", [0.02, 0.1, 0.3])
def test_a_column_says_no_more_than_how_seldom_it_misleads(misled):
    """Twenty to one is all that a column can say that is wrong once in twenty times."""
    most = np.log((1 - misled) / misled)
    said = [bounded(value, misled) for value in (-1e6, -3.0, -0.1, 0.0, 0.1, 3.0, 1e6)]
    assert said == sorted(said)
    assert said[0] == pytest.approx(-most)
    assert said[-1] == pytest.approx(most)
    assert bounded(1.0, misled) == pytest.approx(-bounded(-1.0, misled))
    assert abs(bounded(0.5, misled)) < 0.5


def test_the_bound_is_that_of_two_stories_each_with_a_share_of_the_other():
    """The mixture written out, of a reading at which either story has a density."""
    story, other, misled = 0.03, 0.4, 0.08
    mixed = ((1 - misled) * story + misled * other) / ((1 - misled) * other + misled * story)
    assert bounded(np.log(story / other), misled) == pytest.approx(np.log(mixed))


def test_one_column_does_not_overturn_all_others():
    """Shorted turns draw more; that its release moved too does not make it another coil."""
    draws = {"draw": exactly(0.2), "spike": exactly(0.0), "bounces": exactly(0.0)}
    alone = told("coil-current-high", **draws)
    disturbed = told("coil-current-high", **draws, latency=exactly(-0.5))
    assert alone > 0.5
    assert disturbed > alone * misleads("latency")


def test_every_column_misleads_at_times_and_less_than_half_of_them():
    assert all(0.0 < value < 0.5 for value in MISLEADS.values())


def test_a_rival_that_fits_as_well_takes_its_share():
    known = posterior("sticking-catch", 0.99, 3.0)
    beside = posterior("sticking-catch", 0.99, 3.0, [3.0])
    assert posterior("sticking-catch", 0.99, 3.0, [6.0]) < beside < known


def test_the_rivals_of_a_story_are_the_others_that_its_mechanism_can_have():
    magnet = life_of(sound(3).scenario, "magnet-0").lock
    names = {name for name in STORIES if "magnet" in catalogue()[name].mechanisms}
    effects = set(catalogue()["slow-drop"].explains) | {"slow-drop"}
    assert len(rivals("slow-drop", magnet, {})) == len(names - effects)


@pytest.fixture(scope="module")
def joint():
    """A small venue in whose latch-1 a joint goes bad, and whose latch-4 begins to stick."""
    def shape(scenario):
        scenario.faults.append(Fault("latch-1", "lock", "coil-current-high", SINCE, "step", 0.72))
        for name in ("latch-1", "latch-4"):
            life = life_of(scenario, name)
            life.wander = life.wander + 0.35 * (np.arange(scenario.days) >= SINCE)

    return next(history for _, history in sound(4, weeks=11, shape=shape).histories((10,)))


def test_the_columns_of_a_played_lock(joint):
    lock = joint.venue.locks_by_id["latch-1"]
    begun = date.fromordinal(joint.week.monday.toordinal() - 70 + SINCE)
    shown = columns(joint, lock, begun)
    assert shown["draw"].value == pytest.approx(np.log(0.72), abs=0.06)
    assert shown["latency"].value == pytest.approx(0.35, abs=0.08)
    assert shown["unanswered"].value < on_scale(0.05)
    other = columns(joint, joint.venue.locks_by_id["latch-2"], begun)
    assert abs(other["draw"].value) < 0.02
    assert abs(other["latency"].value) < 0.06


def test_a_played_joint_is_told_by_its_name(joint):
    """Its sag fell: a catch that sticks draws what it drew."""
    [found] = [item for item in diagnose(joint) if item.subject == "latch-1"]
    assert found.condition == "coil-current-low"
    assert found.extra["effect_score"] > 0.95
    assert found.urgency in ("week", "plan")
    assert found.extra["accounts_for"] == ["sticking-catch"]


def test_a_story_that_its_columns_contradict_explains_nothing(joint):
    """A contact that moves at each command is not stuck, however sure a judge might be."""
    begun = date.fromordinal(joint.week.monday.toordinal() - 70 + SINCE)
    names = ("contact-stuck", "sticking-catch")
    assert names[1] in catalogue()[names[0]].explains
    found = resolve([said("latch-4", name, since=begun) for name in names], joint)
    assert [(item.subject, item.condition) for item in found] == [("latch-4", names[1])]
    assert found[0].score > 0.7
