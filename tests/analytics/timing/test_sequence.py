"""A sequence judged as a whole, against chance draws and against plain reckoning."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from remanence.analytics.timing.misses import MissRate
from remanence.analytics.timing.model import LockModel, Settings, TimingRail
from remanence.analytics.timing.sequence import judge_sequence
from remanence.shared.errors import VenueFileError
from remanence.shared.sequence import Sequence, Step
from remanence.shared.venue_file import parse_venue

NEVER = MissRate(100, 0, 0.0, 0.01)
RAIL = TimingRail("rail", 12.0, 12.0, 12.0, 12.0, 10.2)


def lock(name: str, low: float, high: float, **more: object) -> LockModel:
    """A latch whose 200 equally likely times to release lie evenly from ``low`` to ``high``."""
    points = tuple(float(value) for value in np.linspace(low, high, 200))
    return LockModel(**{
        "lock": name, "room": "", "part": None, "supply": "rail", "magnet": False,
        "slow_magnet": False, "on_way_out": False, "kind": "catch", "basis": "own",
        "points_ms": points, "miss": NEVER, "pulse_now_ms": 200.0, "sag_volts": 0.0, **more})


def judged(steps, *models, rail=RAIL, **settings):
    return judge_sequence(
        Sequence("show", "Show", tuple(steps)), {model.lock: model for model in models},
        {"rail": rail}, Settings(**settings))


def test_the_chance_that_all_is_right_agrees_with_chance_draws():
    one, two = lock("one", 20, 120), lock("two", 50, 70)
    steps = (Step(0, "one", opens_at_ms=60, within_ms=30), Step(40, cue="sound", goes_with="one"),
             Step(500, "two", opens_at_ms=565, within_ms=8))
    answer = judged(steps, one, replace(two, miss=MissRate(100, 10, 0.1, 0.2)))
    rng = np.random.default_rng(4)
    first, second = (rng.uniform(low, high, 400_000) for low, high in ((20, 120), (50, 70)))
    # A sound may come 45 ms before what is seen and 125 ms after it (Rec. ITU-R BT.1359-1).
    right = (np.abs(first - 60) <= 30) & (first >= 40 - 125) & (first <= 40 + 45)
    right &= (np.abs(500 + second - 565) <= 8) & (rng.uniform(size=second.size) < 0.9)
    assert answer.share == pytest.approx(float(right.mean()), abs=0.01)
    assert [item.share for item in answer.steps] == pytest.approx([0.6, 0.65, 0.65], abs=0.01)
    assert answer.spoiler == 0


def test_offsets_that_mend_it_bring_the_opening_to_its_time_and_the_cue_to_the_opening():
    slow = lock("slow", 200, 240)
    steps = (Step(0, "slow", opens_at_ms=500, within_ms=30), Step(900, cue="sound",
                                                                 goes_with="slow"))
    answer = judged(steps, slow)
    assert answer.share == 0.0
    assert answer.steps[0].better_ms == pytest.approx(280, abs=10)
    cue = answer.steps[1].better_ms
    # All openings, from 480 to 520 ms, lie from 125 ms before the sound to 45 ms after it.
    assert 475 <= cue <= 605
    assert answer.mended_share == 1.0


def test_a_sequence_that_is_right_is_left_alone():
    answer = judged((Step(0, "a"), Step(60, cue="sound", goes_with="a")), lock("a", 20, 24))
    assert (answer.share, answer.mended_share, answer.spoiler) == (1.0, None, None)
    assert all(item.better_ms is None for item in answer.steps)


def test_a_rail_is_followed_through_the_pulses_and_held_commands_are_staggered():
    # Two coils of 1 V sag each, alone: x = 1/11, together 12 / (1 + 2/11) = 10.15 V.
    a, b = (lock(name, 20, 24, sag_volts=1.0) for name in "ab")
    answer = judged((Step(0, "a"), Step(100, "b")), a, b)
    assert answer.rails[0].lowest_volts == pytest.approx(12 / (1 + 2 / 11))
    assert answer.rails[0].bears is False
    assert answer.rails[0].at_ms == 100
    assert answer.steps[1].better_ms == 200  # when the first one's pulse has ended
    apart = judged((Step(0, "a"), Step(200, "b")), a, b)
    assert apart.rails[0].lowest_volts == pytest.approx(11.0)
    assert apart.steps[1].better_ms is None


def test_a_cue_that_no_fixed_time_fits_is_started_from_the_feedback():
    answer = judged((Step(0, "w", within_ms=1000), Step(300, cue="light", goes_with="w")),
                    lock("w", 20, 1500))
    assert answer.steps[1].feedback


def test_nothing_is_claimed_of_a_lock_whose_release_nothing_shows():
    answer = judged((Step(0, "a"), Step(10, "dark")), lock("a", 20, 24),
                    lock("dark", 1, 2, points_ms=(), obstacle="unobserved"))
    assert answer.share is None
    assert answer.unknown == ("dark",)


GOOD = """
[[sequence]]
id = "show"
[[sequence.step]]
lock = "LOCK"
offset_ms = 0
[[sequence.step]]
cue = "sound"
offset_ms = -20
"""


def with_sequence(harbour_text, text):
    ids = [lock.id for lock in parse_venue(harbour_text).locks]
    return harbour_text + text.replace("LOCK", ids[0])


def test_the_venue_file_holds_sequences_and_a_cue_goes_with_the_lock_before_it(harbour_text):
    venue = parse_venue(with_sequence(harbour_text, GOOD))
    assert [(step.lock, step.cue, step.offset_ms, step.goes_with)
            for step in venue.sequences[0].steps] == [
        (venue.locks[0].id, None, 0.0, None), (None, "sound", -20.0, venue.locks[0].id)]
    assert venue.sequences[0].name == "show"


@pytest.mark.parametrize(("change", "key", "right"), [
    (('lock = "LOCK"', 'lock = "LOKC"'), "lock", "known lock ids"),
    (('lock = "LOCK"\n', ""), "lock", "one of the two"),
    (('cue = "sound"', 'cue = "smoke"'), "cue", 'use "sound" or "light"'),
    (("offset_ms = -20", "offset = -20"), "offset", "did you mean offset_ms?"),
    (("offset_ms = -20", "offset_ms = -20\nwithin_ms = 3"), "within_ms", "take it out"),
    (("offset_ms = -20", 'offset_ms = -20\ngoes_with = "nobody"'), "goes_with", "known lock ids"),
    (('cue = "sound"', 'lock = "LOCK"'), "lock", "each lock one step"),
    (('id = "show"\n', ""), "id", "add it"),
])
def test_check_names_what_is_wrong_with_its_line(harbour_text, change, key, right):
    text = with_sequence(harbour_text, GOOD.replace(*change))
    with pytest.raises(VenueFileError) as caught:
        parse_venue(text)
    problems = [item for item in caught.value.problems if item.key == key]
    assert problems, caught.value
    assert right in problems[0].right or right in str(caught.value)
    assert problems[0].line > harbour_text.count("\n")
