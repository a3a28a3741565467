"""The figures of a lock's page: summaries as plain Plotly JSON, with words beneath."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from markupsafe import Markup

from remanence.analytics.health.model import LockHealth
from remanence.dashboards.figures import (
    BAND,
    BLUE,
    INK,
    LINE,
    MUTED,
    PAPER,
    THIN,
    figure_block,
    figure_text,
)
from remanence.dashboards.health_words import Speaker

_MINUTES_MS = 120_000.0
"""From here on the time of a command is told in minutes or hours."""


def lock_figures(item: LockHealth, say: Speaker, prefix: str = "") -> list[Markup]:
    """The figures of a lock's page, in reading order; those without data are left out."""
    made = [_latency(item, say, prefix), _distribution(item, say, prefix),
            _against_volts(item, say, prefix), _pulses(item, say, prefix),
            _coil_heat(item, say, prefix)]
    return [figure for figure in made if figure is not None]


def _seconds(item: LockHealth) -> tuple[float, str]:
    """Divisor and unit: latencies of many seconds (a person's push) are shown in seconds."""
    highest = max((p.p95_ms or p.median_ms or 0.0 for p in item.weeks), default=0.0)
    return (1000.0, "s") if highest >= 10_000 else (1.0, "ms")


def _vertical(day: date, colour: str, dash: str) -> dict[str, Any]:
    return {"type": "line", "x0": day, "x1": day, "y0": 0, "y1": 1, "yref": "paper",
            "layer": "below", "line": {"color": colour, "width": 1.5, "dash": dash}}


def _label(day: date, text: str, row: int) -> dict[str, Any]:
    return {"x": day, "y": 1, "yref": "paper", "yanchor": "bottom", "yshift": 2 + 14 * row,
            "text": figure_text(text), "showarrow": False, "font": {"size": 11, "color": MUTED}}


def _latency(item: LockHealth, say: Speaker, prefix: str) -> Markup | None:
    points = [point for point in item.weeks if point.median_ms is not None]
    if not points:
        return None
    lang, (divisor, unit) = say.lang, _seconds(item)

    def scaled(value: float | None) -> float | None:
        return None if value is None else value / divisor

    # The middle of its week stands for a week.
    days = [point.week.monday + timedelta(days=3) for point in points]
    medians = [scaled(point.median_ms) for point in points]
    data: list[dict[str, Any]] = [
        {"type": "scatter", "mode": "lines", "x": days, "y": [scaled(p.p95_ms) for p in points],
         "line": THIN, "name": lang("plot.p95"), "hovertemplate": "%{x}: %{y} " + unit
         + "<extra></extra>"},
        {"type": "scatter", "mode": "lines+markers", "x": days, "y": medians, "line": LINE,
         "marker": {"size": 6, "color": INK}, "name": lang("plot.median"),
         "error_y": {"type": "data", "symmetric": False, "thickness": 1, "width": 0,
                     "color": MUTED,
                     "array": [_gap(scaled(p.high_ms), m)
                               for p, m in zip(points, medians, strict=True)],
                     "arrayminus": [_gap(m, scaled(p.low_ms))
                                    for p, m in zip(points, medians, strict=True)]},
         "hovertemplate": "%{x}: %{y} " + unit + "<extra></extra>"},
    ]
    missed = [100 * p.counts.unanswered / p.counts.judged if p.counts.unanswered else None
              for p in points]
    shapes: list[dict[str, Any]] = []
    marks: list[dict[str, Any]] = []
    if item.band_low_ms is not None and item.band_high_ms is not None and item.baseline_from:
        shapes.append({
            "type": "rect", "x0": item.baseline_from, "x1": days[-1] + timedelta(days=3),
            "y0": scaled(item.band_low_ms), "y1": scaled(item.band_high_ms), "layer": "below",
            "fillcolor": BAND, "line": {"width": 0}})
    first = days[0] - timedelta(days=4)
    row = 0
    for mark in item.service:
        if mark.day >= first and mark.action != "release-tested":
            shapes.append(_vertical(mark.day, MUTED, "solid"))
            marks.append(_label(mark.day, lang(f"action.{mark.action}"), row % 2))
            row += 1
    for finding in item.findings:
        if finding.since and finding.since >= first and finding.condition != "release-test-due":
            shapes.append(_vertical(finding.since, BLUE, "dash"))
            marks.append(_label(finding.since, say.wrong(finding), row % 2))
            row += 1
    layout: dict[str, Any] = {
        "shapes": shapes, "annotations": marks, "showlegend": False,
        "xaxis": {"type": "date", "anchor": "y2" if any(missed) else "y",
                  "tickformat": lang("plot.tick_day")},
        "yaxis": {"title": {"text": f"{lang('plot.latency')} [{unit}]"}, "rangemode": "tozero",
                  "domain": [0.34, 1] if any(missed) else [0, 1]},
        "margin": {"t": 40 if marks else 8},
    }
    if any(missed):
        data.append({"type": "bar", "x": days, "y": missed, "yaxis": "y2",
                     "marker": {"color": "var(--yellow)",
                                "line": {"color": "var(--yellow-edge)", "width": 1}},
                     "hovertemplate": "%{x}: %{y:.1f} %<extra></extra>"})
        layout["yaxis2"] = {"domain": [0, 0.22], "title": {"text": f"{lang('plot.missed')} [%]"},
                            "rangemode": "tozero", "nticks": 3}
    says = [lang("plot.latency_says", median=say.latency(item.now, item.resolution_ms),
                 interval=lang.interval(item.now.value, item.now.low, item.now.high))
            if item.now.value is not None else lang("plot.latency_not_now")]
    if item.before.value is not None and item.baseline_from and item.baseline_to:
        says.append(lang("plot.baseline_says", median=say.latency(item.before, item.resolution_ms),
                         first=lang.day(item.baseline_from), last=lang.day(item.baseline_to)))
        if item.now.value is not None and not item.findings:
            says.append(lang("plot.change_says", change=say.change(item)))
    else:
        says.append(lang("plot.no_baseline"))
    if any(missed):
        says.append(lang("plot.missed_says"))
    if any(point.p95_ms is None for point in points):
        says.append(lang("plot.p95_gone"))
    if any(mark["line"]["dash"] == "dash" for mark in shapes if "dash" in mark["line"]):
        says.append(lang("plot.since_says"))
    return figure_block(
        {"data": data, "layout": layout}, id=f"{prefix}latency",
        title=lang("plot.latency_title"), says=" ".join(says), height=340 if any(missed) else 280,
    )


def _gap(high: float | None, low: float | None) -> float:
    return max(high - low, 0.0) if high is not None and low is not None else 0.0


def _distribution(item: LockHealth, say: Speaker, prefix: str) -> Markup | None:
    histogram = item.histogram
    if histogram is None:
        return None
    lang, (divisor, unit) = say.lang, _seconds(item)
    edges = [edge / divisor for edge in histogram.edges_ms]

    def steps(shares: tuple[float, ...]) -> dict[str, Any]:
        return {"x": edges, "y": [100 * share for share in shares] + [0.0],
                "type": "scatter", "mode": "lines"}

    data: list[dict[str, Any]] = []
    if histogram.before_n:
        data.append({**steps(histogram.before), "line": {"shape": "hv", "width": 0},
                     "fill": "tozeroy", "fillcolor": BAND, "name": lang("plot.before"),
                     "hoverinfo": "skip"})
    data.append({**steps(histogram.now), "line": {"shape": "hv", **LINE},
                 "name": lang("plot.now"), "hovertemplate": "%{x} " + unit
                 + ": %{y:.0f} %<extra></extra>"})
    wide = edges[-1] > 6 * edges[0]
    axis: dict[str, Any] = {"title": {"text": f"{lang('plot.latency')} [{unit}]"}}
    if wide:
        axis |= {"type": "log", "tickvals": _ticks(edges[0], edges[-1])}
    layout = {"xaxis": axis, "yaxis": {"title": {"text": f"{lang('plot.share')} [%]"},
                                       "rangemode": "tozero"}, "showlegend": True}
    says = lang("plot.distribution_says" if histogram.before_n else "plot.distribution_now",
                now=histogram.now_n, before=histogram.before_n)
    if item.p95_now.value is not None:
        says += " " + lang("plot.p95_says", p95=say.latency(item.p95_now, item.resolution_ms))
    if item.week.unanswered:
        says += " " + lang("plot.not_in_says", count=item.week.unanswered)
    return figure_block({"data": data, "layout": layout}, id=f"{prefix}distribution",
                        title=lang("plot.distribution_title"), says=says, height=240)


def _ticks(low: float, high: float) -> list[float]:
    steps = [m * 10.0**e for e in range(-2, 6) for m in (1, 2, 5)]
    return [step for step in steps if low <= step <= high]


def _against_volts(item: LockHealth, say: Speaker, prefix: str) -> Markup | None:
    if len(item.volts) < 3:
        return None
    lang, (divisor, unit) = say.lang, _seconds(item)
    data = []
    for recent in (False, True):
        bins = [point for point in item.volts if point.recent == recent]
        if not bins:
            continue
        colour = INK if recent else MUTED
        data.append({
            "type": "scatter", "mode": "markers", "x": [p.volts for p in bins],
            "y": [p.median_ms / divisor for p in bins],
            "marker": {"size": 8, "color": colour if recent else PAPER,
                       "line": {"color": colour, "width": 1.5}},
            "error_y": {"type": "data", "symmetric": False, "width": 0, "thickness": 1,
                        "color": colour,
                        "array": [(p.high_ms - p.median_ms) / divisor for p in bins],
                        "arrayminus": [(p.median_ms - p.low_ms) / divisor for p in bins]},
            "name": lang("plot.now" if recent else "plot.before"),
            "hovertemplate": "%{x:.2f} V: %{y} " + unit + "<extra></extra>",
        })
    layout = {"xaxis": {"title": {"text": f"{lang('plot.loaded_volts')} [V]"},
                        "tickformat": ".2f", "nticks": 7},
              "yaxis": {"title": {"text": f"{lang('plot.latency')} [{unit}]"},
                        "rangemode": "tozero"}, "showlegend": True}
    low, high = min(p.volts for p in item.volts), max(p.volts for p in item.volts)
    both = any(not point.recent for point in item.volts)
    says = lang("plot.volts_says" if both else "plot.volts_now", low=say.volts(low, 2),
                high=say.volts(high, 2)) + " " + lang(
        "plot.volts_magnet" if item.lock.is_magnet else "plot.volts_latch")
    return figure_block({"data": data, "layout": layout}, id=f"{prefix}volts",
                        title=lang("plot.volts_title"), says=says, height=250)


def _pulse_length(ms: float, say: Speaker) -> str:
    """A pulse as findings tell it, a magnet's long time off in minutes or hours."""
    return say.value(ms, None, None, "ms") if ms < _MINUTES_MS else say.span(ms)


def _pulses(item: LockHealth, say: Speaker, prefix: str) -> Markup | None:
    pulses = item.pulses
    if pulses is None:
        return None
    lang = say.lang
    alike = len(pulses.counts) == 1 and pulses.n > 1
    kind = "pulses" if item.lock.pulsed else "off_times"
    title = lang(f"plot.{kind}_title")
    says = lang(f"plot.{kind}_alike" if alike else f"plot.{kind}_says", count=pulses.n,
                median=_pulse_length(pulses.median_ms, say),
                shortest=_pulse_length(pulses.shortest_ms, say),
                longest=_pulse_length(pulses.longest_ms, say))
    if pulses.ended_before_release:
        says += " " + lang("plot.pulses_early", count=pulses.ended_before_release)
    if item.lock.max_on_ms:
        says += " " + lang("plot.pulses_rated", rated=lang.measured(item.lock.max_on_ms, unit="ms"))
    if len(pulses.counts) == 1:
        # One length, nothing to draw: the sentence says it all.
        return Markup('<section class="plot" id="{id}"><h3 class="plot-title">{title}</h3>'
                      "<p>{says}</p></section>").format(
                          id=f"{prefix}pulses", title=title, says=says)
    edges = pulses.edges_ms
    divisor, unit = ((60_000.0, "min") if edges[-1] >= 600_000 else
                     (1000.0, "s") if edges[-1] >= 10_000 else (1.0, "ms"))
    name = lang("plot.pulse" if item.lock.pulsed else "plot.off_time")
    axis: dict[str, Any] = {"title": {"text": f"{name} [{unit}]"}}
    if edges[-1] > 6 * edges[0]:
        axis |= {"type": "log", "tickvals": _ticks(edges[0] / divisor, edges[-1] / divisor)}
    data = [{"type": "scatter", "mode": "lines", "x": [edge / divisor for edge in edges],
             "y": [*pulses.counts, 0], "line": {"shape": "hv", **LINE}, "fill": "tozeroy",
             "fillcolor": BAND, "hovertemplate": "%{x} " + unit + ": %{y}<extra></extra>"}]
    layout = {"xaxis": axis, "yaxis": {"title": {"text": lang("plot.count")},
                                       "rangemode": "tozero"}, "showlegend": False}
    return figure_block({"data": data, "layout": layout}, id=f"{prefix}pulses",
                        title=title, says=says, height=220)


def _coil_heat(item: LockHealth, say: Speaker, prefix: str) -> Markup | None:
    heat = item.heat
    if heat is None or not heat.curve_minutes or heat.at is None:
        return None
    lang = say.lang
    data = [{"type": "scatter", "mode": "lines", "x": [x for x, _ in heat.curve_minutes],
             "y": [y for _, y in heat.curve_minutes], "line": LINE,
             "hovertemplate": "%{x:.0f} min: %{y:.0f} °C<extra></extra>"}]
    layout: dict[str, Any] = {
        "showlegend": False,
        "xaxis": {"title": {"text": f"{lang('plot.after_hottest')} [min]"}},
        "yaxis": {"title": {"text": f"{lang('plot.coil')} [°C]"}},
    }
    if heat.bears_celsius is not None:
        layout["shapes"] = [{
            "type": "line", "x0": 0, "x1": 1, "xref": "paper", "y0": heat.bears_celsius,
            "y1": heat.bears_celsius,
            "line": {"color": "var(--red)", "width": 1.5, "dash": "dash"}}]
        layout["annotations"] = [{
            "x": 0, "xref": "paper", "xanchor": "left", "y": heat.bears_celsius,
            "yanchor": "bottom", "text": lang("plot.bears"), "showarrow": False,
            "font": {"size": 11, "color": MUTED}}]
    says = lang("plot.heat_says", moment=lang.moment(heat.at),
                value=lang.unit(lang.number(heat.highest_celsius), "°C"),
                interval=lang.interval(heat.highest_celsius, heat.low_celsius, heat.high_celsius),
                method=lang(f"heat.{heat.method}"))
    return figure_block({"data": data, "layout": layout}, id=f"{prefix}heat",
                        title=lang("plot.heat_title"), says=says, height=240)
