"""Needs and orders: certain and uncertain demand together, nothing counted twice."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from remanence.analytics.history import History
from remanence.analytics.parts.forecasts import calibration, forecasts_of
from remanence.analytics.parts.orders import HORIZONS, READS, plan_orders
from remanence.shared.findings import Finding
from remanence.shared.tables import ACTUATIONS, FORECASTS, SERVICE
from remanence.shared.venue_file import parse_venue
from remanence.shared.weeks import Week
from tests.forecasts.worlds import by_friction

LOCKS = 6
WEEK = Week.parse("2026-W40")


def venue_text(rated: int | None = None, in_stock: int = 0) -> str:
    head = f"""
[venue]
id = "mill"
time_zone = "UTC"
[[supply]]
id = "rail"
channel = "rail"
rated_volts = 12
[[part]]
id = "catch"
description = "=Spring catch"
unit_cost = 20.0
lead_time_days = 21
in_stock = {in_stock}
{f"rated_cycles = {rated}" if rated else ""}
"""
    locks = "".join(f"""
[[lock]]
id = "d{i}"
room = "Mill"
guards = "container"
mechanism = "latch"
supply = "rail"
command = "c/q{i}"
contact = "c/i{i}"
contact_closed_when = "locked"
coil_ohms = 10
max_on_ms = 2000
part = "catch"
installed = 2026-01-01
""" for i in range(LOCKS))
    return head + locks


def history(
    text: str, worn: dict[int, float] | None = None, service: pl.DataFrame | None = None,
    weeks: int = 30, seed: int = 1,
) -> History:
    """Thirty weeks of twenty releases a week at 40 ms; ``worn`` gives margin used per week.

    Latency goes by the printed table of friction, not by the program's own curve.
    """
    rng = np.random.default_rng(seed)
    end = WEEK.bounds(parse_venue(text).zone)[1]
    rows = []
    for lock in range(LOCKS):
        for week in range(weeks):
            used = max(0.0, (worn or {}).get(lock, 0.0) * (week - weeks + 14))
            typical = 40 * float(np.exp(by_friction(min(used, 0.93))))
            for i in range(20):
                at = end - timedelta(weeks=weeks - week) + timedelta(hours=8 * i + 1, minutes=lock)
                latency = float(typical * np.exp(0.08 * rng.standard_normal()))
                rows.append((f"d{lock}", at, 400.0, "released", latency, "catch", 1.0, 1))
    names = ("lock", "command_time", "pulse_ms", "outcome", "latency_ms", "latency_from",
             "resolution_ms", "attempt")
    schema = {name: ACTUATIONS.schema[name] for name in names}
    frame = pl.DataFrame(rows, schema=schema, orient="row").with_columns(waited_ms="latency_ms")
    frames = {"actuations": frame}
    if service is not None:
        frames["service"] = service
    return History.of(parse_venue(text), WEEK, **frames)


def test_healthy_locks_need_nothing_and_no_date_is_made_up():
    orders = plan_orders(history(venue_text(rated=100_000)))
    assert {need.wear.sign for need in orders.needs} == {"no sign of wear"}
    assert orders.parts[0].order_now == 0
    assert all(need.chances[13] < 0.02 for need in orders.needs)
    # Twenty a week and fitted on 1 January: about 200 cycles before the log, 600 in it.
    assert orders.needs[0].cycles == pytest.approx(20 * 39, rel=0.05)
    assert orders.games_per_week == pytest.approx(20)


def test_a_worn_lock_is_dated_and_ordered_once():
    orders = plan_orders(history(venue_text(), worn={2: 0.055}))
    need = orders.needs[2]
    assert need.wear.sign == "wearing"
    low, high = need.wear.interval(0.9)
    # Margin used: 13 weeks at 0.055 = 0.715; the table is five times slower at 0.898.
    assert low < 3.3 < high
    assert need.chances[26] > 0.9
    order = orders.parts[0]
    assert order.order_now == 1
    assert order.cost_now == 20.0
    assert {n.wear.sign for n in orders.needs if n.lock != "d2"} == {"no sign of wear"}


def test_what_is_failing_counts_as_certain_as_its_score():
    finding = Finding("d4", "lock", "coil-open", "now", 0.99)
    text = venue_text(in_stock=1)
    assert plan_orders(history(text), [finding]).parts[0].order_now == 0
    orders = plan_orders(history(text, worn={2: 0.055}), [finding])
    assert orders.needs[4].failing == "coil-open"
    # (of 8,000 drawn futures, to within four standard errors)
    assert orders.needs[4].chances[4] == pytest.approx(0.99, abs=4 * (0.99 * 0.01 / 8000) ** 0.5)
    assert orders.parts[0].stock_level == 2
    assert orders.parts[0].order_now == 1


def test_more_stock_never_orders_more():
    orders = [plan_orders(history(venue_text(in_stock=n), worn={2: 0.055})).parts[0].order_now
              for n in range(3)]
    assert orders == sorted(orders, reverse=True)
    assert orders[-1] == 0


def test_a_replacement_ends_a_life_and_begins_one():
    service = service_log((date(2026, 7, 1), "d1", "catch"))
    order = plan_orders(history(venue_text(), service=service)).parts[0]
    assert order.lives.failures == 1
    assert order.lives.units == LOCKS + 1


def test_with_no_failure_and_no_rating_a_bound_is_told_and_the_rest_is_an_assumption():
    order = plan_orders(history(venue_text())).parts[0]
    assert order.life.basis == "family assumption and your data"
    assert 0 < order.needs[0].chances[52] < 0.02
    assert order.zero_failure_b10 is not None
    # Six units of about 780 cycles, of which 185 before the log: scale from exposure / 2.996.
    exposure = sum(c**2 - e**2 for c, e in zip(order.lives.cycles, order.lives.entry, strict=True))
    assert order.zero_failure_b10 == pytest.approx(
        (exposure / 2.99573) ** 0.5 * (-np.log(0.9)) ** 0.5, rel=1e-3)


def test_no_locks_in_the_log_at_all():
    empty = History.of(parse_venue(venue_text()), WEEK)
    orders = plan_orders(empty)
    assert {need.wear.sign for need in orders.needs} == {"not enough data"}
    assert orders.parts[0].order_now == 0


def test_forecasts_are_held_against_what_came():
    orders = plan_orders(history(venue_text(), worn={2: 0.055}))
    made = forecasts_of(orders)
    assert made.height == LOCKS * len(HORIZONS)
    replaced = orders.today + timedelta(days=20)
    ends = pl.DataFrame({"lock": ["d2"], "date": [replaced], "part": ["catch"],
                         "planned": [False]})
    assert calibration(made, ends, orders.today + timedelta(days=27)) == []
    judged = calibration(made, ends, orders.today + timedelta(weeks=4))
    assert sum(item.forecasts for item in judged) == LOCKS
    assert sum(item.came_true for item in judged) == 1
    assert {item.weeks for item in judged} == {4}
    assert calibration(FORECASTS.empty(), ends, orders.today) == []
    # Exchanged in time with all others: whether it would have failed nobody knows.
    planned = ends.with_columns(planned=pl.lit(True))
    judged = calibration(made, planned, orders.today + timedelta(weeks=4))
    assert sum(item.forecasts for item in judged) == LOCKS - 1
    assert sum(item.came_true for item in judged) == 0


def test_time_of_day_and_row_order_do_not_matter():
    past = history(venue_text(), worn={2: 0.055})
    shuffled = History.of(past.venue, past.week,
                          actuations=past.actuations.sample(fraction=1, shuffle=True, seed=3))
    a, b = plan_orders(past), plan_orders(shuffled)
    assert [n.chances for n in a.needs] == [n.chances for n in b.needs]


def test_the_columns_that_orders_rest_on_are_all_they_look_at():
    past = history(venue_text(), worn={2: 0.055})
    bare = History.of(past.venue, past.week, service=past.service,
                      actuations=past.actuations.select(READS))
    whole, few = plan_orders(past), plan_orders(bare)
    assert [(n.cycles, n.chances, n.wear.sign, n.wear.limit_ms) for n in whole.needs] == [
        (n.cycles, n.chances, n.wear.sign, n.wear.limit_ms) for n in few.needs]
    assert any(n.wear.weeks.size for n in whole.needs)


def test_unanswered_commands_that_grow_more_are_a_life_that_ends():
    past = history(venue_text(), seed=4)
    rng = np.random.default_rng(9)
    age = (past.end - pl.col("command_time")).dt.total_days() / 7
    # Nothing until ten weeks ago, then the share of unanswered commands grows by 1.5 points a week.
    share = ((10 - age).clip(0, 10) * 0.015) * (pl.col("lock") == "d3")
    missed = past.actuations.select(
        share > pl.Series(rng.random(past.actuations.height))).to_series()
    rows = past.actuations.with_columns(missed=missed).with_columns(
        outcome=pl.when("missed").then(pl.lit("no-release")).otherwise("outcome"),
        latency_ms=pl.when("missed").then(None).otherwise("latency_ms"),
        waited_ms=pl.when("missed").then(1400.0).otherwise("waited_ms"))
    needs = {n.lock: n for n in plan_orders(
        History.of(past.venue, past.week, actuations=rows)).needs}
    assert needs["d3"].wear.sign == "at its limit"
    assert needs["d3"].wear.limit_from == "no-release"
    assert {n.wear.sign for name, n in needs.items() if name != "d3"} == {"no sign of wear"}


def service_log(*entries: tuple[date, str, str | None]) -> pl.DataFrame:
    rows = [{"date": day, "lock": lock, "action": "replaced", "part": part}
            for day, lock, part in entries]
    return SERVICE.conform(pl.DataFrame(rows, schema_overrides={"part": pl.String}))


def test_all_locks_of_a_part_exchanged_on_one_day_did_not_all_fail():
    day = date(2026, 7, 1)
    together = service_log(*((day, f"d{i}", "catch") for i in range(LOCKS)))
    orders = plan_orders(history(venue_text(), service=together))
    lives = orders.parts[0].lives
    assert lives.failures == 0
    assert lives.units == 2 * LOCKS
    assert orders.planned_exchanges == (("catch", day),)
    # Two on one day are two that failed; one after the other, all did.
    for few in (together.head(2), service_log(*((day + timedelta(days=i), f"d{i}", "catch")
                                                for i in range(LOCKS)))):
        part = plan_orders(history(venue_text(), service=few)).parts[0]
        assert part.lives.failures == few.height


def test_another_part_of_the_lock_leaves_its_own_in_service():
    text = venue_text() + '[[part]]\nid = "switch"\n'
    order = plan_orders(history(text, service=service_log((date(2026, 7, 1), "d1", "switch"))))
    assert order.parts[0].lives.failures == 0
    assert order.needs[1].cycles == order.needs[0].cycles
    unnamed = plan_orders(history(text, service=service_log((date(2026, 7, 1), "d1", None))))
    assert unnamed.parts[0].lives.failures == 1


def test_a_lock_that_eats_parts_is_expected_to_go_on():
    # Five new ones in thirty weeks: the others have none, and need not.
    eaten = service_log(*((date(2026, 4, 1) + timedelta(days=35 * i), "d1", "catch")
                          for i in range(5)))
    part = plan_orders(history(venue_text(), service=eaten)).parts[0]
    assert part.lives.failures == 5
    assert part.life.basis == "your data"
    # All six places may renew several times in a year: more than one a place can be told.
    assert part.year.interval(0.9)[1] > LOCKS
    assert part.stock_level >= 1


def test_the_need_of_a_year_is_as_uncertain_as_the_life():
    # Locks share one unknown life: their needs are large together or small together, so that the
    # sum scatters more than that of independent trials with the same chances.
    part = plan_orders(history(venue_text(rated=2_000))).parts[0]
    share, counts = part.year.probability, np.arange(part.year.probability.size)
    variance = float(share @ counts**2) - part.year.mean**2
    alone = sum(need.chances[52] * (1 - need.chances[52]) for need in part.needs)
    assert variance > 1.5 * alone


def test_four_weeks_of_log_give_no_date_but_an_order():
    orders = plan_orders(history(venue_text(), weeks=4))
    assert {need.wear.sign for need in orders.needs} == {"not enough data"}
    assert orders.weeks_seen == 4
    assert orders.games_per_week == pytest.approx(20)
    assert orders.parts[0].order_now == 0


@pytest.mark.parametrize(("finding", "sign"), [
    (Finding("d2", "lock", "sticking-catch", "week", 0.98), "wearing"),
    (Finding("d2", "lock", "loaded-catch", "week", 0.98), "explained"),
    (Finding("rail", "supply", "supply-sag", "plan", 0.98), "explained"),
    (Finding("d2", "lock", "loaded-catch", "watch", 0.6), "wearing"),
    (Finding("d1", "lock", "loaded-catch", "week", 0.98), "wearing"),
])
def test_drift_that_a_finding_explains_is_no_ground_for_a_part(finding, sign):
    need = plan_orders(history(venue_text(), worn={2: 0.055}), [finding]).needs[2]
    assert need.wear.sign == sign
    assert (need.chances[26] > 0.9) == (sign == "wearing")


def test_wear_that_a_finding_names_stands_beside_a_rail_that_sags():
    found = [Finding("d2", "lock", "sticking-catch", "week", 0.98),
             Finding("rail", "supply", "supply-sag", "plan", 0.98)]
    need = plan_orders(history(venue_text(), worn={2: 0.055}), found).needs[2]
    assert (need.wear.sign, need.cause) == ("wearing", "sticking-catch")
