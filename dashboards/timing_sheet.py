"""The designer's sheet: pulse, wait, cue and groups, with a page that answers further questions."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup

from remanence.analytics.health.lock_state import LockState
from remanence.analytics.timing.answer import LockAnswer, PulseAnswer
from remanence.analytics.timing.cue import CueAnswer
from remanence.analytics.timing.gather import Timing
from remanence.analytics.timing.model import RISKS, TARGETS, LockModel, Settings, key
from remanence.dashboards.lock_state_words import state_line, state_reasons
from remanence.dashboards.page import (
    EN_DASH,
    Language,
    assets,
    file_names,
    language,
    page,
    resource,
)
from remanence.dashboards.sequence_section import sequence_blocks
from remanence.dashboards.timing_details import lock_detail
from remanence.dashboards.timing_formats import ms, needed, offset, one_in, share
from remanence.dashboards.timing_groups import group_lines
from remanence.dashboards.ways import REPORT, TIMING, Ways
from remanence.shared.limits import Limits

SCRIPTS = ("timing.js", "timing_page.js")


def render_timing(
    timing: Timing, limits: Limits, *, language_code: str = "en",
    states: Mapping[str, LockState] | None = None, ways: Ways | None = None,
    files: Sequence[str] = (),
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
    states : mapping of str to LockState, optional
        The state of each lock, as every sheet says it; default: nothing is said of any.
    ways : Ways, optional
        Where the other sheets lie; default: there are none.
    files : sequence of str, optional
        Files with all answers that lie beside the page, to be offered for download.
    """
    lang, ways, states = language(language_code), ways or Ways(TIMING), states or {}
    rows = [{**_row(m, a, timing, lang), **_known(states.get(m.lock), ways, lang)}
            for m, a in zip(timing.models, timing.answers, strict=True)]
    details = [lock_detail(m, a, timing, lang, name)
               for (m, a), name in zip(zip(timing.models, timing.answers, strict=True),
                                       file_names([m.lock for m in timing.models]).values(),
                                       strict=True)]
    days = (lang("timing.data", first=lang.day(timing.first_day, year=True),
                 last=lang.day(timing.last_day, year=True))
            if timing.first_day else lang("timing.data_none"))
    body = page(
        "timing.html.jinja", lang, title=lang("timing.tab", venue=timing.venue_name),
        nav=ways.nav(lang), timing=timing, days=days,
        commands=sum(m.commands for m in timing.models),
        summary=[*_unusable(states, lang), *_summary(timing, lang)],
        latches=[r for r in rows if not r["magnet"]], magnets=[r for r in rows if r["magnet"]],
        rooms=_rooms(timing.models), details=details,
        groups=[group_lines(group, timing.rails, lang) for group in timing.groups],
        files=list(files), sequences=sequence_blocks(timing.sequences, lang),
        rails=[vars(rail) for rail in timing.rails.values()],
        targets=_targets(timing, lang), risks=_risks(timing, lang),
        method=_method(timing.settings, limits, lang),
        within=ms(limits.together_within_ms, lang), data=_data(timing, states, lang),
        scripts=SCRIPTS,
    )
    beside = {f"assets/{name}": resource(name).encode() for name in (*SCRIPTS, "timing.css")}
    return {"index.html": body, **assets(), **beside}


def _row(model: LockModel, answer: LockAnswer, timing: Timing, lang: Language) -> dict[str, Any]:
    pulse, wait = answer.pulse, answer.wait
    target, between = target_text(timing.settings.target, lang), None
    if pulse.shortest_ms is not None and pulse.recommended_ms is not None:
        between = lang("timing.from_up" if pulse.longest_ms is None else "timing.between",
                       shortest=ms(pulse.shortest_ms, lang), longest=ms(pulse.longest_ms, lang),
                       target=target)
    rests = (lang("timing.own", count=model.released) if model.basis == "own"
             else lang("timing.borrowed", count=model.released, lent=model.borrowed_releases)
             if model.basis == "borrowed" else lang("timing.nothing"))
    false_alarms = one_in(wait.left)
    return {
        "lock": model.lock, "room": model.room, "magnet": model.magnet,
        "keep": lang("timing.keep") if pulse.change == "keep" else None,
        "pulse": ms(pulse.recommended_ms, lang), "between": between,
        "change": _change(model, answer, lang),
        "test_first": (lang("timing.test_first")
                       if pulse.untried else None),
        "opens": (lang("timing.at_least", share=share(pulse.stated, lang))
                  if pulse.stated is not None else EN_DASH),
        "few": _promised(pulse, target, lang),
        "retry": ms(wait.retry_ms, lang),
        "retries": EN_DASH if wait.retries is None else lang.number(wait.retries),
        "stuck": ms(wait.stuck_ms, lang),
        "left": lang("timing.left", count=false_alarms) if false_alarms else None,
        "sound": _cue(answer.sound, lang), "light": _cue(answer.light, lang), "rests": rests,
        "notes": _notes(model, answer, timing.settings, lang),
    }


def _promised(pulse: PulseAnswer, target: str, lang: Language) -> str | None:
    """What is expected beside the bound, and which of the two counts."""
    if pulse.expected is None:
        return None
    kind = {"few": "falls_few" if pulse.stated is not None else "falls_none",
            "misses": "expected", "": "met"}[pulse.falls_short]
    return lang(f"timing.{kind}", target=target, expected=share(pulse.expected, lang))


def _known(known: LockState | None, ways: Ways, lang: Language) -> dict[str, Any]:
    """The lock's state, why, and where the health report tells of it."""
    if known is None:
        return {"state": None, "reasons": "", "href": None}
    return {"state": known.state, "reasons": ", ".join(state_reasons(known, lang)),
            "href": ways.lock(REPORT, known.lock)}


def _unusable(states: Mapping[str, LockState], lang: Language) -> list[str]:
    """One line for the locks that are not to be used, whatever their pulse; none without such."""
    said = [f"{known.lock} ({', '.join(state_reasons(known, lang))})"
            for known in states.values() if not known.usable]
    return [lang("timing.summary.unusable", locks=lang.listing(said))] if said else []


def _change(model: LockModel, answer: LockAnswer, lang: Language) -> str | None:
    """What the pulse in use is, why it changes and what that gains; None where it is kept."""
    pulse, now, seen = answer.pulse, model.pulse_now_ms, model.seen_now
    if pulse.change in ("", "keep") or now is None or pulse.recommended_ms is None:
        return None
    told = "" if seen is None else lang(
        "timing.seen", released=seen.released, commands=seen.commands)
    return lang(f"timing.change.{pulse.change}", now=ms(now, lang), seen=told,
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
            else lang("timing.share_inside", share=share(cue.share, lang, 0),
                      least=share(cue.share_low, lang, 0))}


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
    "none_unobserved", "none_too-few", "none_coarse-clock", "keep", "met", "seen",
    "none_rating", "none_duty", "none_mend", "tight",
    "falls_misses", "falls_few", "falls_none", "expected", "mend_first", "mend_magnet",
    "beyond_usual", "test_first", "test_shorter",
    "test_other", "change.short", "change.margin", "change.long",
    "change.battery", "change.rail", "pulse", "off_time", "opens", "retry", "retries", "stuck",
    "sound", "light", "lock", "try.pick", "try.outside", "try.together", "group.spread",
    "group.spread_worked", "group.spread_unknown", "group.left_out", "group.align",
    "group.align_says", "group.no_delay", "group.one_event", "group.not_one_event", "group.rail",
    "group.rail_bears", "group.rail_fails", "group.rail_over", "group.rail_unknown",
    "group.stagger", "group.stagger_none", "group.stagger_batch",
)


def _data(timing: Timing, states: Mapping[str, LockState], lang: Language) -> Markup:
    """The numbers for the page's script, and the words it answers in."""
    values = timing.as_json()
    unused = ("quantiles", "pulse_groups", "seen", "answer")
    values["locks"] = [{name: item for name, item in lock.items() if name not in unused}
                       for lock in values["locks"]]
    for lock in values["locks"]:
        known = states.get(lock["lock"])
        lock["state"] = known.state if known else None
        lock["state_says"] = state_line(known, lang) if known else None
    del values["groups"]
    values["words"] = {name: lang(f"timing.{name}") for name in _SCRIPT_WORDS}
    values["words"].update({"and": lang.words["custom.and"], "percent": lang.percent_sign})
    text = json.dumps(values, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return Markup(text.replace("<", "\\u003c").replace("\u2028", "\\u2028")
                  .replace("\u2029", "\\u2029"))
