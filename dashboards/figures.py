"""Figures as page elements: a drawing with its title above and its words beneath."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from markupsafe import Markup, escape

from remanence.dashboards.page import Language
from remanence.dashboards.svg import draw

INK, MUTED, RULE, PAPER = "var(--ink)", "var(--muted)", "var(--rule)", "var(--paper)"
RED, YELLOW, GREEN, BLUE = "var(--red)", "var(--yellow)", "var(--green)", "var(--blue)"
BAND = "var(--band)"
"""The range before: a pale fill without meaning of its own."""
LINE = {"color": INK, "width": 2}
THIN = {"color": MUTED, "width": 1, "dash": "dot"}

Figure = Mapping[str, Any]


def figure_block(
    figure: Figure, *, lang: Language, id: str, title: str, says: str, height: int = 280,
) -> Markup:
    """A figure as a page element, with its title above and its words beneath.

    Parameters
    ----------
    figure : mapping
        What to draw (:func:`remanence.dashboards.svg.draw`); give no title in it. Colours are
        those of the style sheet, ``var(--blue)`` and the like, so that they follow light, dark
        and paper.
    lang : Language
        Writes numbers and dates at the axes.
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
    label = Markup('aria-labelledby="{id}-title" aria-describedby="{id}-says"').format(id=id)
    return Markup(
        '<figure class="plot" id="{id}"><h3 class="plot-title" id="{id}-title">{title}</h3>'
        '{drawing}<figcaption id="{id}-says">{says}</figcaption></figure>'
    ).format(id=id, title=title, says=says, drawing=draw(figure, lang, height, label))


def figure_text(text: str) -> str:
    """A name for use inside a figure, where a notebook's drawing would read tags."""
    return str(escape(text))
