"""The order: what to buy and what to refit, on a page of its own, and as text to paste."""

from __future__ import annotations

from typing import Any

from remanence.analytics.parts.orders import LockNeed, Orders, PartOrder
from remanence.dashboards.page import Language


def refits(orders: Orders, lang: Language) -> list[dict[str, str]]:
    """Locks that are to be refitted, each with what it needs instead; no spare part does that."""
    return [{"lock": need.lock, "room": need.room, "text": refit_text(need, lang)}
            for need in orders.needs if need.causes.refit]


def refit_text(need: LockNeed, lang: Language) -> str:
    """What a lock that is unsafe as fitted needs instead."""
    return " ".join(lang.phrase(f"parts.refit.{reason}", lang("parts.refit.other"))
                    for reason in need.causes.refit)


def order_text(orders: Orders, venue_name: str, lang: Language) -> str:
    """The order as plain text, a line each: ready to be pasted into a letter or a form."""
    now = [order for order in orders.parts if order.order_now]
    lines = [lang("parts.text.head", venue=venue_name, day=lang.day(orders.today, year=True))]
    lines += [_line(order, orders, lang) for order in now]
    known = [order.cost_now for order in now if order.cost_now is not None]
    if known:
        lines.append(f"{lang('parts.total')}: {lang.money(sum(known), orders.currency)}")
    lines += [lang("parts.text.refit", lock=item["lock"], room=item["room"] or "–",
                   what=item["text"]) for item in refits(orders, lang)]
    return "\n".join(line.replace("\N{NO-BREAK SPACE}", " ") for line in lines)


def _line(order: PartOrder, orders: Orders, lang: Language) -> str:
    part = order.part
    text = f"{order.order_now} x {part.id}"
    if part.description:
        text += f", {part.description}"
    if part.unit_cost is not None:
        text += ", " + lang("parts.text.price", each=lang.money(part.unit_cost, orders.currency),
                            all=lang.money(order.cost_now, orders.currency))
    return text


def order_facts(order: PartOrder, lang: Language) -> dict[str, Any]:
    """What lies on the shelf and what is on the way, for a row."""
    return {"in_stock": order.part.in_stock,
            "on_order": lang.number(order.part.on_order) if order.part.on_order else "–"}
