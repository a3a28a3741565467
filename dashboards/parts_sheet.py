"""The owner's sheet: what to order, how many, by when, at what cost."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import timedelta
from typing import Any

from remanence.analytics.health.lock_state import LockState
from remanence.analytics.parts.forecasts import Calibration
from remanence.analytics.parts.orders import (
    HORIZONS,
    NEED_DECIMALS,
    OPEN_WEEKS,
    LockNeed,
    Orders,
    PartOrder,
    cover_days,
)
from remanence.analytics.parts.venue_year import VenueYear
from remanence.analytics.parts.wear import UNSIGNED_FAILED, UNSIGNED_LOCKS
from remanence.analytics.statistics.life import FAMILY_CYCLES, FAMILY_FACTOR
from remanence.dashboards.figures import BLUE, INK, figure_block, figure_text
from remanence.dashboards.lock_state_words import state_reasons
from remanence.dashboards.page import EN_DASH, Language, assets, language, page
from remanence.dashboards.parts_order import order_facts, order_text, refits
from remanence.dashboards.parts_year import downtime, trend, trend_rows
from remanence.dashboards.ways import PARTS, REPORT, Ways

_NAMED = 0.1
"""Chance from which a lock is named among those an order is for."""


def reason(order: PartOrder, lang: Language) -> str:
    """Why a part is, or is not, to be ordered, in one sentence a non-technician follows."""
    if not order.needs:
        return lang("parts.reason.none")
    chance = _chance(order.lead.chance_above(0), lang)
    if not order.stock_level:
        return lang("parts.reason.quiet", chance=chance, stock=order.part.in_stock)
    said = []
    failing = [need for need in order.needs if need.failing]
    for condition in dict.fromkeys(need.failing for need in failing):
        names = lang.listing(need.lock for need in failing if need.failing == condition)
        title = lang(f"condition.{condition}.wrong")
        said.append(lang("parts.reason.failing", locks=names, condition=title))
    weeks = cover_days(order) / 7
    chances = sorted(((need.chance_within(weeks), need.lock)
                      for need in order.needs if not need.failing), reverse=True)
    cause = {need.lock: cause_text(need.cause, lang) for need in order.needs}
    likely = [lang("parts.reason.each", lock=lock, chance=_chance(each, lang), cause=cause[lock])
              for each, lock in chances if each >= _NAMED]
    if likely:
        more = [lang("parts.reason.more", count=len(likely) - 5)] if len(likely) > 5 else []
        said.append(lang("parts.reason.likely", locks=lang.listing([*likely[:5], *more])))
    others = [each for each, _ in chances[len(likely):]]
    if others and order.stock_level > len(failing) + len(likely):
        any_of_them = 1.0 - math.prod(1.0 - each for each in others)
        said.append(lang("parts.reason.rest" if said else "parts.reason.age", count=len(others),
                         chance=_chance(any_of_them, lang)))
    so = lang(
        "parts.reason.so", causes=lang.listing(said), level=lang.percent(order.service_level),
        most=order.stock_level, stock=order.part.in_stock,
    )
    eater = order.eater
    if eater is None:
        return so
    return so + " " + lang("parts.reason.eater", lock=eater.lock, count=eater.ended,
                           all=int(order.lives.failures))


def _part_row(order: PartOrder, orders: Orders, lang: Language) -> dict[str, Any]:
    part, currency = order.part, orders.currency
    low, high = order.year.interval(0.9)
    lead = lang("parts.days" if order.lead_known else "parts.days_assumed",
                days=lang.number(order.lead_days))

    def money(count: float, decimals: int = 2) -> str:
        if part.unit_cost is None:
            return EN_DASH
        return lang.money(count * part.unit_cost, currency, decimals)

    by = (lang("parts.today") if order.order_now
          else lang.day(order.order_by, year=True) if order.order_by
          else lang("parts.not_within"))
    return {
        "id": part.id, "description": part.description, "lead": lead, **order_facts(order, lang),
        "need": lang.number(order.lead.mean, 1), "keep": order.stock_level,
        "order_now": order.order_now, "order_by": by,
        "unit_cost": money(1), "cost_now": (
            money(order.order_now) if order.order_now and part.unit_cost is not None else None),
        "year_need": lang.number(order.year_need, NEED_DECIMALS),
        "year_range": f"{low}{EN_DASH}{high}" if high > low else f"{low}",
        "year_cost": money(order.year_need, 0), "year_cost_range": (
            EN_DASH if part.unit_cost is None
            else money(low, 0) if low == high else f"{money(low, 0)} {EN_DASH} {money(high, 0)}"
        ),
        "reason": reason(order, lang),
    }


def _lock_row(
    need: LockNeed, orders: Orders, lang: Language, known: LockState | None, ways: Ways
) -> dict[str, Any]:
    def window(coverage: float) -> str:
        if not need.wear.weeks.size or need.wear.sign == "at its limit":
            return EN_DASH
        low, high = need.window(coverage, orders.today)
        return _between(*(lang.day(day, year=True) if day else lang("parts.never")
                          for day in (low, high)))

    def games(coverage: float) -> str:
        if not need.wear.weeks.size or need.wear.sign == "at its limit":
            return ""
        ends = (lang("parts.never") if end is None else _rounded(end, lang)
                for end in need.games(coverage))
        return lang("parts.games", games=_between(*ends))

    limit = EN_DASH
    if need.wear.weeks.size and need.wear.limit_from == "no-release":
        limit = lang("parts.from.no-release")
    elif need.wear.limit_ms is not None and need.wear.weeks.size:
        limit = lang("parts.from." + need.wear.limit_from, limit=lang.number(need.wear.limit_ms))
    sign = _sign(need, lang)
    cycles = lang.number(round(need.cycles, -1) if need.cycles >= 1000 else need.cycles)
    if not need.cycles_known_from_new and need.cycles:
        cycles += f" ({lang('parts.cycles_unknown')})"
    return {
        "lock": need.lock, "room": need.room, "part": need.part or lang("parts.no_part"),
        "cycles": cycles, "sign": sign,
        "state": known.state if known else None,
        "reasons": ", ".join(state_reasons(known, lang)) if known else state_text(need, lang),
        "href": ways.lock(REPORT, need.lock), "name": ways.name(need.lock),
        "limit": limit, "left_50": window(0.5), "left_90": window(0.9),
        "games_50": games(0.5), "games_90": games(0.9),
        # Without a part, or a pace, there is no age to tell by: only what is seen of the lock.
        "chances": [_chance(need.chances[weeks], lang) if need.can_be_told else EN_DASH
                    for weeks in HORIZONS],
    }


def _sign(need: LockNeed, lang: Language) -> str:
    return lang("parts.sign." + need.wear.sign.replace(" ", "-"))


def state_text(need: LockNeed, lang: Language) -> str:
    """What is wrong with a lock, as the health report names it; else its sign of wear."""
    first = need.failing or need.causes.first
    return _sign(need, lang) if first is None else lang(f"condition.{first}.wrong")


def cause_text(cause: str | None, lang: Language) -> str:
    """What a part is for: the finding's title, wear or age."""
    if cause in (None, "wear", "age"):
        return lang(f"parts.cause.{cause or 'age'}")
    return lang(f"condition.{cause}.wrong")


def _without_part(orders: Orders, lang: Language) -> str:
    """Locks with a fault that needs no part, each with its fault."""
    return lang.listing(
        f"{need.lock} ({lang(f'condition.{need.no_part_for}.wrong')})"
        for need in orders.needs if need.no_part_for is not None and not need.causes.unsafe)


def _between(first: str, last: str) -> str:
    return first if first == last else f"{first} {EN_DASH} {last}"


def _chance(chance: float, lang: Language) -> str:
    if chance < 0.005:
        return f"< {lang.percent(0.005, 1)}".replace(" ", "\N{NO-BREAK SPACE}")
    if chance > 0.995:
        return f"> {lang.percent(0.995, 1)}".replace(" ", "\N{NO-BREAK SPACE}")
    return lang.percent(chance)


def _wearing(orders: Orders, lang: Language) -> Any:
    """Figure of the dates at which worn locks meet their limit; None where there are none."""
    worn = [need for need in orders.needs if need.wear.sign == "wearing"
            and math.isfinite(need.wear.median_weeks) and need.wear.median_weeks < OPEN_WEEKS]
    if not worn:
        return None
    worn.sort(key=lambda need: -need.wear.median_weeks)
    data: list[dict[str, Any]] = []
    names = []
    shown: list[float] = []
    for need in worn:
        label = figure_text(need.lock)
        for coverage, width in ((0.9, 2), (0.5, 8)):
            low, high = need.wear.interval(coverage)
            shown += [min(end, 104.0) for end in (low, high)]
            ends = [orders.today + timedelta(weeks=end) for end in shown[-2:]]
            data.append({
                "type": "scatter", "mode": "lines", "x": ends, "y": [label, label],
                "line": {"color": BLUE, "width": width}, "hoverinfo": "skip", "showlegend": False,
            })
        middle = orders.today + timedelta(weeks=need.wear.median_weeks)
        data.append({
            "type": "scatter", "mode": "markers", "x": [middle], "y": [label],
            "marker": {"color": INK, "size": 9, "symbol": "line-ns-open"}, "showlegend": False,
        })
        names.append(f"{need.lock}: {lang.day(middle, year=True)}")
    # Room at all sides: an end that lies on the frame looks cut off.
    room = 0.03 * (max(shown) - min(shown)) + 0.5
    span = [orders.today + timedelta(weeks=end) for end in (min(shown) - room, max(shown) + room)]
    layout = {
        "xaxis": {"type": "date", "range": span},
        "yaxis": {"type": "category", "automargin": True, "range": [-0.6, len(worn) - 0.4]},
    }
    return figure_block(
        {"data": data, "layout": layout}, lang=lang, id="wearing",
        title=lang("parts.wearing_title"),
        says=lang("parts.wearing_says", names="; ".join(reversed(names)) + "."),
        height=110 + 34 * len(worn),
    )


def _most_likely_first(orders: Orders) -> list[LockNeed]:
    """Locks by their chance within a quarter, those alike in the venue file's order."""
    return sorted(orders.needs, key=lambda need: -round(need.chances[13], 3))


def _soonest_first(orders: Orders) -> list[LockNeed]:
    """Locks whose measures drift towards their limit, or have met it."""
    worn = [need for need in orders.needs if need.wear.weeks.size]
    return sorted(worn, key=lambda need: need.wear.median_weeks)


def assumptions(orders: Orders, lang: Language, *, lives: bool = True) -> list[str]:
    """Everything the figures rest on, a sentence each; ``lives`` with those of each part."""
    lines = []
    if orders.parts:
        lines.append(lang("parts.assume.level",
                          level=lang.percent(orders.parts[0].service_level)))
    if lives:
        lines += [_life(order, lang) for order in orders.parts]
    bases = {_basis(order) for order in orders.parts}
    if "rating" in bases:
        lines.append(lang("parts.assume.rated"))
    if "family" in bases:
        lines.append(lang("parts.assume.family", cycles=lang.number(FAMILY_CYCLES),
                          factor=lang.number(FAMILY_FACTOR)))
    for part, day in orders.planned_exchanges:
        lines.append(lang("parts.assume.exchange", part=part, day=lang.day(day, year=True)))
    if orders.games_per_week:
        lines.append(lang("parts.assume.pace", games=lang.number(orders.games_per_week)))
    by_use = ("ordered", "shape", "lead", "age", "once") if orders.parts else ()
    lines += [
        lang("parts.assume.wear"),
        lang("parts.assume.limit", pulse=lang.number(orders.limits.pulse_margin, 1),
             off=lang.number(orders.limits.magnet_margin, 1)),
        lang("parts.assume.unsigned", locks=UNSIGNED_LOCKS, failed=UNSIGNED_FAILED),
        *(lang(f"parts.assume.{key}") for key in ("cause", "unseen", *by_use)),
    ]
    return lines


def _basis(order: PartOrder) -> str:
    """What the life of a part rests on: a key of the words."""
    if order.life.basis == "your data":
        return "data"
    return "rating" if order.part.rated_cycles is not None else "family"


def _life_row(order: PartOrder, lang: Language) -> dict[str, str]:
    """The life of a part by use."""
    middle, low, high = order.life.life_quantile(0.1)
    bound = order.zero_failure_b10
    ended = lang("parts.life_of", failures=int(order.life.failures), units=int(order.life.units))
    if order.advised:
        ended = lang("parts.life_advised", ended=ended, count=order.advised)
    return {
        "part": order.part.id, "ended": ended, "b10": _rounded(middle, lang),
        "range": f"{_rounded(low, lang)} {EN_DASH} {_rounded(high, lang)}",
        "least": EN_DASH if bound is None else _rounded(bound, lang),
        "basis": lang(f"parts.basis.{_basis(order)}"),
    }


def _life(order: PartOrder, lang: Language) -> str:
    """The life of a part by use, in a sentence."""
    row, bound = _life_row(order, lang), order.zero_failure_b10
    text = lang("parts.assume.life", **row)
    return text if bound is None else f"{text} {lang('parts.assume.life_zero', b10=row['least'])}"


def _rounded(value: float, lang: Language) -> str:
    """Two significant digits: no life is known better."""
    digits = 1 - math.floor(math.log10(value)) if value > 0 else 0
    return lang.number(round(value, min(digits, 0)))


def _past_row(item: Calibration, lang: Language) -> dict[str, str]:
    return {
        "weeks": lang("parts.weeks", count=item.weeks),
        "band": f"{lang.percent(item.low)} {EN_DASH} {lang.percent(item.high)}",
        "forecasts": lang.number(item.forecasts), "came": lang.number(item.came_true),
        "share": f"{lang.percent(item.share)} ({lang.percent(item.share_low)} {EN_DASH} "
                 f"{lang.percent(item.share_high)})",
    }


def render_parts(
    orders: Orders, venue_name: str, past: Sequence[Calibration] = (), *, code: str = "en",
    version: str = "", states: Mapping[str, LockState] | None = None, ways: Ways | None = None,
    year: VenueYear | None = None, game_price: float | None = None,
) -> dict[str, bytes]:
    """The sheet as files.

    Parameters
    ----------
    orders : Orders
        All numbers.
    venue_name : str
        As people say it.
    past : sequence of Calibration
        How past forecasts turned out.
    code : str, default "en"
        Language of the page.
    version : str
        Shown at the foot.
    states : mapping of str to LockState, optional
        The state of each lock, as every sheet says it; default: nothing is said of any.
    ways : Ways, optional
        Where the other sheets lie; default: there are none.
    year : VenueYear, optional
        Lost days and the trend; default: nothing is said of them.
    game_price : float, optional
        Of one game, in the orders' currency.

    Returns
    -------
    dict
        ``index.html`` and what lies in ``assets``; the same input gives the same bytes.
    """
    lang, ways, states = language(code), ways or Ways(PARTS), states or {}
    rows = [_part_row(order, orders, lang) for order in orders.parts]
    known = [order.cost_now for order in orders.parts if order.cost_now is not None]
    unpriced = sum(order.order_now for order in orders.parts if order.part.unit_cost is None)
    mean, low, high = orders.budget()
    level = orders.parts[0].service_level if orders.parts else 0.95
    content = page(
        "parts.html.jinja", lang, title=lang("parts.tab", venue=venue_name),
        orders={"venue_name": venue_name, "today": orders.today}, rows=rows,
        now=[row for row in rows if row["order_now"]],
        total=lang.money(sum(known), orders.currency) if known else None, unpriced=unpriced,
        level=lang.percent(level),
        budget=lang.money(mean, orders.currency, 0) if known else EN_DASH,
        budget_range=_between(lang.money(low, orders.currency, 0),
                              lang.money(high, orders.currency, 0)) if known else EN_DASH,
        partless=lang.listing(need.lock for need in orders.needs if need.part is None),
        without_part=_without_part(orders, lang),
        refits=refits(orders, lang), text=order_text(orders, venue_name, lang),
        down=downtime(year, game_price, orders.currency, states, lang) if year else None,
        trend=trend(year, lang) if year else None,
        periods=trend_rows(year, lang) if year else [],
        figure=_wearing(orders, lang), horizons=HORIZONS,
        nav=ways.nav(lang),
        locks=[_lock_row(need, orders, lang, states.get(need.lock), ways)
               for need in _most_likely_first(orders)],
        worn=[_lock_row(need, orders, lang, states.get(need.lock), ways)
              for need in _soonest_first(orders)],
        lives=[_life_row(order, lang) for order in orders.parts],
        past=[_past_row(item, lang) for item in past],
        assumptions=assumptions(orders, lang, lives=False), version=version,
    )
    return {"index.html": content, **assets()}
