"""The figures of a lock's page: summaries as plain Plotly JSON, with words beneath."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import partial
from typing import Any

from markupsafe import Markup

from remanence.analytics.health.model import FaultMeasure, LockHealth
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
from remanence.dashboards.health_words import LONG_MS, Speaker
from remanence.shared.findings import Finding

_MINUTES_MS = 120_000.0
"""From here on the time of a command is told in minutes or hours."""


@dataclass(frozen=True)
class LockFigures:
    """The figures of a lock's page: what shows its fault, or its weeks; and the rest."""

    first: tuple[Markup, ...]
    more: tuple[Markup, ...]


def lock_figures(item: LockHealth, say: Speaker, prefix: str = "") -> LockFigures:
    """The figures of a lock's page, in reading order; those without data are left out.

    The first shows the fault that was found, under its conclusion; where nothing was found, the
    weeks of the time to release.
    """
    lead = next((found for found in item.findings if found.evidence), None)
    latency = partial(_latency, item, say, prefix)
    spread = partial(_distribution, item, say, prefix)
    heat = partial(_coil_heat, item, say, prefix)
    rest = [spread, partial(_against_volts, item, say, prefix), partial(_pulses, item, say, prefix),
            heat]
    first: list[Callable[[str], Markup | None]]
    if item.fault is not None:
        first = [partial(_fault, item, item.fault, say, prefix)]
        rest.insert(0, latency)
    elif lead is not None and lead.condition == "hot-coil" and _coil_heat(item, say, prefix, ""):
        first = [heat]
        rest = [latency, *rest[:-1]]
    elif lead is not None and lead.evidence[0].id in _SPREAD:
        first = [spread, latency]
        rest = rest[1:]
    else:
        first = [latency]
    title = f"{say.wrong(lead)}{say.figure(lead, ': ')}" if lead else ""
    made = [figure for n, draw in enumerate(first)
            if (figure := draw("" if n else title)) is not None]
    more = [figure for draw in rest if (figure := draw("")) is not None]
    return LockFigures(tuple(made), tuple(more))


_SPREAD = ("slow-or-unanswered-commands",)
"""Figures of findings that a spread shows better than weekly medians do."""


def _fault(
    item: LockHealth, fault: FaultMeasure, say: Speaker, prefix: str, title: str
) -> Markup | None:
    """The quantity that shows the fault, week by week."""
    lang = say.lang
    finding = next(found for found in item.findings if found.condition == fault.condition)
    highest = max(value for _, value in fault.weeks)
    divisor, unit = (1000.0, "s") if fault.unit == "ms" and highest >= LONG_MS else (
        1.0, say.unit(fault.unit))
    name = lang(f"plot.fault.{fault.id}")
    days = [week.monday + timedelta(days=3) for week, _ in fault.weeks]
    data = [{"type": "scatter", "mode": "lines+markers", "x": days, "line": LINE,
             "y": [value / divisor for _, value in fault.weeks],
             "marker": {"size": 6, "color": INK}}]
    shapes, marks = _marks(item, [finding], say, days[0] - timedelta(days=4))
    layout = {"shapes": shapes, "annotations": marks, "showlegend": False,
              "xaxis": {"type": "date"},
              "yaxis": {"title": {"text": f"{name} [{unit}]" if unit else name},
                        "rangemode": "tozero"}}
    says = [lang("plot.fault_says", name=name)]
    if finding.since and finding.since >= days[0] - timedelta(days=4):
        says.append(lang("plot.since_says"))
    return figure_block({"data": data, "layout": layout}, lang=lang, id=f"{prefix}fault",
                        title=title, says=" ".join(says), height=220)


def _marks(
    item: LockHealth, findings: Sequence[Finding], say: Speaker, first: date
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Upright lines, and what stands above them: work on the lock, and faults first seen."""
    shapes: list[dict[str, Any]] = []
    marks: list[dict[str, Any]] = []
    for mark in item.service:
        if mark.day >= first and mark.action != "release-tested":
            marks.append(_label(mark.day, say.lang(f"action.{mark.action}"), len(marks) % 2))
            shapes.append(_vertical(mark.day, MUTED, "solid"))
    for finding in findings:
        if finding.since and finding.since >= first and finding.condition != "release-test-due":
            marks.append(_label(finding.since, say.wrong(finding), len(marks) % 2))
            shapes.append(_vertical(finding.since, BLUE, "dash"))
    return shapes, marks


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


def _latency(item: LockHealth, say: Speaker, prefix: str, title: str) -> Markup | None:
    # A week in which nothing was answered has no median, and its bar says so.
    points = [point for point in item.weeks if point.median_ms is not None or point.counts.judged]
    if not any(point.median_ms is not None for point in points):
        return None
    lang, (divisor, unit) = say.lang, _seconds(item)

    def scaled(value: float | None) -> float | None:
        return None if value is None else value / divisor

    # The middle of its week stands for a week.
    days = [point.week.monday + timedelta(days=3) for point in points]
    medians = [scaled(point.median_ms) for point in points]
    data: list[dict[str, Any]] = [
        {"type": "scatter", "mode": "lines", "x": days, "y": [scaled(p.p95_ms) for p in points],
         "line": THIN, "name": lang("plot.p95")},
        {"type": "scatter", "mode": "lines+markers", "x": days, "y": medians, "line": LINE,
         "marker": {"size": 6, "color": INK}, "name": lang("plot.median"),
         "error_y": {"color": MUTED,
                     "array": [_gap(scaled(p.high_ms), m)
                               for p, m in zip(points, medians, strict=True)],
                     "arrayminus": [_gap(m, scaled(p.low_ms))
                                    for p, m in zip(points, medians, strict=True)]}},
    ]
    missed = [100 * p.counts.unanswered / p.counts.judged if p.counts.unanswered else None
              for p in points]
    shapes, marks = _marks(item, item.findings, say, days[0] - timedelta(days=4))
    if item.band_low_ms is not None and item.band_high_ms is not None and item.baseline_from:
        shapes.insert(0, {
            "type": "rect", "x0": item.baseline_from, "x1": days[-1] + timedelta(days=3),
            "y0": scaled(item.band_low_ms), "y1": scaled(item.band_high_ms),
            "fillcolor": BAND})
    layout: dict[str, Any] = {
        "shapes": shapes, "annotations": marks, "showlegend": False, "xaxis": {"type": "date"},
        "yaxis": {"title": {"text": f"{lang('plot.latency')} [{unit}]"}, "rangemode": "tozero",
                  "domain": [0.42, 1] if any(missed) else [0, 1]},
    }
    if any(missed):
        data.append({"type": "bar", "x": days, "y": missed, "yaxis": "y2",
                     "marker": {"color": "var(--yellow)"}})
        layout["yaxis2"] = {"domain": [0, 0.26], "title": {"text": f"{lang('plot.missed')} [%]"},
                            "rangemode": "tozero", "nticks": 3}
    return figure_block(
        {"data": data, "layout": layout}, lang=lang, id=f"{prefix}latency",
        title=title or lang("plot.latency_title"), says=_latency_says(item, say, missed=missed),
        height=300 if any(missed) else 210,
    )


def _latency_says(item: LockHealth, say: Speaker, *, missed: Sequence[float | None]) -> str:
    lang = say.lang
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
    if any(point.p95_ms is None for point in item.weeks) and item.findings:
        says.append(lang("plot.p95_gone"))
    if any(found.since and found.condition != "release-test-due" for found in item.findings):
        says.append(lang("plot.since_says"))
    return " ".join(says)


def _gap(high: float | None, low: float | None) -> float:
    return max(high - low, 0.0) if high is not None and low is not None else 0.0


def _distribution(item: LockHealth, say: Speaker, prefix: str, title: str) -> Markup | None:
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
                     "fill": "tozeroy", "fillcolor": BAND, "name": lang("plot.before")})
    data.append({**steps(histogram.now), "line": {"shape": "hv", **LINE},
                 "name": lang("plot.now")})
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
    return figure_block({"data": data, "layout": layout}, lang=lang, id=f"{prefix}distribution",
                        title=title or lang("plot.distribution_title"), says=says, height=240)


def _ticks(low: float, high: float) -> list[float]:
    steps = [m * 10.0**e for e in range(-2, 6) for m in (1, 2, 5)]
    return [step for step in steps if low <= step <= high]


def _against_volts(item: LockHealth, say: Speaker, prefix: str, title: str) -> Markup | None:
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
            "error_y": {"color": colour,
                        "array": [(p.high_ms - p.median_ms) / divisor for p in bins],
                        "arrayminus": [(p.median_ms - p.low_ms) / divisor for p in bins]},
            "name": lang("plot.now" if recent else "plot.before"),
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
    return figure_block({"data": data, "layout": layout}, lang=lang, id=f"{prefix}volts",
                        title=title or lang("plot.volts_title"), says=says, height=250)


def _pulse_length(ms: float, say: Speaker) -> str:
    """A pulse as findings tell it, a magnet's long time off in minutes or hours."""
    return say.value(ms, None, None, "ms") if ms < _MINUTES_MS else say.span(ms)


def _pulses(item: LockHealth, say: Speaker, prefix: str, title: str) -> Markup | None:
    pulses = item.pulses
    if pulses is None:
        return None
    lang = say.lang
    alike = len(pulses.counts) == 1 and pulses.n > 1
    kind = "pulses" if item.lock.pulsed else "off_times"
    title = title or lang(f"plot.{kind}_title")
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
             "fillcolor": BAND}]
    layout = {"xaxis": axis, "yaxis": {"title": {"text": lang("plot.count")},
                                       "rangemode": "tozero"}, "showlegend": False}
    return figure_block({"data": data, "layout": layout}, lang=lang, id=f"{prefix}pulses",
                        title=title, says=says, height=220)


def _coil_heat(item: LockHealth, say: Speaker, prefix: str, title: str) -> Markup | None:
    heat = item.heat
    if heat is None or not heat.curve_minutes or heat.at is None:
        return None
    lang = say.lang
    data = [{"type": "scatter", "mode": "lines", "x": [x for x, _ in heat.curve_minutes],
             "y": [y for _, y in heat.curve_minutes], "line": LINE}]
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
    return figure_block({"data": data, "layout": layout}, lang=lang, id=f"{prefix}heat",
                        title=title or lang("plot.heat_title"), says=says, height=240)
