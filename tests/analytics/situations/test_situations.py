"""A dozen of the situations with one seed each; ``python -m tests.analytics.situations``: all."""

import pytest

from tests.analytics.situations import catalogue
from tests.analytics.situations.told import SITUATIONS

PLAYED = (
    "polls_1_to_50", "polls_50_to_1_in_step", "feedback_moves_to_a_second_clock",
    "supply_softer_and_higher", "meter_of_a_rail_is_replaced", "battery_charged_every_monday",
    "locks_swapped_of_unlike_speed", "part_replaced_not_entered", "fires_twice_half_a_second_apart",
    "first_day_latch_slow", "first_day_sticks_at_times",
    "magnet_lets_go_sooner_on_a_rail_that_fell", "lost_1_percent",
    "lost_1_percent_in_bursts_of_200",
)


@pytest.mark.parametrize("name", PLAYED)
def test_told_as_it_is(name):
    assert catalogue  # It enters the situations.
    told = SITUATIONS[name](1)
    assert told.right, (told.wrong, told.missed)
