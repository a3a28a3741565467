"""Plotly figures as page elements: drawn when scrolled into view, in the page's own colours.

A figure is plain Plotly JSON (``{"data": [...], "layout": {...}}``). Colours in it are
written as ``var(--blue)`` and the like; ``figures.js`` replaces them by what the
style sheet says for light, dark or paper just before it draws. The script of
Plotly is loaded once, and only when the first figure comes into view.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from functools import lru_cache
from typing import Any

from markupsafe import Markup, escape

DIGITS = 4
"""Significant digits of a plotted figure: finer than a pixel."""

INK, MUTED, RULE, PAPER = "var(--ink)", "var(--muted)", "var(--rule)", "var(--paper)"
RED, YELLOW, GREEN, BLUE = "var(--red)", "var(--yellow)", "var(--green)", "var(--blue)"
BAND = "var(--band)"
"""The range before: a pale fill without meaning of its own."""
LINE = {"color": INK, "width": 2}
THIN = {"color": MUTED, "width": 1, "dash": "dot"}

Figure = Mapping[str, Any]


@lru_cache(maxsize=1)
def plotly_script() -> bytes:
    """The one copy of the Plotly script that all pages of a folder share."""
    from plotly.offline import get_plotlyjs

    return str(get_plotlyjs()).encode()


def plotly_script_inline() -> Markup:
    """The same as the text of a script element that is not run until it is needed."""
    return Markup(plotly_script().decode().replace("</script", "<\\/script"))


def _plain(value: Any) -> Any:
    """Turn numbers, dates and nested values into short JSON."""
    if isinstance(value, bool) or value is None or isinstance(value, (str, int)):
        return value
    if isinstance(value, float):
        if not math.isfinite(value):
            return None
        return float(f"{value:.{DIGITS}g}") if value else 0
    if isinstance(value, datetime):
        return value.replace(tzinfo=None).isoformat(timespec="milliseconds")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, Sequence):
        return [_plain(item) for item in value]
    if hasattr(value, "tolist"):
        return _plain(value.tolist())
    return str(value)


def figure_json(figure: Figure | Any) -> str:
    """A figure as compact JSON that is safe inside a script element.

    ``figure`` is a mapping or a ``plotly.graph_objects.Figure``; the template that
    Plotly adds by itself is left out, since the page brings its own.
    """
    raw = figure if isinstance(figure, Mapping) else figure.to_plotly_json()
    layout = {key: value for key, value in dict(raw.get("layout", {})).items() if key != "template"}
    text = json.dumps(
        _plain({"data": list(raw.get("data", [])), "layout": layout}),
        separators=(",", ":"), ensure_ascii=False, allow_nan=False,
    )
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def figure_block(
    figure: Figure | Any, *, id: str, title: str, says: str, height: int = 280,
) -> Markup:
    """A figure as a page element, with its title above and its words beneath.

    Parameters
    ----------
    figure : mapping or plotly.graph_objects.Figure
        What to draw; give no title in it, and write text as text (names in figures
        must go through :func:`figure_text`).
    id : str
        Fixed id, unique on the page.
    title, says : str
        What it is, and what it shows in words: the text for those who cannot see
        it, and the summary for those who can.
    height : int, default 280
        Height on screen. [px]

    Returns
    -------
    markupsafe.Markup
    """
    return Markup(
        '<figure class="plot" id="{id}">'
        '<h3 class="plot-title" id="{id}-title">{title}</h3>'
        '<div class="plot-area" style="height:{height}px" role="img" '
        'aria-labelledby="{id}-title" aria-describedby="{id}-says" data-figure="{id}-data"></div>'
        '<figcaption id="{id}-says">{says}</figcaption>'
        '<script type="application/json" id="{id}-data">{data}</script>'
        "</figure>"
    ).format(id=id, title=title, says=says, height=height, data=Markup(figure_json(figure)))


def figure_text(text: str) -> str:
    """A name for use inside a figure: Plotly reads tags, so these are made plain text."""
    return str(escape(text))
