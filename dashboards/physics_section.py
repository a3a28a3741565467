"""The physics on a lock's or a supply's page: sentences in the page's language, and figures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from markupsafe import Markup

from remanence.analytics.health.model import Health
from remanence.analytics.health.physics_model import (
    CHANGE,
    Curve,
    LockPhysics,
    Quantity,
    Remark,
    SupplyPhysics,
)
from remanence.dashboards.figures import BAND, INK, LINE, MUTED, PAPER, figure_block
from remanence.dashboards.page import Language
from remanence.shared.weeks import Week

_DECIMALS = {
    "×": 1, "N": 0, "°C": 0, "%": 0, "mV": 0, "V": 2, "A": 1, "mm²": 2, "": 0,
}
_WHOLE_MINUTES = 2.0
"""From here on calculated times are told in whole minutes, below in tens of seconds: the heat
that they come from is good to a factor of 2."""
_DOTTED = {"color": MUTED, "width": 1.5, "dash": "dot"}
_DASHED = {"color": "var(--yellow-edge)", "width": 1.5, "dash": "dash"}

@dataclass(frozen=True)
class Topic:
    """One topic: its title and its sentences."""

    title: str
    sentences: tuple[str, ...]


@dataclass(frozen=True)
class Section:
    """What the template shows: sentences by topic, then figures."""

    topics: tuple[Topic, ...]
    figures: tuple[Markup, ...]


def lock_section(health: Health, lock: str, lang: Language, prefix: str = "") -> Section | None:
    """The physics of a lock's page; None where the report was gathered without."""
    if health.physics is None or lock not in health.physics.locks:
        return None
    item = health.physics.locks[lock]
    # A change that a finding tells, corrected for rail and heat, is told once.
    told = any(figure.id == "change-since-then" for shown in health.locks if shown.lock.id == lock
               for finding in shown.findings for figure in finding.evidence)
    says = [said for said in item.says
            if not (told and said.key in ("release.magnet", "release.split", "release.unchanged"))]
    return Section(tuple(topics(says, lang, health.venue.zone)),
                   tuple(lock_physics_figures(item, lang, prefix)))


def supply_section(
    health: Health, supply: str, lang: Language, prefix: str = ""
) -> Section | None:
    """The physics of a supply's page; None where the report was gathered without."""
    if health.physics is None or supply not in health.physics.supplies:
        return None
    item = health.physics.supplies[supply]
    return Section(tuple(topics(item.says, lang, health.venue.zone)),
                   tuple(supply_physics_figures(item, lang, prefix)))


def topics(says: Sequence[Remark], lang: Language, zone: ZoneInfo) -> list[Topic]:
    """The sentences in the page's language, gathered by topic in the order they come."""
    gathered: dict[str, list[Remark]] = {}
    for said in says:
        gathered.setdefault(said.topic, []).append(said)
    found = []
    for topic, own in gathered.items():
        title = lang(f"physics.topic.{topic}")
        if any(said.estimated for said in own):
            title = lang("physics.estimate", title=title)
        found.append(Topic(title, tuple(sentence(said, lang, zone) for said in own)))
    return found


def sentence(said: Remark, lang: Language, zone: ZoneInfo) -> str:
    """One sentence in the page's language."""
    values: dict[str, str | int] = {}
    for name, value in said.values.items():
        if isinstance(value, Quantity):
            values[name] = shown(value, lang)
            values[f"{name}_interval"] = lang.interval(
                value.value, value.low, value.high, value.unit.removesuffix(CHANGE)
            )
        elif isinstance(value, datetime):
            values[name] = lang.moment(value.astimezone(zone))
        else:
            values[name] = value
    return lang(f"physics.{said.key}", **values)


def shown(value: Quantity, lang: Language) -> str:
    """A quantity with its unit, no finer than its interval or its kind supports."""
    if value.unit.endswith(CHANGE):
        plain = shown(replace(value, unit=value.unit.removesuffix(CHANGE)), lang)
        return f"+{plain}" if value.value > 0 and plain[0] != "0" else plain
    if value.low is not None and value.high is not None:
        return lang.measured(value.value, value.low, value.high, value.unit)
    if value.unit == "min":
        whole = value.value >= _WHOLE_MINUTES
        return (lang.unit(lang.number(value.value), "min") if whole
                else lang.unit(lang.number(60 * value.value, -1), "s"))
    if value.unit in _DECIMALS:
        return lang.unit(lang.number(value.value, _DECIMALS[value.unit]), value.unit)
    return lang.measured(value.value, unit=value.unit)


def lock_physics_figures(item: LockPhysics, lang: Language, prefix: str = "") -> list[Markup]:
    """Figures of a lock's physics; those without data, or with nothing to see, are left out."""
    made = [_release(item, lang, prefix), _branch(item, lang, prefix),
            _hold(item, lang, prefix), _off(item, lang, prefix)]
    return [figure for figure in made if figure is not None]


def supply_physics_figures(
    item: SupplyPhysics, lang: Language, prefix: str = ""
) -> list[Markup]:
    """Figures of a supply's physics."""
    made = [_together(item, lang, prefix), _weeks(item, lang, prefix),
            _battery(item, lang, prefix)]
    return [figure for figure in made if figure is not None]


def _level(value: float, line: dict[str, Any], *, vertical: bool = False) -> dict[str, Any]:
    if vertical:
        return {"type": "line", "x0": value, "x1": value, "y0": 0, "y1": 1, "yref": "paper",
                "line": line}
    return {"type": "line", "x0": 0, "x1": 1, "xref": "paper", "y0": value, "y1": value,
            "line": line}


def _banded(curve: Curve) -> list[dict[str, Any]]:
    data: list[dict[str, Any]] = []
    if curve.low is not None and curve.high is not None:
        data.append({
            "type": "scatter", "mode": "lines", "x": [*curve.x, *reversed(curve.x)],
            "y": [*curve.low, *reversed(curve.high)], "fill": "toself", "fillcolor": BAND,
            "line": {"width": 0}})
    data.append({"type": "scatter", "mode": "lines", "x": curve.x, "y": curve.y, "line": LINE})
    return data


def _layout(x_title: str, y_title: str, shapes: list[dict[str, Any]]) -> dict[str, Any]:
    return {"showlegend": False, "shapes": shapes, "xaxis": {"title": {"text": x_title}},
            "yaxis": {"title": {"text": y_title}}}


def _release(item: LockPhysics, lang: Language, prefix: str) -> Markup | None:
    curve = item.release_curve
    if curve is None:
        return None
    layout = _layout(f"{lang('physics.plot.volts_axis')} [V]",
                     f"{lang('physics.plot.release_axis')} [ms]",
                     [] if curve.mark is None else [_level(curve.mark, _DOTTED, vertical=True)])
    layout["yaxis"]["rangemode"] = "tozero"
    return figure_block(
        {"data": _banded(curve), "layout": layout},
        lang=lang, id=f"{prefix}release-volts", title=lang("physics.plot.release_title"),
        says=lang("physics.plot.release_says"))


def _hold(item: LockPhysics, lang: Language, prefix: str) -> Markup | None:
    curve = item.hold_curve
    if curve is None:
        return None
    layout = _layout(f"{lang('physics.plot.volts_axis')} [V]",
                     f"{lang('physics.plot.hold_axis')} [%]",
                     [] if curve.mark is None else [_level(curve.mark, _DOTTED, vertical=True)])
    return figure_block(
        {"data": _banded(curve), "layout": layout},
        lang=lang, id=f"{prefix}hold-volts", title=lang("physics.plot.hold_title"),
        says=lang("physics.plot.hold_says"))


def _points(
    x: Sequence[Any], y: Sequence[float], low: Sequence[float], high: Sequence[float],
) -> dict[str, Any]:
    return {
        "type": "scatter", "mode": "lines+markers", "x": x, "y": y, "line": LINE,
        "marker": {"size": 7, "color": PAPER, "line": {"color": INK, "width": 2}},
        "error_y": {"color": MUTED, "array": [b - a for a, b in zip(y, high, strict=True)],
                    "arrayminus": [a - b for a, b in zip(y, low, strict=True)]}}


def _together(item: SupplyPhysics, lang: Language, prefix: str) -> Markup | None:
    curve = item.together_curve
    if curve is None or curve.low is None or curve.high is None or curve.mark is None:
        return None
    layout = _layout(lang("physics.plot.together_count"),
                     f"{lang('physics.plot.together_axis')} [V]", [_level(curve.mark, _DASHED)])
    layout["xaxis"]["dtick"] = 1
    data = [_points(curve.x, curve.y, curve.low, curve.high)]
    return figure_block({"data": data, "layout": layout}, lang=lang, id=f"{prefix}together",
                        title=lang("physics.plot.together_title"),
                        says=lang("physics.plot.together_says"))


def _branch(item: LockPhysics, lang: Language, prefix: str) -> Markup | None:
    curve = item.branch_curve
    if curve is None or curve.mark is None:
        return None
    layout = _layout(f"{lang('physics.plot.branch_count')} [mm²]",
                     f"{lang('physics.plot.branch_axis')} [V]", [_level(curve.mark, _DASHED)])
    data = [_points(curve.x, curve.y, curve.y, curve.y)]
    return figure_block({"data": data, "layout": layout}, lang=lang, id=f"{prefix}branch-volts",
                        title=lang("physics.plot.branch_title"),
                        says=lang("physics.plot.branch_says"))


def _by_week(weeks: Sequence[tuple[Week, Quantity]]) -> dict[str, Any]:
    """Weekly figures with their intervals, at the middle of each week."""
    found = [figure for _, figure in weeks]
    return _points(
        [week.monday + timedelta(days=3) for week, _ in weeks], [item.value for item in found],
        [item.value if item.low is None else item.low for item in found],
        [item.value if item.high is None else item.high for item in found])


def _weekly_layout(title: str) -> dict[str, Any]:
    layout = _layout("", title, [])
    layout["xaxis"] = {"type": "date"}
    layout["yaxis"]["rangemode"] = "tozero"
    return layout


def _off(item: LockPhysics, lang: Language, prefix: str) -> Markup | None:
    if len(item.off_weeks) < 2:
        return None
    layout = _weekly_layout(f"{lang('physics.plot.off_axis')} [V]")
    return figure_block({"data": [_by_week(item.off_weeks)], "layout": layout},
                        lang=lang, id=f"{prefix}off-weeks", title=lang("physics.plot.off_title"),
                        says=lang("physics.plot.off_says"))


def _weeks(item: SupplyPhysics, lang: Language, prefix: str) -> Markup | None:
    if len(item.resistance_weeks) < 2:
        return None
    data = [_by_week(item.resistance_weeks)]
    layout = _weekly_layout(f"{lang('physics.plot.weeks_axis')} [Ω]")
    return figure_block({"data": data, "layout": layout}, lang=lang, id=f"{prefix}ohms-weeks",
                        title=lang("physics.plot.weeks_title"),
                        says=lang("physics.plot.weeks_says"))


def _battery(item: SupplyPhysics, lang: Language, prefix: str) -> Markup | None:
    curve = item.battery_curve
    if curve is None:
        return None
    layout = _layout(lang("physics.plot.battery_count"),
                     f"{lang('physics.plot.battery_axis')} [V]",
                     [] if curve.mark is None else [_level(curve.mark, _DASHED)])
    return figure_block({"data": _banded(curve), "layout": layout},
                        lang=lang, id=f"{prefix}battery", title=lang("physics.plot.battery_title"),
                        says=lang("physics.plot.battery_says"))
