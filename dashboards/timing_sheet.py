"""The designer's sheet: pulse, wait, cue and groups, with a page that answers further questions."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup

from remanence.analytics.timing.answer import CueAnswer, LockAnswer
from remanence.analytics.timing.curves import lower_curve, release_curve
from remanence.analytics.timing.gather import Timing
from remanence.analytics.timing.model import (
    RISKS,
    TARGETS,
    LockModel,
    Quantile,
    Settings,
    TimingRail,
    key,
)
from remanence.analytics.timing.together import GroupAnswer, RailAnswer
from remanence.dashboards.figures import BLUE, INK, MUTED, figure_block
from remanence.dashboards.page import (
    EN_DASH,
    MINUS,
    Language,
    assets,
    file_names,
    language,
    page,
    resource,
)
from remanence.shared.limits import Limits

SCRIPTS = ("timing.js", "timing_page.js")


def render_timing(
    timing: Timing, limits: Limits, *, language_code: str = "en"
) -> dict[str, bytes]:
    """The sheet and what lies beside it: file name to bytes.

    Parameters
    ----------
    timing : Timing
        The numbers; none is computed here.
    limits : Limits
        The venue's, for the words about method.
    language_code : str, default "en"
        Language of the page.
    """
    lang = language(language_code)
    rows = [_row(m, a, timing, lang) for m, a in zip(timing.models, timing.answers, strict=True)]
    details = [_detail(m, a, timing, lang, name)
               for (m, a), name in zip(zip(timing.models, timing.answers, strict=True),
                                       file_names([m.lock for m in timing.models]).values(),
                                       strict=True)]
    days = (lang("timing.data", first=lang.day(timing.first_day, year=True),
                 last=lang.day(timing.last_day, year=True))
            if timing.first_day else lang("timing.data_none"))
    body = page(
        "timing.html.jinja", lang, title=lang("timing.tab", venue=timing.venue_name),
        timing=timing, days=days, commands=sum(m.commands for m in timing.models),
        summary=_summary(timing, lang),
        latches=[r for r in rows if not r["magnet"]], magnets=[r for r in rows if r["magnet"]],
        rooms=_rooms(timing.models), details=details,
        groups=[_group(group, timing.rails, lang) for group in timing.groups],
        rails=[vars(rail) for rail in timing.rails.values()],
        targets=_targets(timing, lang), risks=_risks(timing, lang),
        method=_method(timing.settings, limits, lang),
        within=ms(limits.together_within_ms, lang), data=_data(timing, lang), scripts=SCRIPTS,
    )
    beside = {f"assets/{name}": resource(name).encode() for name in (*SCRIPTS, "timing.css")}
    return {"index.html": body, **assets(), **beside}


def ms(value: float | None, lang: Language) -> str:
    """Milliseconds without decimals."""
    return lang.unit(lang.number(value), "ms")


def needed(value: float | None, lang: Language) -> str:
    """A pulse that no one would programme: past ten seconds its length says nothing more."""
    if value is not None and value > 10_000:
        return f"> {lang.unit(lang.number(10), 's')}"
    return ms(value, lang)


def share(value: float | None, lang: Language, decimals: int = 2) -> str:
    """A share as per cent, cut off and not rounded: ``99.66%`` never claims more than it is."""
    if value is None:
        return EN_DASH
    factor = 10.0 ** (decimals + 2)
    return lang.percent(math.floor(value * factor + 1e-6) / factor, decimals)


def offset(cue: CueAnswer, lang: Language) -> str:
    """A cue's offset with its sign."""
    if cue.offset_ms is None:
        return EN_DASH
    sign = MINUS if cue.offset_ms < 0 else "+" if cue.offset_ms > 0 else ""
    return sign + ms(abs(cue.offset_ms), lang)


def one_in(chance: float | None) -> int | None:
    """How many openings one false alarm comes in, rounded down to two digits."""
    if not chance:
        return None
    count = math.floor(1 / chance + 1e-6)
    step = 10 ** max(len(str(count)) - 2, 0)
    return int(count // step * step)


def _row(model: LockModel, answer: LockAnswer, timing: Timing, lang: Language) -> dict[str, Any]:
    pulse, wait = answer.pulse, answer.wait
    between = None
    if pulse.shortest_ms is not None and pulse.recommended_ms is not None:
        between = (lang("timing.from_up", shortest=ms(pulse.shortest_ms, lang))
                   if pulse.longest_ms is None
                   else lang("timing.between", shortest=ms(pulse.shortest_ms, lang),
                             longest=ms(pulse.longest_ms, lang)))
    rests = (lang("timing.own", count=model.released) if model.basis == "own"
             else lang("timing.borrowed", count=model.released, lent=model.borrowed_releases)
             if model.basis == "borrowed" else lang("timing.nothing"))
    false_alarms = one_in(wait.left)
    target = target_text(timing.settings.target, lang)
    return {
        "lock": model.lock, "room": model.room, "magnet": model.magnet, "state": pulse.state,
        "shape": _shape(model, pulse.state, pulse.falls_short),
        "pulse": ms(pulse.recommended_ms, lang), "between": between,
        "change": _change(model, answer, lang),
        "test_first": (lang("timing.test_first")
                       if pulse.untried else None),
        "opens": (lang("timing.at_least", share=share(pulse.stated, lang))
                  if pulse.stated is not None else EN_DASH),
        "few": (lang("timing.falls_few", target=target)
                if pulse.falls_short == "few" else None),
        "retry": ms(wait.retry_ms, lang),
        "retries": EN_DASH if wait.retries is None else lang.number(wait.retries),
        "stuck": ms(wait.stuck_ms, lang),
        "left": lang("timing.left", count=false_alarms) if false_alarms else None,
        "sound": _cue(answer.sound, lang), "light": _cue(answer.light, lang), "rests": rests,
        "notes": _notes(model, answer, timing.settings, lang),
    }


def _change(model: LockModel, answer: LockAnswer, lang: Language) -> str | None:
    """Whether the pulse in use is kept; else what it is, why it changes, what that gains."""
    pulse, now = answer.pulse, model.pulse_now_ms
    if not pulse.change or now is None or pulse.recommended_ms is None:
        return None
    return lang(f"timing.change.{pulse.change}", now=ms(now, lang),
                saved=lang.percent(max(1 - pulse.recommended_ms / now, 0.0)))


_SUMMED = ("short", "long", "margin", "shorter", "none", "mend", "unknown", "untried")
"""Kinds of the summary's lines that name their locks, what is wrong first."""


def _summary(timing: Timing, lang: Language) -> list[str]:
    """What has to be done, in one line each: names by what is to be done."""
    kinds: dict[str, list[str]] = {}
    for model, answer in zip(timing.models, timing.answers, strict=True):
        pulse = answer.pulse
        if pulse.recommended_ms is None:
            kind = pulse.state if pulse.state in ("none", "mend") else "unknown"
        else:
            kind = {"": "new", "battery": "shorter", "rail": "shorter"}.get(
                pulse.change, pulse.change)
        kinds.setdefault(kind, []).append(model.lock)
        if pulse.untried:
            kinds.setdefault("untried", []).append(model.lock)
    lines = [lang(f"timing.summary.{kind}", locks=lang.listing(kinds[kind]))
             for kind in _SUMMED if kind in kinds]
    return lines + [lang(f"timing.summary.{kind}", count=len(kinds[kind]))
                    for kind in ("new", "keep") if kind in kinds]


def _cue(cue: CueAnswer, lang: Language) -> dict[str, str | None]:
    if cue.feedback:
        return {"offset": lang("timing.from_feedback"), "share": None}
    return {"offset": offset(cue, lang),
            "share": None if cue.share is None
            else lang("timing.share_inside", share=share(cue.share, lang, 0))}


def _shape(model: LockModel, state: str, falls_short: str) -> str:
    if state in ("none", "mend"):
        return "act-this-week"
    if state in ("door", "unobserved", "too-few", "coarse-clock"):
        return "too-little-data"
    doubtful = state == "tight" or falls_short == "misses" or model.mend_first
    return "watch" if doubtful else "good"


def _notes(
    model: LockModel, answer: LockAnswer, settings: Settings, lang: Language
) -> list[str]:
    """What must be said beside a lock's row, most important first."""
    pulse = answer.pulse
    notes = []
    if pulse.state in ("door", "unobserved", "too-few", "coarse-clock"):
        notes.append(lang(f"timing.none_{pulse.state}", count=model.released)
                     if pulse.state == "too-few" else lang(f"timing.none_{pulse.state}"))
    if pulse.state == "none":
        values = {"shortest": needed(pulse.shortest_ms, lang),
                  "longest": ms(pulse.longest_ms, lang)}
        if model.longest_from == "duty_percent":
            notes.append(lang("timing.none_duty", **values, often=model.busiest_cycle,
                              duty=lang.unit(f"{model.duty_percent:g}", "%")))
        else:
            notes.append(lang("timing.none_rating", **values))
    if pulse.state == "mend":
        notes.append(lang("timing.none_mend", shortest=needed(pulse.shortest_ms, lang),
                          middle=ms(model.part_need_ms, lang)))
    if pulse.state == "tight":
        notes.append(lang("timing.tight", margin=lang.number(settings.pulse_margin, 1)))
    if pulse.falls_short == "misses":
        notes.append(lang("timing.falls_misses", missed=model.miss.missed,
                          commands=model.miss.commands))
    if model.mend_first and pulse.state not in ("mend", "none"):
        notes.append(lang("timing.mend_magnet" if model.magnet else "timing.mend_first",
                          middle=ms(model.part_need_ms, lang)))
    if pulse.beyond_usual:
        notes.append(lang("timing.beyond_usual", usual=ms(settings.usual_pulse_ms, lang)))
    if pulse.untried:
        notes.append(lang("timing.test_shorter" if pulse.below_log else "timing.test_other"))
    if model.basis == "borrowed":
        notes.append(lang("timing.borrowed_says", locks=lang.listing(model.siblings)))
        if model.kind == "door":
            notes.append(lang("timing.door_borrowed"))
    if answer.sound.feedback and answer.light.feedback:
        notes.append(lang("timing.feedback_says", why=lang(
            "timing.why_diode" if model.slow_magnet else "timing.why_wide")))
    if model.changed is not None:
        notes.append(lang("timing.changed", day=lang.day(model.changed, year=True),
                          count=model.commands))
    if model.two_clocks:
        notes.append(lang("timing.two_clocks", count=model.two_clocks))
    if model.on_way_out:
        notes.append(lang("timing.way_out"))
    return notes


def _rooms(models: Sequence[LockModel]) -> list[dict[str, Any]]:
    rooms: dict[str, list[str]] = {}
    for model in models:
        rooms.setdefault(model.room, []).append(model.lock)
    return [{"room": room, "locks": locks} for room, locks in rooms.items()]


def target_text(target: float, lang: Language) -> str:
    """A target as per cent, with the decimals that it has."""
    return lang.percent(target, max(0, len(key(target).partition(".")[2]) - 2))


def _targets(timing: Timing, lang: Language) -> list[dict[str, Any]]:
    return [{"key": key(target), "text": target_text(target, lang),
             "chosen": target == timing.settings.target} for target in TARGETS]


def _risks(timing: Timing, lang: Language) -> list[dict[str, Any]]:
    return [{"key": key(risk), "text": lang("timing.try.one_in", count=round(1 / risk)),
             "chosen": risk == timing.settings.risk} for risk in RISKS]


def _group(group: GroupAnswer, rails: Mapping[str, TimingRail], lang: Language) -> dict[str, Any]:
    def pair(key: str, median: float | None, most: float | None, **more: Any) -> str:
        return lang(key, median=ms(median, lang), most=ms(most, lang), **more)

    joint = group.joint
    lines: list[tuple[str, str | list[str]]] = []
    spread = []
    if joint is not None and joint.median_ms is not None:
        spread.append(pair("timing.group.spread_seen", joint.median_ms, joint.most_ms,
                           count=joint.all_opened))
        if joint.commands_apart_ms is not None and joint.commands_apart_ms >= 1:
            spread.append(pair("timing.group.spread_at_once", joint.at_once_median_ms,
                               joint.at_once_most_ms, apart=ms(joint.commands_apart_ms, lang)))
    elif joint is not None and not joint.all_opened:
        spread.append(lang("timing.group.spread_clocks"))
    if group.spread_median_ms is not None:
        spread.append(pair("timing.group.spread_worked", group.spread_median_ms,
                           group.spread_most_ms))
    else:
        spread.append(lang("timing.group.spread_unknown"))
    lines.append((lang("timing.group.spread"), spread))
    if group.aligned_median_ms is not None:
        delays = ", ".join(
            f"{lock} +{ms(delay, lang)}"
            for lock, delay in zip(group.locks, group.delays_ms, strict=True) if delay > 0
        ) or lang("timing.group.no_delay")
        verdict = lang("timing.group.one_event" if group.one_event
                       else "timing.group.not_one_event")
        lines.append((lang("timing.group.align"), pair(
            "timing.group.align_says", group.aligned_median_ms, group.aligned_most_ms,
            delays=delays) + f": {verdict}"))
    for rail in group.rails:
        said = _rail_line(rail, rails[rail.supply].rated_amps, lang)
        lines.append((lang("timing.group.rail"), said))
    if len(group.batches) > 1:
        text = "; ".join(
            lang("timing.group.stagger_batch", start=ms(start, lang), locks=lang.listing(batch))
            for start, batch in zip(group.starts_ms, group.batches, strict=True))
        lines.append((lang("timing.group.stagger"), text))
    return {"name": lang.listing(group.locks), "lines": lines,
            "times": lang("timing.group.times", count=joint.times) if joint else None,
            "left_out": (lang("timing.group.left_out", locks=lang.listing(group.left_out))
                         if group.left_out else None)}


def _rail_line(rail: RailAnswer, rated: float | None, lang: Language) -> str:
    """Whether the rail bears it, with the figure that decides."""
    if rail.over_rating:
        return lang("timing.group.rail_over", rail=rail.supply,
                    amps=lang.unit(lang.number(rail.amps, 1), "A"),
                    rated=lang.unit(lang.number(rated, 1), "A"))
    if rail.bears is None:
        return lang("timing.group.rail_unknown", rail=rail.supply)
    return lang("timing.group.rail_bears" if rail.bears else "timing.group.rail_fails",
                rail=rail.supply, lowest=lang.unit(lang.number(rail.lowest_volts, 2), "V"),
                window=lang.unit(lang.number(rail.window_volts, 1), "V"))


def _detail(
    model: LockModel, answer: LockAnswer, timing: Timing, lang: Language, name: str
) -> dict[str, Any]:
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
    return figure_block(figure, id=f"curve-{name}", title=title, says=says.strip(), height=260)


def _method(settings: Settings, limits: Limits, lang: Language) -> list[str]:
    return [
        lang("timing.method.data", weeks=limits.timing_weeks), lang("timing.method.need"),
        lang("timing.method.bound", margin=lang.number(settings.pulse_margin, 1),
             step=ms(settings.pulse_step_ms, lang)),
        lang("timing.method.magnets", margin=lang.number(settings.magnet_margin, 1),
             person=lang.unit(lang.number(settings.magnet_person_ms / 1000, 1), "s")),
        lang("timing.method.borrow", least=limits.timing_own_releases),
        lang("timing.method.volts"), lang("timing.method.waits"), lang("timing.method.cue"),
        lang("timing.method.together"), lang("timing.method.common"),
    ]


_SCRIPT_WORDS = (
    "between", "from_up", "at_least", "left", "share_inside", "from_feedback", "none_door",
    "none_unobserved", "none_too-few", "none_coarse-clock",
    "none_rating", "none_duty", "none_mend", "tight",
    "falls_misses", "falls_few", "mend_first", "mend_magnet", "beyond_usual", "test_first",
    "test_shorter", "test_other", "change.keep", "change.short", "change.margin", "change.long",
    "change.battery", "change.rail", "pulse", "off_time", "opens", "retry", "retries", "stuck",
    "sound", "light", "lock", "try.pick", "try.outside", "try.together", "group.spread",
    "group.spread_worked", "group.spread_unknown", "group.left_out", "group.align",
    "group.align_says", "group.no_delay", "group.one_event", "group.not_one_event", "group.rail",
    "group.rail_bears", "group.rail_fails", "group.rail_over", "group.rail_unknown",
    "group.stagger", "group.stagger_none", "group.stagger_batch",
)


def _data(timing: Timing, lang: Language) -> Markup:
    """The numbers for the page's script, and the words it answers in."""
    values = timing.as_json()
    unused = ("quantiles", "pulse_groups", "seen", "need_points_ms", "answer")
    values["locks"] = [{name: item for name, item in lock.items() if name not in unused}
                       for lock in values["locks"]]
    del values["groups"]
    values["words"] = {name: lang(f"timing.{name}") for name in _SCRIPT_WORDS}
    values["words"].update({"and": lang.words["custom.and"], "percent": lang.percent_sign})
    text = json.dumps(values, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return Markup(text.replace("<", "\\u003c").replace("\u2028", "\\u2028")
                  .replace("\u2029", "\\u2029"))
