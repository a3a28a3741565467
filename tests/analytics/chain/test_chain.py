"""What only a chain can know: order of need, one life, one stock, the same model elsewhere."""

from __future__ import annotations

import json
import math
from collections import Counter

import numpy as np
import pytest

from remanence.analytics.chain import (
    Member,
    Unit,
    VenueWeek,
    chain_view,
    drift_points,
    pooled_life,
    pooled_stock,
    slow_beside_others,
)
from remanence.shared.chain_file import Depot
from tests.analytics.chain.chain_weeks import finding, lock, member, part


def worn(name: str, cycles: float, *, failed: int = 0, pace: float = 40.0) -> object:
    return lock(name, *[Unit(None, cycles, 0.0, True, False)] * failed,
                Unit(None, cycles / 2, 0.0, False, True), pace=pace)


# Order and routes


def test_venues_stand_in_the_order_of_what_needs_hands():
    members = [
        member("calm", lock("a")),
        member("busy", lock("a"), findings=[finding("week")] * 3),
        member("worst", lock("a"), findings=[finding("now")]),
        member("worse", lock("a"), findings=[finding("now"), finding("week")]),
        Member("lost", fault="no such file"),
    ]
    view = chain_view("coast", members)
    assert [m.path for m in view.members] == ["lost", "worse", "worst", "busy", "calm"]
    assert [m.path for m in view.unknown] == ["lost"]


def test_a_technician_gets_his_own_venues_and_nobody_is_left_out():
    members = [
        member("a", lock("x"), findings=[finding("now")], technician="Ana"),
        member("b", lock("x", due=0.9), findings=[finding("week"), finding("plan")],
               technician="Ana"),
        member("c", lock("x"), technician="Ana"),
        member("d", lock("x"), findings=[finding("week")]),
    ]
    routes = {route.technician: route for route in chain_view("coast", members).routes}
    ana = routes["Ana"]
    assert [stop.member.path for stop in ana.stops] == ["a", "b"]
    assert [len(stop.jobs) for stop in ana.stops] == [1, 1]
    assert ana.stops[1].parts == (("latch", 1),)
    assert [m.path for m in ana.quiet] == ["c"]
    assert [stop.member.path for stop in routes[None].stops] == ["d"]


# One life


def test_early_failures_are_seen_in_the_chain_before_any_venue_sees_them():
    weeks = [member(f"v{i}", worn("x", 4000.0, failed=int(i < 5)), *(
        worn(f"y{j}", 4000.0) for j in range(5))).week for i in range(10)]
    life = pooled_life("latch", weeks)
    assert life.fails_early
    assert life.seen_alone == 0
    assert not any(pooled_life("latch", [week]).fails_early for week in weeks)
    assert life.life.life_quantile(0.1)[2] < 100_000


def test_a_part_that_lasts_does_not_fail_early():
    weeks = [member(f"v{i}", worn("x", 300_000.0, failed=1)).week for i in range(10)]
    assert not pooled_life("latch", weeks).fails_early


def test_without_a_rating_nothing_is_said_of_early_failures():
    weeks = [member(f"v{i}", worn("x", 400.0, failed=1), parts=[part(rated=None)]).week
             for i in range(6)]
    assert pooled_life("latch", weeks).early is None


# One stock


def stock_of(members, *depots):
    lives = {"latch": pooled_life("latch", [m.week for m in members])}
    return pooled_stock(members, depots, lives)


def test_a_pool_needs_less_than_its_venues_each_for_itself():
    members = [member(f"v{i}", *(worn(f"x{j}", 60_000.0, failed=1, pace=1500.0)
                                 for j in range(3))) for i in range(12)]
    alone = sum(stock_of([m])[0].plan.level for m in members)
    assert 0 < stock_of(members)[0].plan.level < alone


def test_a_part_that_is_due_comes_from_the_depot_then_from_whom_can_spare_it():
    members = [
        member("short", lock("broken", due=0.99), lock("worn", due=0.99), lock("x", due=0.99)),
        member("rich", lock("fine"), parts=[part(in_stock=5)]),
    ]
    item, = stock_of(members, Depot("yard", stock={"latch": 2}))
    assert (item.at_depot, item.on_shelves) == (2, 5)
    assert {(sent.source, sent.from_depot): sent.count for sent in item.transfers} == {
        ("yard", True): 2, ("rich", False): 1}
    assert {sent.to for sent in item.transfers} == {"short"}
    assert item.plan.order_now == 0


@pytest.mark.parametrize("seed", range(20))
def test_no_piece_is_sent_twice_and_none_that_is_not_there(seed):
    rng = np.random.default_rng(seed)
    members = [member(f"v{i}", *(lock(f"l{j}", due=float(rng.random() > 0.7)) for j in range(4)),
                      parts=[part(in_stock=int(rng.integers(4)))]) for i in range(8)]
    held = int(rng.integers(3))
    item, = stock_of(members, Depot("yard", stock={"latch": held}))
    sent = Counter[str]()
    for each in item.transfers:
        assert each.source != each.to
        sent[each.source] += each.count
    shelves = {m.path: m.week.parts[0].in_stock for m in members} | {"yard": held}
    assert all(sent[source] <= shelves[source] for source in sent)
    # Who is sent something gives nothing away.
    assert not {each.to for each in item.transfers} & set(sent)


def test_a_depot_serves_whom_it_names():
    members = [member("north-1", lock("a"), labels=["north"]), member("south-1", lock("a"))]
    items = stock_of(members, Depot("n", serves=("north",)), Depot("s", serves=("south-1",)))
    assert {item.depot: item.on_shelves for item in items} == {"n": 0, "s": 0}
    assert [item.depot for item in stock_of(members, Depot("n", serves=("north",)))] == [None, "n"]


# The same model elsewhere


def sound(seed: int, venues: int = 6):
    rng = np.random.default_rng(seed)
    return [member(f"v{i}", *(lock(f"l{j}", latency_ms=float(60 * np.exp(0.15 * rng.normal())))
                              for j in range(5))) for i in range(venues)]


def test_a_lock_that_was_slow_from_its_first_day_is_named():
    members = [*sound(1), member("new", lock("slow", latency_ms=230.0), lock("l", latency_ms=61.0))]
    found, = slow_beside_others(members)
    assert (found.venue, found.lock, found.others, found.venues) == ("new", "slow", 30, 6)
    assert found.low_ms < found.usual_ms < found.high_ms < found.now_ms


def test_sound_locks_are_not_named():
    assert sum(len(slow_beside_others(sound(seed))) for seed in range(30)) <= 1


@pytest.mark.parametrize("slow", [
    lock("slow", latency_ms=230.0, conditions=["sticking-catch"]),
    lock("slow", latency_ms=230.0, kind="door"), lock("slow", latency_ms=None),
])
def test_what_the_report_tells_already_and_what_people_are_part_of_is_not_named(slow):
    assert slow_beside_others([*sound(1), member("new", slow)]) == []


# Kept and sent


def test_a_week_comes_back_from_json_as_it_was():
    draws = np.array([3.0, 8.5, np.inf, 1.25])
    week = member("v", lock("a", Unit(None, 5.0, 1.0, True, False), Unit(
        finding("now").since, 2.0, 0.0, False, True), drift=drift_points(draws)),
        findings=[finding("now")]).week
    assert VenueWeek.from_json(json.loads(json.dumps(week.as_json(), allow_nan=False))) == week


def test_the_points_of_a_drift_keep_its_shares():
    draws = np.concatenate([np.full(250, 4.0), np.full(750, np.inf)])
    points = drift_points(draws)
    assert sum(math.isinf(point) for point in points) / len(points) == pytest.approx(0.75, abs=0.01)
