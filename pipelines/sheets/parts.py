"""``remanence parts``: the owner's sheet as HTML, CSV, spreadsheet and JSON."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

from remanence.analytics.conditions.diagnosis import diagnose
from remanence.analytics.parts.forecasts import calibration, forecasts_of
from remanence.analytics.parts.orders import (
    HORIZONS,
    READS,
    LockNeed,
    Orders,
    PartOrder,
    plan_orders,
)
from remanence.analytics.parts.unit_lives import replacements
from remanence.pipelines.sheets.health import made_at
from remanence.pipelines.sheets.load import load_history
from remanence.pipelines.sheets.refresh import newest_week
from remanence.pipelines.sheets.write_files import write_files
from remanence.pipelines.store.forecasts import keep_forecasts, read_forecasts, with_these
from remanence.pipelines.store.store import Store
from remanence.shared.cells import text_cell
from remanence.shared.errors import UnwritableStoreError
from remanence.shared.findings import Finding
from remanence.shared.venue import Venue
from remanence.shared.weeks import Week

ALL_WEEKS = 1040
"""Lives are counted from the beginning of the log: twenty years are enough."""


@dataclass(frozen=True)
class PartsOutcome:
    """The sheet as written."""

    folder: Path
    orders: Orders
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
        return "\n".join([head, *lines, f"Owner's sheet: {self.folder / 'index.html'}"])


def write_parts(
    venue: Venue, venue_path: Path, out: Path, *, language: str = "en",
    found: tuple[Week, Sequence[Finding]] | None = None,
) -> PartsOutcome:
    """Write ``index.html``, ``parts.csv``, ``parts.xlsx`` and ``parts.json`` into ``out``.

    Parameters
    ----------
    venue : Venue
        Whose store has been taken in and derived.
    venue_path : Path
        The venue file.
    out : Path
        Folder to write.
    language : str, default "en"
        Language of the page.
    found : (Week, sequence of Finding), optional
        What :func:`remanence.analytics.conditions.diagnosis.diagnose` said of a week, where that is
        at hand. If it is another week than the sheet's, the sheet's own is judged.

    Returns
    -------
    PartsOutcome

    Raises
    ------
    RemanenceError
        The store or ``out`` is at fault.
    """
    from remanence.dashboards.parts_sheet import render_parts
    from remanence.dashboards.parts_workbook import parts_workbook

    store = Store.open(venue, venue_path)
    week = newest_week(venue, store)
    findings = found[1] if found is not None and found[0] == week else diagnose(
        load_history(venue, venue_path, week))
    past = load_history(venue, venue_path, week, weeks=ALL_WEEKS, tables=("actuations",),
                        columns={"actuations": READS})
    orders = plan_orders(past, findings)
    stated, faults = forecasts_of(orders), tuple[str, ...]()
    try:
        kept = keep_forecasts(store.folder, stated)
    except UnwritableStoreError as error:
        faults = (str(error),)
        kept = with_these(read_forecasts(store.folder), stated)
    judged = calibration(kept, replacements(past), orders.today)
    made = made_at()
    data = {
        "venue": venue.id, "week": str(week), "made_at": made.strftime("%Y-%m-%dT%H:%M:%SZ"),
        "remanence": version("remanence-locks"), "currency": venue.currency,
        "games_per_week": orders.games_per_week,
        "parts": [_part_json(order) for order in orders.parts],
        "locks": [_lock_json(need, orders) for need in orders.needs],
        "past_forecasts": [{**item.__dict__, "share": item.share} for item in judged],
    }
    files = render_parts(
        orders, venue.name, judged, code=language, version=version("remanence-locks")
    )
    files["parts.csv"] = _parts_csv(orders).encode()
    files["parts.xlsx"] = parts_workbook(orders, made)
    text = json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False)
    files["parts.json"] = (text + "\n").encode()
    write_files(out, files)
    return PartsOutcome(out, orders, faults)


def _part_json(order: PartOrder) -> dict[str, Any]:
    low, high = order.year.interval(0.9)
    lead_low, lead_high = order.lead.interval(0.9)
    return {
        "part": order.part.id, "description": order.part.description,
        "in_stock": order.part.in_stock, "lead_time_days": order.lead_days,
        "lead_time_known": order.lead_known, "expected_need_until_delivery": order.lead.mean,
        "need_until_delivery_low": lead_low, "need_until_delivery_high": lead_high,
        "keep_at_least": order.stock_level, "order_now": order.order_now,
        "order_by": order.order_by.isoformat() if order.order_by else None,
        "unit_cost": order.part.unit_cost, "cost_now": order.cost_now,
        "year_need": order.year.mean, "year_need_low": low, "year_need_high": high,
        "life_from": order.life.basis, "ended_lives": order.life.failures,
        "locks": [need.lock for need in order.needs],
    }


def _lock_json(need: LockNeed, orders: Orders) -> dict[str, Any]:
    wear = need.wear
    row: dict[str, Any] = {
        "lock": need.lock, "part": need.part, "sign": wear.sign, "failing": need.failing,
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
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    rows = [_part_json(order) for order in orders.parts]
    keys = [key for key in (rows[0] if rows else {}) if key != "locks"]
    writer.writerow([*keys, "locks"])
    for row in rows:
        cells = [*(row[key] for key in keys), " ".join(row["locks"])]
        writer.writerow([text_cell(cell) for cell in cells])
    return buffer.getvalue()
