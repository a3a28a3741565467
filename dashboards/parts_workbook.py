"""The owner's sheet as a spreadsheet: the order, the locks, the assumptions."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any

import xlsxwriter

from remanence.analytics.health.lock_state import LockState
from remanence.analytics.parts.orders import HORIZONS, Orders
from remanence.dashboards.lock_state_words import state_line
from remanence.dashboards.page import language
from remanence.dashboards.parts_order import refits
from remanence.dashboards.parts_sheet import assumptions, cause_text, reason, state_text
from remanence.shared.cells import TEXT_STAYS_TEXT

_MONEY, _SHARE, _DATE, _ONE = "#,##0.00", "0.0%", "yyyy-mm-dd", "0.0"


def parts_workbook(
    orders: Orders, made: datetime, states: Mapping[str, LockState] | None = None
) -> bytes:
    """The spreadsheet's bytes.

    Parameters
    ----------
    orders : Orders
        All numbers.
    made : datetime
        Written into the file's properties, so that the same input gives the same bytes.
    states : mapping of str to LockState, optional
        The state of each lock, as every sheet says it.

    Returns
    -------
    bytes
        Office Open XML. Cells are typed, totals are formulas, headers are frozen, and text
        that begins like a formula stays text.
    """
    buffer = io.BytesIO()
    book = xlsxwriter.Workbook(buffer, {"in_memory": True, **TEXT_STAYS_TEXT})
    book.set_properties({"title": "Parts to order", "created": made.replace(tzinfo=None)})
    _order(book, orders)
    _locks(book, orders, states or {})
    _assumptions(book, orders)
    book.close()
    return buffer.getvalue()


def _table(
    book: Any, name: str, heads: Sequence[tuple[str, int, str | None]],
    rows: Sequence[Sequence[Any]],
) -> Any:
    """One sheet: bold frozen header, a width and number format per column, typed cells."""
    sheet = book.add_worksheet(name)
    bold = book.add_format({"bold": True, "text_wrap": True, "valign": "top", "bottom": 1})
    sheet.freeze_panes(1, 1)
    date_cell = book.add_format({"num_format": _DATE, "valign": "top", "align": "left"})
    formats = []
    for column, (head, width, form) in enumerate(heads):
        wrap = {"text_wrap": True} if width > 40 else {}
        cell = book.add_format({"valign": "top", **wrap, **({"num_format": form} if form else {})})
        formats.append(cell)
        sheet.set_column(column, column, width)
        sheet.write_string(0, column, head, bold)
    for line, row in enumerate(rows, start=1):
        for column, value in enumerate(row):
            if value is None:
                sheet.write_blank(line, column, None, formats[column])
            elif isinstance(value, str):
                sheet.write_string(line, column, value, formats[column])
            elif isinstance(value, date):
                dated = formats[column] if heads[column][2] else date_cell
                sheet.write_datetime(line, column, datetime(value.year, value.month, value.day),
                                     dated)
            else:
                sheet.write_number(line, column, value, formats[column])
    return sheet


def _order(book: Any, orders: Orders) -> None:
    lang = language("en")
    heads = [
        ("Part", 16, None), ("Description", 34, None), ("In stock", 10, "0"), ("On order", 10, "0"),
        ("Delivery (days)", 10, "0"), ("Expected need until delivery", 13, _ONE),
        ("Keep at least", 10, "0"), ("Order now", 10, "0"), ("Order by", 12, _DATE),
        (f"Unit cost ({orders.currency})", 12, _MONEY), (f"Cost ({orders.currency})", 12, _MONEY),
        ("Need in a year", 10, _ONE), (f"Cost of the year ({orders.currency})", 14, _MONEY),
        ("Need in a year, 90%: from", 12, "0"), ("Need in a year, 90%: to", 12, "0"),
        ("Why", 80, None),
    ]
    rows = [
        (o.part.id, o.part.description, o.part.in_stock, o.part.on_order, o.lead_days,
         o.lead.mean, o.stock_level, o.order_now, o.order_by, o.part.unit_cost, None,
         o.year_need, None, *o.year.interval(0.9), reason(o, lang))
        for o in orders.parts
    ]
    sheet = _table(book, "Order", heads, rows)
    money = book.add_format({"num_format": _MONEY, "valign": "top"})
    total = book.add_format({"num_format": _MONEY, "bold": True, "top": 1})
    bold = book.add_format({"bold": True, "top": 1})
    for line, o in enumerate(orders.parts, start=2):
        # Without a price there is no cost, not a cost of nothing.
        cost = o.part.unit_cost
        for column, count, value in ((10, "H", o.order_now), (12, "L", o.year_need)):
            sheet.write_formula(
                line - 1, column, f'=IF(J{line}="","",{count}{line}*J{line})', money,
                "" if cost is None else value * cost)
    last = len(orders.parts) + 1
    sheet.write_string(last, 0, "Total", bold)
    if orders.parts:
        now = sum(o.cost_now or 0.0 for o in orders.parts)
        year = sum(o.year_cost or 0.0 for o in orders.parts)
        sheet.write_formula(last, 10, f"=SUM(K2:K{last})", total, now)
        sheet.write_formula(last, 12, f"=SUM(M2:M{last})", total, year)
    for line, item in enumerate(refits(orders, lang), start=last + 2):
        sheet.write_string(line, 0, lang("parts.refit.heading"), bold)
        sheet.write_string(line, 1, f"{item['lock']} ({item['room']}): {item['text']}")
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(0)


def _locks(book: Any, orders: Orders, states: Mapping[str, LockState]) -> None:
    lang = language("en")
    heads = [
        ("Lock", 24, None), ("Room", 20, None), ("Part", 16, None), ("Cycles done", 12, "#,##0"),
        ("Cycles a week", 10, _ONE), ("State", 24, None),
        ("A part would be for", 24, None), ("Latency now (ms)", 12, _ONE),
        ("Limit (ms)", 10, _ONE), ("Limit met, 50%: from", 12, _DATE),
        ("Limit met, 50%: to", 12, _DATE), ("Limit met, 90%: from", 12, _DATE),
        ("Limit met, 90%: to", 12, _DATE), ("Games left, 50%: from", 12, "#,##0"),
        ("Games left, 50%: to", 12, "#,##0"), ("Games left, 90%: from", 12, "#,##0"),
        ("Games left, 90%: to", 12, "#,##0"),
        *((f"Chance within {weeks} weeks", 12, _SHARE) for weeks in HORIZONS),
    ]
    rows = []
    for need in orders.needs:
        windows: list[date | float | None] = [None] * 8
        if need.wear.sign == "wearing":
            windows = [*need.window(0.5, orders.today), *need.window(0.9, orders.today),
                       *need.games(0.5), *need.games(0.9)]
        rows.append((
            need.lock, need.room, need.part or "", need.cycles, need.cycles_per_week,
            state_line(states[need.lock], lang) if need.lock in states
            else state_text(need, lang), cause_text(need.cause, lang) if need.cause else "",
            need.wear.latency_ms, need.wear.limit_ms, *windows,
            *(need.chances[weeks] if need.can_be_told else None for weeks in HORIZONS),
        ))
    sheet = _table(book, "Locks", heads, rows)
    sheet.autofilter(0, 0, max(len(rows), 1), len(heads) - 1)
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(0)


def _assumptions(book: Any, orders: Orders) -> None:
    lines = assumptions(orders, language("en"))
    mean, low, high = (round(amount, 2) for amount in orders.budget())
    rows = [
        ("As of", orders.today),
        ("Games a week", orders.games_per_week),
        ("Weeks of log", orders.weeks_seen),
        (f"Cost of the next year, expected ({orders.currency})", mean),
        (f"Cost of the next year, 90%: from ({orders.currency})", low),
        (f"Cost of the next year, 90%: to ({orders.currency})", high),
        *((f"{number}", line) for number, line in enumerate(lines, start=1)),
    ]
    _table(book, "Assumptions", [("What", 40, None), ("Rests on", 110, None)], rows)
