"""Lock by lock: the distribution behind each answer, and what it rests on."""

from __future__ import annotations

import math
from typing import Any

from markupsafe import Markup

from remanence.analytics.timing.answer import LockAnswer
from remanence.analytics.timing.curves import lower_curve, release_curve
from remanence.analytics.timing.gather import Timing
from remanence.analytics.timing.model import LockModel, Quantile
from remanence.dashboards.figures import BLUE, INK, MUTED, figure_block
from remanence.dashboards.page import EN_DASH, Language
from remanence.dashboards.timing_formats import ms


def lock_detail(
    model: LockModel, answer: LockAnswer, timing: Timing, lang: Language, name: str
) -> dict[str, Any]:
    """One lock's part of the sheet: its curve, its quantiles and what they rest on."""
    rail = timing.rails.get(model.supply)
    volts = lang("timing.detail.volts_none")
    if rail is not None and rail.low_volts is not None and model.reference_volts is not None:
        volts = lang(
            "timing.detail.volts_says", low=lang.number(rail.low_volts, 1),
            high=lang.unit(lang.number(rail.high_volts, 1), "V"),
            slower=lang.percent(0.99**model.exponent - 1, 1))
    facts = [
        (lang("timing.detail.from_kind"), lang(f"timing.detail.kind_{model.kind or 'none'}")),
        (lang("timing.detail.commands"), lang(
            "timing.detail.counted", commands=model.commands, released=model.released,
            unanswered=model.unanswered, already=model.already_open,
            unobserved=model.unobserved)),
    ]
    if model.resolution_ms is not None:
        facts.append((lang("timing.detail.resolution"), lang(
            "timing.detail.resolution_says", step=lang.measured(model.resolution_ms, unit="ms"))))
    if not model.magnet:
        facts.append((lang("timing.detail.volts"), volts))
        if model.miss.commands:
            facts.append((lang("timing.detail.silent"), lang(
                "timing.detail.silent_says", missed=model.miss.missed,
                commands=model.miss.commands, upper=lang.percent(
                    math.ceil(model.miss.upper * 1e4) / 1e4, 2))))
        if model.pulse_groups:
            facts.append((lang("timing.detail.groups"), "; ".join(
                lang("timing.detail.group_row", pulse=ms(g.pulse_ms, lang), released=g.released,
                     commands=g.commands) for g in model.pulse_groups)))
    digits = 0 if (model.resolution_ms or 1.0) >= 1.0 else 1
    quantiles = [{
        "share": lang.percent(q.share, 1 if round(q.share * 1000) % 10 else 0),
        "value": (lang("timing.detail.beyond") if q.value_ms is None
                  else lang.unit(lang.number(q.value_ms, digits), "ms")),
        "interval": _interval(q, digits, lang),
    } for q in model.quantiles]
    return {"lock": model.lock, "room": model.room, "id": f"lock-{name}", "facts": facts,
            "quantiles": quantiles, "figure": _figure(model, answer, timing, lang, name)}


def _interval(quantile: Quantile, digits: int, lang: Language) -> str:
    """``26–28 ms``, no finer than the clock; open at the end that the data do not reach."""
    low = lang.number(quantile.low_ms, digits)
    if quantile.high_ms is None:
        return EN_DASH if quantile.low_ms is None else lang.unit(f"> {low}", "ms")
    return lang.unit(f"{low}{EN_DASH}{lang.number(quantile.high_ms, digits)}", "ms")


def _figure(
    model: LockModel, answer: LockAnswer, timing: Timing, lang: Language, name: str
) -> Markup | None:
    if not model.need_points_ms:
        return None
    rail = timing.rails.get(model.supply)
    scaled = rail is not None and model.reference_volts is not None
    typical = rail.typical_volts if scaled and rail else None
    low = rail.low_volts if scaled and rail else None
    pulse = answer.pulse.recommended_ms
    last = max((answer.pulse.shortest_ms or 0.0) * 1.25, (pulse or 0.0) * 1.08
               if not model.magnet else 0.0, model.need_points_ms[-1] * 1.2)
    fitted, sure = release_curve(model, typical, last), lower_curve(model, low, last)

    def volts(key: str, value: float | None) -> str:
        if value is None:
            return lang(f"{key}_plain")
        return lang(key, volts=lang.unit(lang.number(value, 1), "V"))

    data: list[dict[str, Any]] = [
        {"type": "scatter", "mode": "lines",
         "x": [*fitted.pulse_ms[:2], *fitted.pulse_ms[2::4], last],
         "y": [100 * s for s in (*fitted.share[:2], *fitted.share[2::4], fitted.share[-1])],
         "name": volts("timing.detail.fitted", typical), "line": {"color": BLUE, "width": 2}},
        {"type": "scatter", "mode": "lines", "x": list(sure.pulse_ms),
         "y": [100 * s for s in sure.share], "name": volts("timing.detail.sure", low),
         "line": {"color": INK, "width": 1.5, "dash": "dot"}},
    ]
    if model.seen:
        data.append({
            "type": "scatter", "mode": "markers", "x": [p.pulse_ms for p in model.seen],
            "y": [100 * p.share for p in model.seen], "name": lang("timing.detail.seen"),
            "marker": {"color": MUTED, "size": 5}})
    shapes = []
    said = ""
    if pulse is not None and not model.magnet:
        shapes.append({"type": "line", "x0": pulse, "x1": pulse, "y0": 0, "y1": 100,
                       "line": {"color": INK, "width": 1}})
        said = lang("timing.detail.curve_recommended", pulse=ms(pulse, lang))
    kind = "off" if model.magnet else "pulse"
    says = (lang("timing.detail.curve_says", volts=lang.unit(lang.number(typical, 1), "V"),
                 recommended=said) if typical is not None
            else lang("timing.detail.curve_says_plain", recommended=said))
    figure = {"data": data, "layout": {
        "xaxis": {"title": {"text": lang(f"timing.detail.axis_{kind}")},
                  "range": [round(model.need_points_ms[0] * 0.6, 1), last]},
        "yaxis": {"title": {"text": lang("timing.detail.axis_share")}, "range": [0, 102]},
        "shapes": shapes}}
    title = lang("timing.detail.curve_off" if model.magnet else "timing.detail.curve")
    return figure_block(figure, lang=lang, id=f"curve-{name}", title=title, says=says.strip(),
                        height=260)
