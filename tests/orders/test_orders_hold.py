"""A few of the venues of ``python -m tests.orders``; the whole is run by hand."""

import numpy as np
import pytest

from remanence.analytics.parts.demand import Demand
from tests.orders.judge import JudgedOrders, exact_out, judge_orders
from tests.orders.worlds import ORDER_WORLDS, play_venue

WORLD = {world.name: world for world in ORDER_WORLDS}


@pytest.fixture(scope="module")
def judged() -> dict[str, JudgedOrders]:
    return {name: judge_orders(WORLD[name], 6, 600)
            for name in ("wear only", "wear and age", "replaced on advice")}


def test_wear_and_age_are_counted_once(judged):
    # Counted twice, the need of the lead time was 1.8, 1.7 and 1.2 times what came.
    every = JudgedOrders.together("all", list(judged.values()))
    assert abs(every.ratio("lead") - 1) < 3 * every.ratio_error("lead") + 0.1
    assert abs(every.ratio("year") - 1) < 3 * every.ratio_error("year") + 0.1


def test_stock_is_not_held_for_what_does_not_come(judged):
    every = JudgedOrders.together("all", list(judged.values()))
    assert abs(every.out.mean() - every.stated_out.mean()) < 3 * every.error("out") + 0.02


def test_the_rule_for_whole_pieces_gives_what_was_asked_for():
    # A need of which all is known: 0, 1 or 2 with 0.6, 0.3 and 0.1.
    need = Demand(np.array([0.6, 0.3, 0.1]))
    drawn = np.repeat([0, 1, 2], [600, 300, 100])
    assert exact_out(need, 0.95, drawn) == pytest.approx(0.05)
    assert exact_out(need, 0.9, drawn) == pytest.approx(0.1)


def test_a_venue_is_the_same_each_time_and_its_ends_are_in_its_log():
    first, second = (play_venue(WORLD["wear, age and advice"], 3, futures=5) for _ in range(2))
    assert first.history.actuations.equals(second.history.actuations)
    assert first.lead.tolist() == second.lead.tolist()
    replaced = first.history.service.filter(first.history.service["action"] == "replaced").height
    assert 0 < sum(first.ends.values()) <= replaced
    assert all(first.ends.values())
