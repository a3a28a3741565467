"""Figures as drawings in the page: an SVG that needs no script, on a screen and on paper.

A figure is a mapping of ``data`` and ``layout`` in the words of Plotly's figure schema, of which
this draws a part: ``scatter`` with lines, markers, error bars and fills, ``bar``, stacked y axes,
lines, rectangles and annotations. So a notebook can show the same mapping with Plotly, and a page
carries no megabyte of script.

The drawing stretches with the page while its text keeps its size: curves stand in an inner
drawing of 1,000 units' width that is stretched to the plot, with strokes that do not scale
(``vector-effect``), and text is placed at per cents of the width. Source: W3C, Scalable Vector
Graphics 2, sections 8.7 (preserveAspectRatio) and 8.13 (vector effects).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from markupsafe import Markup, escape

from remanence.dashboards.page import Language
from remanence.dashboards.svg_scale import Number, Scale, number_of, scale

_WIDTH = 1000
"""Units across the plot; finer than its pixels."""
_ROW = 15
"""Height of a line of small text. [px]"""
_LETTER = 6.6
"""Usual width of a letter of small text. [px]"""
_FOOT, _TITLE = 22, 18
"""Room for tick labels below, and for an axis' title. [px]"""
_INWARDS = 0.3
"""Text that stands nearer to an end than this share of the width would run over it on a phone."""
_EDGE = 0.05
"""A tick's label nearer to an end than this grows inwards."""
_DASHES = {"dot": " dot", "dash": " dash"}

Points = list[tuple[Number, Number]]


@dataclass
class _Panel:
    """One y axis and what is drawn against it: a strip across the plot."""

    axis: Mapping[str, Any]
    x: Scale
    y: Scale
    top: float
    height: float
    shapes: list[str] = field(default_factory=list)
    texts: list[str] = field(default_factory=list)

    def px(self, value: Any) -> Number:
        at = self.x.at(value)
        return None if at is None else round(at * _WIDTH, 1)

    def py(self, value: Any) -> Number:
        at = self.y.at(value)
        return None if at is None else round(self.top + (1 - at) * self.height, 1)

    def points(self, trace: Mapping[str, Any]) -> Points:
        return [(self.px(x), self.py(y)) for x, y in zip(trace["x"], trace["y"], strict=True)]


def draw(figure: Mapping[str, Any], lang: Language, height: int, label: Markup) -> Markup:
    """Draw a figure.

    Parameters
    ----------
    figure : mapping
        ``data`` and ``layout``.
    lang : Language
        Writes numbers and dates at the axes.
    height : int
        Of the whole drawing on screen. [px]
    label : Markup
        Attributes of the drawing that name it for those who do not see it.

    Returns
    -------
    markupsafe.Markup
        A ``div`` with legend, where one is needed, and the drawing.

    Raises
    ------
    ValueError
        A kind of trace that is not drawn here: a fault of the program.
    """
    data, layout = list(figure["data"]), figure.get("layout", {})
    rows = _rows_above(layout)
    x_axis = layout.get("xaxis", {})
    x_title = x_axis.get("title", {}).get("text", "")
    titled = any(axis.get("title", {}).get("text") for _, axis in _axes(layout))
    top = 6 + _ROW * rows + (_TITLE if titled else 0)
    foot = _FOOT + (_TITLE if x_title else 0)
    panels = _panels(data, layout, lang, top, height - top - foot)
    base = max(panel.top + panel.height for panel in panels.values())
    for panel in panels.values():
        _frame(panel)
    for shape in layout.get("shapes", ()):
        _shape(shape, panels, top, base)
    before: Points = []
    for trace in data:
        panel = panels[trace.get("yaxis", "y")]
        before = _trace(trace, panel, before)
    _names(data, panels)
    first = panels["y"]
    texts = [text for panel in panels.values() for text in panel.texts]
    texts += [_text(tick.at, base + _ROW, tick.text, "" if tick.at < _EDGE else "e" if
                    tick.at > 1 - _EDGE else "m") for tick in first.x.ticks]
    if x_title:
        texts.append(_text(1.0, base + _ROW + _TITLE, x_title, "e"))
    texts += [_annotation(item, first, top) for item in layout.get("annotations", ())]
    left = max((_LETTER * len(tick.text) for panel in panels.values() for tick in panel.y.ticks),
               default=0.0) + 10
    ticks = "".join(f"M{round(tick.at * _WIDTH, 1):g} {base:g}v4" for tick in first.x.ticks)
    return Markup(
        '{legend}<div class="chart" style="padding-left:{left}px"><svg height="{height}" '
        'role="img" {label}><svg width="100%" height="{height}" viewBox="0 0 {width} {height}" '
        'preserveAspectRatio="none">{shapes}<path class="axis" d="{ticks}"/></svg>{texts}</svg>'
        "</div>"
    ).format(
        legend=_legend(data, layout), left=round(min(left, 150)), height=height, width=_WIDTH,
        label=label, ticks=ticks, texts=Markup("".join(texts)),
        shapes=Markup("".join(shape for panel in panels.values() for shape in panel.shapes)))


def _axes(layout: Mapping[str, Any]) -> Iterator[tuple[str, Mapping[str, Any]]]:
    yield "y", layout.get("yaxis", {})
    for key, axis in layout.items():
        if re.fullmatch(r"yaxis\d+", key):
            yield key.replace("axis", ""), axis


def _rows_above(layout: Mapping[str, Any]) -> int:
    shifts = [item.get("yshift", 0) for item in layout.get("annotations", ())
              if item.get("yref") == "paper"]
    return 1 + int(max(shifts) // 14) if shifts else 0


def _panels(
    data: Sequence[Mapping[str, Any]], layout: Mapping[str, Any], lang: Language, top: float,
    height: float,
) -> dict[str, _Panel]:
    across = [x for trace in data for x in trace["x"]]
    if any(trace["type"] == "bar" for trace in data):
        across += [x for trace in data for x in _bar_ends(trace)]
    x = scale(layout.get("xaxis", {}), across, lang)
    panels = {}
    for name, axis in _axes(layout):
        values = [value for trace in data if trace.get("yaxis", "y") == name
                  for value in _values(trace)]
        values += [edge for shape in layout.get("shapes", ())
                   if shape.get("yref", "y") == name for edge in (shape["y0"], shape["y1"])]
        low, high = axis.get("domain", (0.0, 1.0))
        panels[name] = _Panel(axis, x, scale(axis, values, lang), top + (1 - high) * height,
                              (high - low) * height)
    return panels


def _values(trace: Mapping[str, Any]) -> list[Any]:
    values = [value for value in trace["y"] if value is not None]
    error = trace.get("error_y")
    if error:
        for y, up, down in zip(trace["y"], error["array"], error["arrayminus"], strict=True):
            if y is not None:
                values += [y + (up or 0.0), y - (down or 0.0)]
    if trace["type"] == "bar" or trace.get("fill") == "tozeroy":
        values.append(0.0)
    return values


def _bar_ends(trace: Mapping[str, Any]) -> list[float]:
    numbers = [number for x in trace["x"] if (number := number_of(x)) is not None]
    half = _half_bar(numbers)
    return [end for number in numbers for end in (number - half, number + half)]


def _half_bar(numbers: Sequence[float]) -> float:
    gaps = [b - a for a, b in pairwise(numbers) if b > a]
    return 0.35 * min(gaps, default=1.0)


def _frame(panel: _Panel) -> None:
    heights = [panel.top + (1 - tick.at) * panel.height for tick in panel.y.ticks]
    grid = "".join(f"M0 {y:.4g}H{_WIDTH}" for y in heights)
    foot = panel.top + panel.height
    panel.shapes.append(f'<path class="grid" d="{grid}"/>'
                        f'<path class="axis" d="M0 {foot:g}H{_WIDTH}"/>')
    for tick, y in zip(panel.y.ticks, heights, strict=True):
        panel.texts.append(f'<text x="-6" y="{y + 4:.4g}" class="e">{escape(tick.text)}</text>')
    title = panel.axis.get("title", {}).get("text", "")
    if title:
        panel.texts.append(_text(0.0, panel.top - 7, title, ""))


def _shape(
    shape: Mapping[str, Any], panels: Mapping[str, _Panel], top: float, base: float,
) -> None:
    yref = shape.get("yref", "y")
    panel = panels["y" if yref == "paper" else yref]
    whole_x, whole_y = shape.get("xref") == "paper", yref == "paper"
    x0, x1 = ((_WIDTH * shape[key] if whole_x else panel.px(shape[key])) for key in ("x0", "x1"))
    y0, y1 = ((base - shape[key] * (base - top) if whole_y else panel.py(shape[key]))
              for key in ("y0", "y1"))
    if None in (x0, x1, y0, y1):
        return
    if shape["type"] == "rect":
        low, high = sorted((_held(x0), _held(x1)))
        panel.shapes.insert(0, f'<path class="area {_colour(shape["fillcolor"])}" '
                            f'd="M{low:g} {y0:g}H{high:g}V{y1:g}H{low:g}z"/>')
        return
    panel.shapes.append(_path(f"M{x0:g} {y0:g}L{x1:g} {y1:g}", shape["line"]))


def _held(x: Number) -> float:
    return min(max(x or 0.0, 0.0), float(_WIDTH))


def _trace(trace: Mapping[str, Any], panel: _Panel, before: Points) -> Points:
    if trace["type"] == "bar":
        _bars(trace, panel)
        return before
    if trace["type"] != "scatter":
        raise ValueError(f"figure: found a trace of type {trace['type']!r}; draw scatter or bar")
    points = panel.points(trace)
    line = trace.get("line", {})
    steps = line.get("shape") == "hv"
    fill = trace.get("fill")
    if fill:
        panel.shapes.append(_area(trace, fill, points, before, panel, steps=steps))
    if "error_y" in trace:
        _errors(trace, panel)
    if "lines" in trace.get("mode", "lines") and line.get("width", 2):
        panel.shapes.append(_path(_way(points, steps=steps), line))
    if "markers" in trace.get("mode", "lines"):
        _markers(trace, panel, points)
    return points


def _path(way: str, line: Mapping[str, Any]) -> str:
    width = line.get("width", 2)
    wide = "" if width == 2 else f' style="stroke-width:{width:g}"'
    return (f'<path class="line {_colour(line.get("color", "var(--ink)"))}'
            f'{_DASHES.get(line.get("dash", ""), "")}"{wide} d="{way}"/>')


def _colour(colour: str) -> str:
    """The class that takes a colour from the style sheet: ``k-blue`` for ``var(--blue)``."""
    return f"k-{colour.removeprefix('var(--').removesuffix(')')}"


def _way(points: Points, *, steps: bool = False) -> str:
    """The path along points, with a break where one is missing."""
    made: list[str] = []
    last: tuple[float, float] | None = None
    for x, y in points:
        if x is None or y is None:
            last = None
            continue
        if last is None:
            made.append(f"M{x:g} {y:g}")
        elif steps:
            made.append(f"H{x:g}" + (f"V{y:g}" if y != last[1] else ""))
        elif (x, y) != last:
            made.append(f"L{x:g} {y:g}")
        last = x, y
    return "".join(made)


def _area(
    trace: Mapping[str, Any], fill: str, points: Points, before: Points, panel: _Panel, *,
    steps: bool,
) -> str:
    way = _way([point for point in points if None not in point], steps=steps)
    if fill == "tonexty":
        back = [point for point in reversed(before) if None not in point]
        way += _way(back).replace("M", "L", 1)
    elif fill == "tozeroy":
        known = [x for x, y in points if x is not None and y is not None]
        zero = panel.py(0.0)
        way += f"V{zero:g}H{known[0]:g}" if known else ""
    return f'<path class="area {_colour(trace["fillcolor"])}" d="{way}z"/>'


def _errors(trace: Mapping[str, Any], panel: _Panel) -> None:
    error = trace["error_y"]
    way = ""
    for x, y, up, down in zip(trace["x"], trace["y"], error["array"], error["arrayminus"],
                              strict=True):
        if y is not None and (up or down):
            way += (f"M{panel.px(x):g} {panel.py(y + (up or 0.0)):g}"
                    f"V{panel.py(y - (down or 0.0)):g}")
    if way:
        panel.shapes.append(_path(way, {"color": error["color"], "width": 1}))


def _markers(trace: Mapping[str, Any], panel: _Panel, points: Points) -> None:
    marker = trace.get("marker", {})
    known = [(x, y) for x, y in points if x is not None and y is not None]
    edge = marker.get("line", {}).get("color")
    if marker.get("symbol") == "line-ns-open":
        way = "".join(f"M{x:g} {y - 7:g}v14" for x, y in known)
        panel.shapes.append(_path(way, {"color": marker["color"], "width": 3}))
        return
    # A line of no length with round ends is a disc that stays round when the plot is stretched.
    way = "".join(f"M{x:g} {y:g}h.01" for x, y in known)
    size = marker.get("size", 6)
    for colour, width in ((edge, size + 1), (marker["color"], size - 2 if edge else size)):
        if colour:
            panel.shapes.append(f'<path class="dots {_colour(colour)}" '
                                f'style="stroke-width:{width:g}" d="{way}"/>')


def _bars(trace: Mapping[str, Any], panel: _Panel) -> None:
    ends = _bar_ends(trace)
    foot, way = panel.py(0.0), ""
    for n, y in enumerate(value for x, value in zip(trace["x"], trace["y"], strict=True)
                          if number_of(x) is not None):
        if y:
            low = (ends[2 * n] - panel.x.low) / (panel.x.high - panel.x.low) * _WIDTH
            high = (ends[2 * n + 1] - panel.x.low) / (panel.x.high - panel.x.low) * _WIDTH
            way += f"M{low:.4g} {foot:g}V{panel.py(y):g}H{high:.4g}V{foot:g}z"
    colour = _colour(trace["marker"]["color"])
    panel.shapes.append(f'<path class="bar {colour}" d="{way}"/>')


def _names(data: Sequence[Mapping[str, Any]], panels: Mapping[str, _Panel]) -> None:
    """Write each line's name at its end: above it, or below where another ends above."""
    ends: dict[str, list[tuple[float, float, str]]] = {}
    for trace in data:
        if not _named_at_end(trace):
            continue
        name = trace.get("yaxis", "y")
        known = [(x, y) for x, y in panels[name].points(trace)
                 if x is not None and y is not None]
        if known:
            x, y = known[-1]
            ends.setdefault(name, []).append((y, x, trace["name"]))
    for name, found in ends.items():
        panel, taken = panels[name], -100.0
        for number, (end, x, text) in enumerate(sorted(found)):
            below = number == len(found) - 1 and number > 0
            y = max(end + _ROW if below else end - 7, panel.top + 9, taken + _ROW)
            y = min(y, panel.top + panel.height - 3) if taken + _ROW <= (
                panel.top + panel.height - 3) else y
            taken = y
            at = x / _WIDTH
            panel.texts.append(_text(at, y, text, "e" if at > 0.5 else "", bold=True))


def _named_at_end(trace: Mapping[str, Any]) -> bool:
    """Whether a trace is a line whose name stands at its end; steps end on the axis."""
    line = trace.get("line", {})
    return bool(trace.get("name")) and trace["type"] == "scatter" and (
        "lines" in trace.get("mode", "lines") and trace.get("showlegend", True)
        and line.get("shape") != "hv" and line.get("width", 2) > 0)


def _legend(data: Sequence[Mapping[str, Any]], layout: Mapping[str, Any]) -> Markup:
    """What the kinds of points are; lines are named at their ends."""
    if not layout.get("showlegend", True):
        return Markup("")
    items = []
    for trace in data:
        if not trace.get("name") or trace.get("showlegend") is False or _named_at_end(trace):
            continue
        items.append(Markup('<li><i class="{kind}"></i>{name}</li>').format(
            kind=_swatch(trace), name=trace["name"]))
    return Markup('<ul class="chart-key">{}</ul>').format(Markup("").join(items)) if items else (
        Markup(""))


def _swatch(trace: Mapping[str, Any]) -> str:
    """Classes of the sign that stands for a trace: a disc, a ring, an area or a line."""
    if "lines" in trace.get("mode", "lines"):
        filled = "fillcolor" in trace
        return ("full square " if filled else "flat ") + _colour(
            trace["fillcolor"] if filled else trace["line"]["color"])
    marker = trace.get("marker", {})
    edge = marker.get("line", {}).get("color")
    filled = edge is None or marker.get("color") == edge
    return ("full " if filled else "") + _colour(edge or marker.get("color", "var(--ink)"))


def _annotation(item: Mapping[str, Any], panel: _Panel, top: float) -> str:
    at = float(item["x"] if item.get("xref") == "paper" else panel.x.at(item["x"]) or 0.0)
    if item.get("yref") == "paper":
        y = top - item.get("yshift", 0) - (_TITLE if panel.axis.get("title") else 0) + 2
        return _text(at, y, item["text"], _anchor(at))
    y = panel.py(item["y"]) or 0.0
    return _text(at, y - 4, item["text"], "" if item.get("xanchor") == "left" else _anchor(at))


def _anchor(at: float) -> str:
    """Text near an end of the plot grows inwards."""
    return "" if at < _INWARDS else "e" if at > 1 - _INWARDS else "m"


def _text(at: float, y: float, text: str, kind: str, *, bold: bool = False) -> str:
    classes = " ".join(filter(None, (kind, "name" if bold else "")))
    named = f' class="{classes}"' if classes else ""
    # Names come escaped from figure_text; what is not escaped yet is, and nothing is twice.
    return (f'<text x="{100 * at:.3g}%" y="{y:.4g}"{named}>'
            f"{escape(Markup(text).unescape())}</text>")
