"""The raw signals of a lock's example operations: command, feedback switch and rail voltage."""

from __future__ import annotations

from typing import Any

from markupsafe import Markup

from remanence.analytics.health.model import LockHealth, Trace
from remanence.dashboards.figures import BLUE, INK, LINE, figure_block
from remanence.dashboards.health_words import LONG_MS, Speaker


def trace_figures(item: LockHealth, say: Speaker, prefix: str = "") -> list[Markup]:
    """One figure for each example operation of a lock."""
    return [_trace(trace, n, item, say, prefix) for n, trace in enumerate(item.traces, 1)]


def _trace(trace: Trace, number: int, item: LockHealth, say: Speaker, prefix: str) -> Markup:
    lang = say.lang
    rows: list[tuple[str, dict[str, Any], dict[str, Any]]] = []
    long = trace.command[-1][0] >= LONG_MS
    divisor, unit = (1000.0, "s") if long else (1.0, "ms")

    def steps(points: tuple[tuple[float, float], ...], name: str, labels: tuple[str, str]) -> None:
        rows.append((name, {
            "type": "scatter", "mode": "lines", "x": [x / divisor for x, _ in points],
            "y": [y for _, y in points], "line": {"shape": "hv", **LINE}},
            {"range": [-0.15, 1.15], "tickvals": [0, 1], "ticktext": list(labels)}))

    lock = item.lock
    off, on = lang("plot.off"), lang("plot.on")
    steps(trace.command, "command", (off, on) if lock.command_energised else (on, off))
    if trace.contact:
        steps(trace.contact, "contact", (lang("plot.contact_open"), lang("plot.contact_closed")))
    if trace.volts:
        line = _with_gaps(trace.volts, trace.volts_step_ms)
        rows.append(("volts", {
            "type": "scatter", "mode": "lines", "x": [x / divisor for x, _ in line],
            "y": [y for _, y in line], "line": {"color": INK, "width": 1.5}},
            {"nticks": 4}))
    weights = [2.2 if name == "volts" else 1.0 for name, _, _ in rows]
    room, gap, top = sum(weights), 0.12, 1.0
    layout: dict[str, Any] = {"showlegend": False, "shapes": [], "xaxis": {
        "title": {"text": f"{lang('plot.after_command')} [{unit}]"}}}
    data = []
    for index, ((name, curve, axis), weight) in enumerate(zip(rows, weights, strict=True), 1):
        height = (1.0 - gap * (len(rows) - 1)) * weight / room
        suffix = "" if index == 1 else str(index)
        data.append({**curve, "yaxis": f"y{suffix}"})
        layout[f"yaxis{suffix}"] = {
            **axis, "domain": [max(top - height, 0.0), top],
            "title": {"text": lang(f"plot.row_{name}")}}
        top -= height + gap
    if trace.latency_ms is not None:
        layout["shapes"].append({
            "type": "line", "x0": trace.latency_ms / divisor,
            "x1": trace.latency_ms / divisor, "y0": 0, "y1": 1,
            "yref": "paper", "line": {"color": BLUE, "width": 1.5, "dash": "dash"}})
    title = lang(f"plot.trace_{trace.role}", moment=lang.moment(trace.at, seconds=True))
    if trace.latency_ms is not None:
        says = lang("plot.trace_says", latency=say.value(trace.latency_ms, None, None, "ms"))
    else:
        says = lang(f"plot.trace_{trace.outcome.replace('-', '_')}")
    if trace.volts:
        lowest = min(value for _, value in trace.volts)
        says += " " + lang("plot.trace_volts", low=say.volts(lowest, 2))
    else:
        says += " " + lang("plot.trace_no_volts")
    return figure_block({"data": data, "layout": layout}, lang=lang, id=f"{prefix}trace-{number}",
                        title=title, says=says, height=60 + int(64 * room))


def _with_gaps(
    points: tuple[tuple[float, float], ...], step: float | None
) -> list[tuple[float, float | None]]:
    """Points with a break where the log has none: a line there would be made up."""
    line: list[tuple[float, float | None]] = []
    for before, point in zip((None, *points), points, strict=False):
        if before is not None and step and point[0] - before[0] > 12 * step:
            line.append(((before[0] + point[0]) / 2, None))
        line.append(point)
    return line
