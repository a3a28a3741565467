"""The owner's year: what stood still and what that cost, and whether the venue gets better."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from markupsafe import Markup

from remanence.analytics.health.lock_state import LockState
from remanence.analytics.parts.venue_year import Period, VenueYear
from remanence.dashboards.figures import BLUE, INK, figure_block
from remanence.dashboards.page import EN_DASH, Language

STANDARD_ERRORS, LEAST_CHANGE = 2.0, 1.0
"""The venue gets better or worse where its last four weeks differ from the usual by so many
standard errors of a count (Poisson), and by so many commands of 1,000 (common practice)."""


def downtime(
    year: VenueYear, price: float | None, currency: str, states: Mapping[str, LockState],
    lang: Language,
) -> dict[str, Any]:
    """Rooms that stood still in the last year, and what a day shut costs of those not to be used.

    Parameters
    ----------
    year : VenueYear
        The venue's.
    price : float or None
        Of one game, in ``currency``; None: no cost is told.
    currency : str
        Of the price.
    states : mapping of str to LockState
        The state of each lock.
    lang : Language
        To tell it in.
    """
    def cost(games: float) -> str:
        return EN_DASH if price is None else lang.money(games * price, currency, 0)

    rows = [{"room": item.room or lang("front.no_room"), "days": lang.number(item.days),
             "last": lang.day(item.last, year=True), "games": lang.number(item.games),
             "cost": cost(item.games)} for item in year.lost]
    shut: dict[str, list[str]] = {}
    for known in states.values():
        if not known.usable:
            shut.setdefault(known.room, []).append(known.lock)
    today = []
    for room, locks in shut.items():
        games = year.games_a_day.get(room)
        today.append(lang(
            "parts.year.shut" if games is None else
            "parts.year.shut_games" if price is None else "parts.year.shut_cost",
            room=room or lang("front.no_room"), locks=lang.listing(locks),
            games=lang.number(games), cost=cost(games or 0.0)))
    return {"rows": rows, "today": today, "total_games": lang.number(year.lost_games()),
            "total_cost": cost(year.lost_games()), "priced": price is not None}


def trend(year: VenueYear, lang: Language) -> Markup | None:
    """Commands not answered in a thousand, by four weeks; None with fewer than two such."""
    told = [item for item in year.periods if item.per_thousand is not None]
    if len(told) < 2:
        return None
    days = [item.first for item in told]
    values = [round(item.per_thousand or 0.0, 1) for item in told]
    marks = [{"x": item.first, "y": 1, "yref": "paper", "yanchor": "bottom", "yshift": 2,
              "text": lang("parts.year.new", count=item.replaced), "showarrow": False}
             for item in told if item.replaced]
    figure = {"data": [{"type": "scatter", "mode": "lines+markers", "x": days, "y": values,
                        "line": {"color": BLUE, "width": 2},
                        "marker": {"color": INK, "size": 6}}],
              "layout": {"xaxis": {"type": "date"}, "yaxis": {"rangemode": "tozero"},
                         "annotations": marks, "margin": {"t": 24}}}
    return figure_block(figure, lang=lang, id="trend", title=_course(told, lang),
                        says=lang("parts.year.trend_says"), height=240)


def _course(told: list[Period], lang: Language) -> str:
    """The figure's title is what it shows: the last four weeks against the middle of the rest."""
    earlier = sorted(item.per_thousand or 0.0 for item in told[:-1])
    usual, now = earlier[len(earlier) // 2], told[-1].per_thousand or 0.0
    error = (1000 * max(usual, LEAST_CHANGE) / told[-1].commands) ** 0.5
    spread = max(STANDARD_ERRORS * error, LEAST_CHANGE)
    key = ("worse" if now > usual + spread else "better" if now < usual - spread else "same")
    return lang(f"parts.year.{key}", now=lang.number(now, 1), usual=lang.number(usual, 1))


def trend_rows(year: VenueYear, lang: Language) -> list[dict[str, str]]:
    """The same as a table, newest first."""
    return [{"span": f"{lang.day(item.first)} {EN_DASH} {lang.day(item.last, year=True)}",
             "rate": lang.number(item.per_thousand, 1), "replaced": lang.number(item.replaced),
             "repaired": lang.number(item.repaired)} for item in reversed(year.periods)]
