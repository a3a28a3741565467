"""``remanence parts``: the owner's sheet as HTML, CSV, spreadsheet and JSON."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from remanence.pipelines.sheets.sheet import (
    Sheet,
    SheetOutcome,
    SheetRun,
    program_version,
    unusable_text,
)

if TYPE_CHECKING:
    from remanence.analytics.health.lock_state import LockState
    from remanence.analytics.parts.orders import LockNeed, Orders, PartOrder

ALL_WEEKS = 1040
"""Lives are counted from the beginning of the log: twenty years are enough."""

PARTS_SCHEMA = 1
"""Version of parts.json."""


@dataclass(frozen=True)
class PartsOutcome(SheetOutcome):
    """The sheet as written."""

    folder: Path
    orders: Orders
    states: tuple[LockState, ...] = ()
    faults: tuple[str, ...] = ()
    """What could not be kept, a sentence each."""

    def text(self) -> str:
        """What to print."""
        lines = [
            f"  order {o.order_now} x {o.part.id}"
            + (f" ({o.cost_now:,.2f} {self.orders.currency})" if o.cost_now is not None else "")
            for o in self.orders.parts if o.order_now
        ]
        head = ("Parts to order now:" if lines else "Nothing to order now." if self.orders.parts
                else "The venue file names no [[part]]: nothing can be said of orders.")
        lines += unusable_text(self.states)
        return "\n".join([head, *lines, f"Owner's sheet: {self.front_page}"])

    def brief(self) -> str:
        """The same: an order is work."""
        return self.text()


def write_parts(run: SheetRun) -> PartsOutcome:
    """Write ``index.html``, ``parts.csv``, ``parts.xlsx`` and ``parts.json``.

    Parameters
    ----------
    run : SheetRun
        Without options of its own; of the findings, those of the newest week count.

    Returns
    -------
    PartsOutcome

    Raises
    ------
    RemanenceError
        The store is at fault, or the folder cannot be written.
    """
    from remanence.analytics.parts.forecasts import calibration, forecasts_of
    from remanence.analytics.parts.orders import READS, plan_orders
    from remanence.analytics.parts.unit_lives import replacements
    from remanence.analytics.parts.venue_year import ACTIVITY_READS, venue_year
    from remanence.dashboards.page import language
    from remanence.dashboards.parts_order import order_text
    from remanence.dashboards.parts_sheet import render_parts
    from remanence.dashboards.parts_workbook import parts_workbook
    from remanence.dashboards.ways import PARTS, Ways
    from remanence.pipelines.sheets.report_sheet import made_at
    from remanence.pipelines.sheets.write_files import write_files
    from remanence.pipelines.store.forecasts import keep_forecasts, read_forecasts, with_these
    from remanence.shared.errors import UnwritableStoreError

    venue, store = run.ready.venue, run.ready.store
    out = run.folder("parts")
    week = run.week
    findings, states = run.findings(week), run.states(week)
    past = run.history(week, ALL_WEEKS, tables=("actuations", "activity"),
                       columns={"actuations": READS, "activity": ACTIVITY_READS})
    orders, year = plan_orders(past, findings), venue_year(past)
    stated, faults = forecasts_of(orders), tuple[str, ...]()
    try:
        kept = keep_forecasts(store.folder, stated)
    except UnwritableStoreError as error:
        faults = (str(error),)
        kept = with_these(read_forecasts(store.folder), stated)
    judged = calibration(kept, replacements(past), orders.today)
    made = made_at()
    data = {
        "schema": PARTS_SCHEMA, "venue": venue.id, "week": str(week),
        "made_at": made.strftime("%Y-%m-%dT%H:%M:%SZ"),
        "remanence": program_version(), "currency": venue.currency,
        "games_per_week": orders.games_per_week,
        "parts": [_part_json(order) for order in orders.parts],
        "refits": [{"lock": need.lock, "room": need.room, "for": list(need.causes.refit)}
                   for need in orders.needs if need.causes.refit],
        "game_price": venue.game_price,
        "lost_days": [{**vars(item), "last": str(item.last)} for item in year.lost],
        "year": [{**vars(item), "first": str(item.first), "last": str(item.last)}
                 for item in year.periods],
        "locks": [{**_lock_json(need, orders), **states[need.lock].as_json()}
                  for need in orders.needs],
        "past_forecasts": [{**item.__dict__, "share": item.share} for item in judged],
    }
    files = render_parts(
        orders, venue.name, judged, code=run.language, version=program_version(), states=states,
        ways=Ways(PARTS, run.ways(PARTS), tuple(venue.locks_by_id)), year=year,
        game_price=venue.game_price,
    )
    files["order.txt"] = (order_text(orders, venue.name, language(run.language)) + "\n").encode()
    files["parts.csv"] = _parts_csv(orders).encode()
    files["parts.xlsx"] = parts_workbook(orders, made, states)
    text = json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False)
    files["parts.json"] = (text + "\n").encode()
    write_files(out, files)
    return PartsOutcome(out, orders, tuple(states.values()), faults)


def _part_json(order: PartOrder) -> dict[str, Any]:
    low, high = order.year.interval(0.9)
    lead_low, lead_high = order.lead.interval(0.9)
    return {
        "part": order.part.id, "description": order.part.description,
        "in_stock": order.part.in_stock, "on_order": order.part.on_order,
        "lead_time_days": order.lead_days,
        "lead_time_known": order.lead_known, "expected_need_until_delivery": order.lead.mean,
        "need_until_delivery_low": lead_low, "need_until_delivery_high": lead_high,
        "keep_at_least": order.stock_level, "order_now": order.order_now,
        "order_by": order.order_by.isoformat() if order.order_by else None,
        "unit_cost": order.part.unit_cost, "cost_now": order.cost_now,
        "year_need": order.year.mean, "year_need_low": low, "year_need_high": high,
        "life_from": order.life.basis, "ended_lives": order.life.failures,
        "replaced_on_advice": order.advised,
        "ordered_for": [
            {"lock": need.lock, "cause": need.cause} for need in order.needs
            if need.failing is not None or need.wear.weeks.size],
        "locks": [need.lock for need in order.needs],
    }


def _lock_json(need: LockNeed, orders: Orders) -> dict[str, Any]:
    from remanence.analytics.parts.orders import HORIZONS

    wear = need.wear
    row: dict[str, Any] = {
        "lock": need.lock, "part": need.part, "sign": wear.sign, "failing": need.failing,
        "part_would_be_for": need.cause, "no_part_needed_for": need.no_part_for,
        "finding": need.causes.first,
        "cycles": need.cycles, "cycles_known_from_new": need.cycles_known_from_new,
        "cycles_per_week": need.cycles_per_week, "latency_ms": wear.latency_ms,
        "limit_ms": wear.limit_ms, "limit_from": wear.limit_from,
        **{f"chance_{weeks}_weeks": need.chances[weeks] if need.can_be_told else None
           for weeks in HORIZONS},
    }
    for coverage, name in ((0.5, "50"), (0.9, "90")):
        low, high = need.window(coverage, orders.today) if wear.sign == "wearing" else (None, None)
        row[f"limit_met_{name}_from"] = low.isoformat() if low else None
        row[f"limit_met_{name}_to"] = high.isoformat() if high else None
        games = need.games(coverage) if wear.sign == "wearing" else (None, None)
        row[f"games_left_{name}_from"], row[f"games_left_{name}_to"] = (
            None if end is None else round(end) for end in games
        )
    return row


def _parts_csv(orders: Orders) -> str:
    """One line a part."""
    from remanence.shared.cells import text_cell  # Costs Polars; only where it writes.

    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    rows = [_part_json(order) for order in orders.parts]
    keys = [key for key in (rows[0] if rows else {}) if key not in ("ordered_for", "locks")]
    writer.writerow([*keys, "ordered_for", "locks"])
    for row in rows:
        causes = "; ".join(f"{item['lock']}: {item['cause']}" for item in row["ordered_for"])
        cells = [*(row[key] for key in keys), causes, " ".join(row["locks"])]
        writer.writerow([text_cell(cell) for cell in cells])
    return buffer.getvalue()


SHEET = Sheet(
    "parts", "write the owner's sheet: what to order, how many, by when, at what cost",
    "owner's sheet", write_parts, "parts", data="parts.json", place=30)
