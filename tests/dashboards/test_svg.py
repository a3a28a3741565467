"""Figures as drawings: where points stand, what is written, and that text stays text."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from datetime import date, timedelta
from itertools import pairwise

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from remanence.dashboards.figures import BAND, INK, LINE, figure_block
from remanence.dashboards.page import language
from remanence.dashboards.svg_scale import scale

EN, DE = language("en"), language("de")


CALM = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
"""On a machine that other work slows down."""


def drawn(data, layout=None, *, lang=EN, **more) -> str:
    return str(figure_block({"data": data, "layout": layout or {}}, lang=lang, id="one",
                            title=more.pop("title", "t"), says="s", **more))


def tree(text: str) -> ET.Element:
    return ET.fromstring(text.replace("&nbsp;", " "))


def path(text: str, kind: str) -> list[tuple[float, float]]:
    way = re.search(rf'class="{kind}[^"]*"[^>]*d="([^"]*)"', text).group(1)
    return [(float(x), float(y)) for x, y in re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", way)]


def test_a_line_runs_from_corner_to_corner_of_its_axes():
    text = drawn([{"type": "scatter", "mode": "lines", "x": [0, 5, 10], "y": [0, 50, 100],
                   "line": LINE}],
                 {"xaxis": {"range": [0, 10]}, "yaxis": {"range": [0, 100]}}, height=228)
    # Above: 6 px; below: 22 px of tick labels. 200 px are left for 100 units.
    assert path(text, "line") == [(0, 206), (500, 106), (1000, 6)]


def test_a_missing_point_breaks_the_line():
    text = drawn([{"type": "scatter", "mode": "lines", "x": [0, 1, 2, 3], "y": [1, 2, None, 3],
                   "line": LINE}])
    way = re.search(r'class="line k-ink" d="([^"]*)"', text).group(1)
    assert way.count("M") == 2


@CALM
@given(st.lists(st.tuples(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6)), min_size=2, max_size=30))
def test_every_point_stands_inside_the_drawing_and_in_order(points):
    points.sort()
    x, y = [p[0] for p in points], [p[1] for p in points]
    text = drawn([{"type": "scatter", "mode": "markers", "x": x, "y": y,
                   "marker": {"size": 6, "color": INK}}], height=200)
    tree(text)
    way = re.search(r'class="dots[^"]*"[^>]*d="([^"]*)"', text).group(1)
    found = [(float(a), float(b)) for a, b in re.findall(r"M(-?[\d.e+-]+) (-?[\d.e+-]+)h", way)]
    assert len(found) == len(points)
    assert all(0 <= a <= 1000 and 0 <= b <= 200 for a, b in found)
    assert [a for a, _ in found] == sorted(a for a, _ in found)
    ranks = sorted(range(len(y)), key=lambda n: y[n])
    heights = [found[n][1] for n in ranks]
    assert all(low >= high for low, high in pairwise(heights))


@CALM
@given(st.floats(-1e5, 1e5), st.floats(1e-3, 1e5))
def test_ticks_lie_on_the_axis_and_say_where_they_are(low, span):
    made = scale({}, [low, low + span], EN)
    assert made.ticks
    for tick in made.ticks:
        assert -1e-6 <= tick.at <= 1 + 1e-6
    assert len({tick.text for tick in made.ticks}) == len(made.ticks)


def test_dates_are_written_by_the_language_and_stand_in_their_place():
    days = [date(2026, 6, 1) + timedelta(days=n) for n in range(0, 170, 10)]
    english, german = (scale({"type": "date"}, days, lang) for lang in (EN, DE))
    assert [tick.text.replace("\xa0", " ") for tick in english.ticks] == [
        "1 Jun", "1 Aug", "1 Oct"]
    assert "Okt" in german.ticks[-1].text
    first, last = english.at(days[0]), english.at(days[-1])
    august = english.ticks[1].at
    assert august == pytest.approx(first + (last - first) * 61 / 160)


def test_a_logarithmic_axis_gives_a_decade_one_length():
    made = scale({"type": "log", "tickvals": [1, 10, 100]}, [1, 1000], EN)
    one, ten, hundred = (made.at(value) for value in (1, 10, 100))
    assert ten - one == pytest.approx(hundred - ten)
    assert [tick.text for tick in made.ticks] == ["1", "10", "100"]


def test_lines_are_named_at_their_ends_and_kinds_of_points_above():
    text = drawn([
        {"type": "scatter", "mode": "lines", "x": [0, 1], "y": [1, 9], "line": LINE,
         "name": "upper"},
        {"type": "scatter", "mode": "lines", "x": [0, 1], "y": [1, 2], "line": LINE,
         "name": "lower"},
        {"type": "scatter", "mode": "markers", "x": [0, 1], "y": [3, 4], "name": "dots",
         "marker": {"size": 6, "color": INK}}])
    at = {name: float(re.search(rf'y="([\d.]+)"[^>]*>{name}<', text).group(1))
          for name in ("upper", "lower")}
    assert at["upper"] < at["lower"]
    assert re.search(r'<ul class="chart-key"><li>.*dots</li></ul>', text)
    assert "upper</li>" not in text


def test_a_share_of_all_commands_reaches_the_top_of_its_bars():
    days = [date(2026, 6, 1) + timedelta(weeks=n) for n in range(3)]
    text = drawn([{"type": "bar", "x": days, "y": [100, None, 50], "marker": {"color": INK}}],
                 {"xaxis": {"type": "date"}, "yaxis": {"range": [0, 100]}}, height=128)
    way = re.search(r'class="bar[^"]*" d="([^"]*)"', text).group(1)
    assert re.findall(r"V([\d.]+)H", way) == ["6", "56"]


@pytest.mark.parametrize("values", [[0.0, 0.0], [0.0], [3.0, 3.0], [-2.0, -2.0], []])
def test_values_that_are_all_alike_have_an_axis_too(values):
    made = scale({"rangemode": "tozero"}, values, EN)
    assert made.low < made.high
    assert made.low <= 0.0 <= made.high
    assert made.ticks


def test_a_fill_between_two_curves_goes_there_and_back():
    text = drawn([
        {"type": "scatter", "mode": "lines", "x": [0, 1], "y": [0, 0], "line": {"width": 0}},
        {"type": "scatter", "mode": "lines", "x": [0, 1], "y": [1, 1], "line": {"width": 0},
         "fill": "tonexty", "fillcolor": BAND}])
    assert len(path(text, "area")) == 4


def test_names_with_markup_stay_text():
    text = drawn([{"type": "scatter", "mode": "lines", "x": [0, 1], "y": [1, 2], "line": LINE,
                   "name": "</text><script>x()</script>"}], title="<b>")
    assert "<script" not in text
    assert "&lt;b&gt;" in text
    tree(text)


def test_a_kind_of_trace_that_is_not_drawn_is_a_fault():
    with pytest.raises(ValueError, match="violin"):
        drawn([{"type": "violin", "x": [0], "y": [1]}])
