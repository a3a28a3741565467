"""The owner's sheet as a page and as a spreadsheet."""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import openpyxl
import pytest

from remanence.analytics.history import History
from remanence.analytics.parts.demand import Demand
from remanence.analytics.parts.orders import plan_orders
from remanence.dashboards.page import language
from remanence.dashboards.parts_order import order_text
from remanence.dashboards.parts_sheet import reason, render_parts
from remanence.dashboards.parts_workbook import parts_workbook
from remanence.shared.findings import Finding
from remanence.shared.venue import Part
from remanence.shared.venue_file import parse_venue
from tests.analytics.parts.test_orders import WEEK, history, service_log, venue_text

MADE = datetime(2026, 10, 5, 6, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def orders():
    return plan_orders(history(venue_text(), worn={2: 0.055}))


def test_the_sheet_says_what_to_order_and_why(orders):
    page = render_parts(orders, "The <b>Mill</b>")["index.html"].decode()
    assert "Order now" in page
    assert "1 × catch" in page
    assert "before a delivery could arrive one may be needed for d2 (" in page
    assert "d0 (" not in page  # the healthy ones are not named
    assert "The &lt;b&gt;Mill&lt;/b&gt;" in page
    assert "0 of 6" in page  # lives that ended
    assert "9 in 10 are taken to last 100,000 cycles, give or take a factor of 10" in page
    assert "games from now" in page
    assert "://" not in page.replace("http://www.w3.org", "")


def test_the_same_numbers_give_the_same_bytes(orders):
    assert render_parts(orders, "Mill") == render_parts(orders, "Mill")
    assert parts_workbook(orders, MADE) == parts_workbook(orders, MADE)


def test_the_other_language_is_whole(orders):
    page = render_parts(orders, "Mühle", code="de")["index.html"].decode()
    assert "Jetzt bestellen" in page
    assert "parts." not in page.split("<main")[1].replace("parts.csv", "")


def test_the_spreadsheet_opens_as_a_person_wants_it(orders):
    book = openpyxl.load_workbook(io.BytesIO(parts_workbook(orders, MADE)))
    assert book.sheetnames == ["Order", "Locks", "Assumptions"]
    sheet = book["Order"]
    assert sheet.freeze_panes == "B2"
    assert sheet["B2"].value == "=Spring catch"
    assert sheet["B2"].data_type == "s"  # text that begins like a formula stays text
    assert sheet["K2"].value == '=IF(J2="","",H2*J2)'
    assert sheet["K3"].value == "=SUM(K2:K2)"
    assert sheet["I2"].is_date
    assert sheet["H2"].value == 1
    assert sheet.column_dimensions["P"].width > 40
    locks = book["Locks"]
    assert locks.max_row == 7
    assert locks["J4"].is_date  # d2 is the worn one
    assert locks["J2"].value is None
    assert locks["N4"].data_type == "n"  # games left
    assert locks["N2"].value is None
    assert book["Assumptions"]["B2"].is_date
    values = openpyxl.load_workbook(io.BytesIO(parts_workbook(orders, MADE)), data_only=True)
    assert values["Order"]["K3"].value == 20.0


def test_the_budget_adds_up(orders):
    mean, low, high = orders.budget()
    assert mean == pytest.approx(20 * round(orders.parts[0].year.mean, 1))
    # One lock will surely need one; that one of six wore out so soon says that another may follow.
    # Whole parts, whole prices.
    assert (low, high) == (20.0, 40.0)


def test_a_part_without_a_price_is_not_in_the_total(orders):
    bare = replace(orders.parts[0], part=Part("catch", in_stock=0))
    page = render_parts(replace(orders, parts=(bare,)), "Mill")["index.html"].decode()
    assert "No prices are given, so there is no total." in page
    assert "EUR" not in page.split("<main")[1]  # what it costs is not known, not nothing
    both = replace(orders, parts=(bare, orders.parts[0]))
    page = render_parts(both, "Mill")["index.html"].decode()
    assert "1 without a price is not in the total." in page


def test_a_venue_that_names_no_parts_is_told_so():
    before, part = venue_text().split("[[part]]")
    text = before + part[part.index("[[lock]]"):].replace('part = "catch"\n', "")
    orders = plan_orders(history(text, worn={2: 0.055}))
    assert not orders.parts
    page = render_parts(orders, "Mill")["index.html"].decode()
    assert "No parts are named" in page
    assert "What lies on the shelf" not in page
    rows = page.split("<tr")
    assert "%" in next(row for row in rows if ">d2<" in row and "no part named" in row)
    assert "%" not in next(row for row in rows if ">d3<" in row)
    assert openpyxl.load_workbook(io.BytesIO(parts_workbook(orders, MADE)))["Locks"].max_row == 7


def test_a_lock_that_eats_parts_is_pointed_out():
    eaten = service_log(*((date(2026, 4, 1) + timedelta(days=35 * i), "d1", "catch")
                          for i in range(5)))
    order = plan_orders(history(venue_text(), service=eaten)).parts[0]
    assert "d1 alone used up 5 of the 5 replaced so far" in reason(order, language("en"))


def test_a_lock_that_was_never_commanded_is_given_no_chance():
    empty = plan_orders(History.of(parse_venue(venue_text()), WEEK))
    page = render_parts(empty, "Mill")["index.html"].decode()
    assert "%" not in next(row for row in page.split("<tr") if ">d3<" in row)
    assert "games a week" not in page


def test_need_cost_and_range_agree(orders):
    """A need of 0.97 is stated as 1.0, and 1.0 x 20.00 costs 20."""
    near_one = np.array([0.03, 0.97])
    order = replace(orders.parts[0], year=Demand(near_one))
    assert (order.year.mean, order.year_need, order.year_cost) == (0.97, 1.0, 20.0)
    both = replace(orders, parts=(order,))
    assert both.budget() == (20.0, 20.0, 20.0)
    page = render_parts(both, "Mill")["index.html"].decode()
    assert ">1.0</td><td class=\"num\">1</td><td class=\"num\">20\N{NO-BREAK SPACE}EUR</td>" in page
    values = openpyxl.load_workbook(io.BytesIO(parts_workbook(both, MADE)), data_only=True)
    assert (values["Order"]["L2"].value, values["Order"]["M2"].value) == (1.0, 20.0)


def test_an_order_says_which_finding_or_wear_it_is_for():
    worn = history(venue_text(), worn={2: 0.055})
    lang = language("en")
    assert "d2 (" in (bare := reason(plan_orders(worn).parts[0], lang))
    assert "wear)" in bare
    found = [Finding("d2", "lock", "sticking-catch", "week", 0.98)]
    assert "Catch sticks)" in reason(plan_orders(worn, found).parts[0], lang)


def test_what_a_habit_explains_needs_no_part_and_is_named():
    found = [Finding("d2", "lock", "loaded-catch", "week", 0.95),
             Finding("d3", "lock", "unsafe-fitting", "now", 0.99, extra={"reasons": ["way_out"]})]
    orders = plan_orders(history(venue_text(), worn={2: 0.055}), found)
    assert orders.parts[0].order_now == 0
    page = render_parts(orders, "Mill")["index.html"].decode()
    assert "need no new part; see the health report for what to do: d2 (Players lean on it)" in page
    assert "No spare part mends this." in page
    assert "d3 (Mill): it is on an exit route" in order_text(orders, "Mill", language("en"))
