"""The figures of a rail's page: its voltage week by week, and its voltage drops against load."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from markupsafe import Markup

from remanence.analytics.health.model import SupplyHealth
from remanence.dashboards.figures import (
    BAND,
    INK,
    LINE,
    MUTED,
    PAPER,
    THIN,
    figure_block,
    figure_text,
)
from remanence.dashboards.health_words import Speaker


def supply_figures(item: SupplyHealth, say: Speaker, prefix: str = "") -> list[Markup]:
    """The figures of a rail's page, the one of its fault first under its conclusion.

    Those without data are left out.
    """
    lead = next((found for found in item.findings if found.evidence), None)
    title = f"{say.wrong(lead)}{say.figure(lead, ': ')}" if lead else ""
    order = [_rail, _sags]
    if lead is not None and lead.condition == "supply-sag":
        order.reverse()
    made: list[Markup] = []
    for draw in order:
        figure = draw(item, say, prefix, "" if made else title)
        if figure is not None:
            made.append(figure)
    return made


def _rail(item: SupplyHealth, say: Speaker, prefix: str, title: str) -> Markup | None:
    weeks = [week for week in item.weeks if week.idle is not None or week.loaded_low is not None]
    if not weeks:
        return None
    lang = say.lang
    days = [week.week.monday + timedelta(days=3) for week in weeks]
    data: list[dict[str, Any]] = [
        {"type": "scatter", "mode": "lines", "x": days, "y": [w.idle_low for w in weeks],
         "line": {"width": 0}, "showlegend": False},
        {"type": "scatter", "mode": "lines", "x": days, "y": [w.idle_high for w in weeks],
         "line": {"width": 0}, "fill": "tonexty", "fillcolor": BAND, "showlegend": False},
        {"type": "scatter", "mode": "lines+markers", "x": days, "y": [w.idle for w in weeks],
         "line": LINE, "marker": {"size": 6, "color": INK}, "name": lang("plot.idle")},
        {"type": "scatter", "mode": "lines+markers", "x": days,
         "y": [w.loaded_low for w in weeks], "line": THIN,
         "marker": {"size": 6, "color": PAPER, "line": {"color": MUTED, "width": 1.5}},
         "name": lang("plot.loaded")},
    ]
    shown = [value for w in weeks for value in (w.idle_low, w.idle_high, w.loaded_low)
             if value is not None]
    limits = [("plot.low_limit", item.low_limit_volts), ("plot.high_limit", item.high_limit_volts)]
    span = max(shown) - min(shown) if shown else 1.0
    # A limit is drawn where it can be seen beside the readings without flattening them.
    near = [(key, volts) for key, volts in limits
            if min(shown) - 2 * span - 0.3 <= volts <= max(shown) + 2 * span + 0.3]
    shapes = [{"type": "line", "x0": 0, "x1": 1, "xref": "paper", "y0": volts, "y1": volts,
               "line": {"color": "var(--yellow-edge)", "width": 1.5, "dash": "dash"}}
              for _, volts in near]
    labels = [{"x": 0, "xref": "paper", "xanchor": "left", "y": volts, "yanchor": "bottom",
               "text": lang(key), "showarrow": False, "font": {"size": 11, "color": MUTED}}
              for key, volts in near]
    layout = {"shapes": shapes, "annotations": labels, "showlegend": True,
              "xaxis": {"type": "date"},
              "yaxis": {"title": {"text": f"{lang('plot.rail')} [V]"}}}
    says = lang("plot.rail_says", idle=lang.measured(
        item.idle.value, item.idle.low, item.idle.high, "V"), before=lang.measured(
            item.idle_before.value, item.idle_before.low, item.idle_before.high, "V"),
        loaded=say.volts(item.loaded_low, 2), low=say.volts(item.low_limit_volts),
        high=say.volts(item.high_limit_volts))
    return figure_block({"data": data, "layout": layout}, lang=lang, id=f"{prefix}rail",
                        title=title or lang("plot.rail_title"), says=says)


def _sags(item: SupplyHealth, say: Speaker, prefix: str, title: str) -> Markup | None:
    if len(item.sags) < 2:
        return None
    lang = say.lang
    sags = item.sags
    data: list[dict[str, Any]] = []
    most = max(point.amps for point in sags) * 1.1
    fit = item.resistance_ohms
    if fit.value is not None:
        if fit.low is not None and fit.high is not None:
            data.append({"type": "scatter", "mode": "lines", "x": [0, most, most, 0],
                         "y": [0, most * fit.low, most * fit.high, 0], "fill": "toself",
                         "fillcolor": BAND, "line": {"width": 0}, "showlegend": False})
        data.append({"type": "scatter", "mode": "lines", "x": [0, most],
                     "y": [0, most * fit.value], "line": LINE, "name": lang("plot.fit")})
    if item.resistance_before_ohms.value is not None:
        data.append({"type": "scatter", "mode": "lines", "x": [0, most],
                     "y": [0, most * item.resistance_before_ohms.value], "line": THIN,
                     "name": lang("plot.fit_before")})
    data.append({
        "type": "scatter", "mode": "markers", "x": [p.amps for p in sags],
        "y": [p.sag_volts for p in sags], "text": [figure_text(p.lock) for p in sags],
        "marker": {"size": 8, "color": PAPER, "line": {"color": INK, "width": 1.5}},
        "error_y": {"color": MUTED,
                    "array": [p.sag_high - p.sag_volts for p in sags],
                    "arrayminus": [p.sag_volts - p.sag_low for p in sags]},
        "name": lang("plot.each_lock"), "showlegend": True})
    layout = {"xaxis": {"title": {"text": f"{lang('plot.load')} [A]"}, "rangemode": "tozero"},
              "yaxis": {"title": {"text": f"{lang('plot.sag')} [V]"}, "rangemode": "tozero"},
              "showlegend": True}
    says = lang("plot.sag_says")
    if fit.value is not None:
        says += " " + lang("plot.fit_says", ohms=lang.measured(
            fit.value, fit.low, fit.high, "Ω"), interval=say.interval(
                fit.value, fit.low, fit.high, "Ω"))
    before = item.resistance_before_ohms
    if before.value is not None:
        says += " " + lang("plot.fit_before_says", ohms=lang.measured(
            before.value, before.low, before.high, "Ω"))
    return figure_block({"data": data, "layout": layout}, lang=lang, id=f"{prefix}sag",
                        title=title or lang("plot.sag_title"), says=says, height=300)

