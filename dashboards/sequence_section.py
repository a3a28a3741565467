"""A sequence on the designer's sheet: what to expect, what spoils it, what mends it, drawn."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from markupsafe import Markup

from remanence.analytics.timing.sequence import RailLowest, SequenceAnswer, StepAnswer
from remanence.dashboards.page import EN_DASH, Language, file_names
from remanence.dashboards.timing_formats import ms, share, signed_ms

_ROW, _HEAD, _FOOT = 46, 8, 30
"""Height of a step's row, and room above and below. [px]"""

_FEWEST_TICKS = 4
"""Ticks on the time axis at least: fewer cannot be read between."""


OFTEN_RIGHT, SELDOM_RIGHT = 0.95, 0.5
"""A sequence that is right less often than the first is marked to be looked at, less often than the
second to be mended this week (assumption)."""


def sequence_blocks(answers: Sequence[SequenceAnswer], lang: Language) -> list[dict[str, Any]]:
    """Every sequence with its lines, its table and its drawing."""
    names = file_names([answer.id for answer in answers])
    return [{
        "id": f"sequence-{names[answer.id]}", "name": answer.name,
        "verdict": _verdict(answer, lang), "state": _state(answer), "lines": _lines(answer, lang),
        "rows": [_row(item, lang) for item in answer.steps],
        "figure": sequence_figure(answer, lang, f"sequence-{names[answer.id]}"),
    } for answer in answers]


def _state(answer: SequenceAnswer) -> str:
    if answer.share is None:
        return "too-little-data"
    wrong = any(rail.bears is False for rail in answer.rails)
    return "act-this-week" if wrong or answer.share < SELDOM_RIGHT else (
        "watch" if answer.share < OFTEN_RIGHT else "good")


def _verdict(answer: SequenceAnswer, lang: Language) -> str:
    if answer.share is None:
        return lang("timing.sequence.unknown", locks=lang.listing(answer.unknown))
    return lang("timing.sequence.verdict", share=share(answer.share, lang, 0))


def _name(item: StepAnswer, lang: Language) -> str:
    step = item.step
    if step.lock:
        return step.lock
    return lang("timing.sequence.cue", cue=lang(f"timing.sequence.{step.cue}"),
                lock=step.goes_with)


def _lines(answer: SequenceAnswer, lang: Language) -> list[str]:
    """What spoils it, what the rails do, and what would mend it."""
    lines = []
    if answer.spoiler is not None:
        item = answer.steps[answer.spoiler]
        lines.append(lang("timing.sequence.spoiler", step=_name(item, lang),
                          at=ms(item.step.offset_ms, lang), share=share(item.share, lang, 0)))
    lines += [_rail(rail, lang) for rail in answer.rails]
    better = [lang("timing.sequence.move", step=_name(item, lang),
                   now=signed_ms(item.step.offset_ms, lang),
                   better=signed_ms(item.better_ms, lang))
              for item in answer.steps if item.better_ms is not None]
    if better and answer.mended_share is not None:
        lines.append(lang("timing.sequence.mend", moves="; ".join(better),
                          share=share(answer.mended_share, lang, 0)))
    elif better:
        lines.append(lang("timing.sequence.rail_mend", moves="; ".join(better)))
    lines += [lang("timing.sequence.feedback", step=_name(item, lang))
              for item in answer.steps if item.feedback]
    if answer.share is not None and not better and answer.share >= OFTEN_RIGHT:
        lines.append(lang("timing.sequence.leave"))
    return lines


def _rail(rail: RailLowest, lang: Language) -> str:
    if rail.lowest_volts is None:
        return lang("timing.group.rail_unknown", rail=rail.supply)
    return lang("timing.sequence.rail_ok" if rail.bears else "timing.sequence.rail_low",
                rail=rail.supply, at=ms(rail.at_ms, lang),
                lowest=lang.unit(lang.number(rail.lowest_volts, 2), "V"),
                window=lang.unit(lang.number(rail.window_volts, 1), "V"))


def _row(item: StepAnswer, lang: Language) -> dict[str, str]:
    def span(low: float | None, high: float | None) -> str:
        if low is None or high is None:
            return EN_DASH
        return lang.unit(f"{lang.number(low)} {lang.words['custom.to']} {lang.number(high)}", "ms")

    return {
        "name": _name(item, lang), "offset": ms(item.step.offset_ms, lang),
        "opens": span(item.opens_low_ms, item.opens_high_ms),
        "window": span(item.from_ms, item.to_ms), "share": share(item.share, lang, 0),
        "better": EN_DASH if item.better_ms is None else ms(item.better_ms, lang),
    }


def sequence_figure(answer: SequenceAnswer, lang: Language, name: str) -> Markup:
    """The sequence on one time axis: a row for each step, in the file's order.

    Windows are pale bands, the time in which 90 % of the openings lie is a bar with its median;
    a thin bar is the command, an upright line a cue. Positions are per cents of the width, so
    that the text keeps its size on a phone and on paper.
    """
    low, high = _ends(answer)

    def at(value: float) -> float:
        return round(100 * (min(max(value, low), high) - low) / (high - low), 2)

    def bar(kind: str, start: float, end: float, y: float, height: float) -> str:
        width = max(at(end) - at(start), 0.3)
        return (f'<rect class="{kind}" x="{at(start)}%" width="{round(width, 2)}%" y="{y:g}" '
                f'height="{height:g}"/>')

    opens = {item.step.lock: item for item in answer.steps if item.step.lock}
    bottom = _HEAD + _ROW * len(answer.steps)
    parts = [f'<line class="grid" x1="{at(tick)}%" x2="{at(tick)}%" y1="{_HEAD}" '
             f'y2="{bottom}"/><text class="tick" x="{at(tick)}%" y="{bottom + 16}" '
             f'text-anchor="{"start" if tick == low else "middle"}">{lang.number(tick)}</text>'
             for tick in _ticks(low, high)]
    parts.append(f'<text class="tick" x="100%" y="{bottom + 16}" text-anchor="end">ms</text>')
    for place, item in enumerate(answer.steps):
        y = _HEAD + _ROW * place
        label = Markup('<text class="name" x="0" y="{y}">{name}</text>'
                       '<text class="share" x="100%" y="{y}" text-anchor="end">{share}</text>'
                       ).format(y=y + 13, name=_name(item, lang),
                                share=share(item.share, lang, 0))
        parts.append(str(label))
        if item.from_ms is not None and item.to_ms is not None:
            parts.append(bar("window", item.from_ms, item.to_ms, y + 18, 20))
        own = item if item.step.lock else opens.get(item.step.goes_with or "")
        if item.step.lock:
            end = item.step.offset_ms + (item.pulse_ms or 0.0)
            parts.append(bar("command", item.step.offset_ms, end, y + 34, 4))
        if own is not None and own.opens_low_ms is not None and own.opens_high_ms is not None:
            parts.append(bar("opening" if item.step.lock else "opening other", own.opens_low_ms,
                             own.opens_high_ms, y + 22, 9))
            middle = at(own.opens_ms or 0.0)
            parts.append(f'<line class="median" x1="{middle}%" x2="{middle}%" y1="{y + 19}" '
                         f'y2="{y + 34}"/>')
        if item.step.cue:
            x = at(item.step.offset_ms)
            parts.append(f'<line class="cue" x1="{x}%" x2="{x}%" y1="{y + 17}" y2="{y + 40}"/>')
    return Markup(
        '<figure class="sequence-plot" id="{name}-figure"><svg width="100%" height="{height}" '
        'role="img" aria-labelledby="{name}-says">{parts}</svg>'
        '<figcaption id="{name}-says">{says}</figcaption></figure>'
    ).format(name=name, height=bottom + _FOOT, parts=Markup("".join(parts)),
             says=lang("timing.sequence.figure"))


def _ends(answer: SequenceAnswer) -> tuple[float, float]:
    """From where to where the axis goes: openings, windows and cues; commands may end beyond."""
    values = [value for item in answer.steps for value in (
        item.step.offset_ms, item.opens_low_ms, item.opens_high_ms, item.from_ms, item.to_ms)
        if value is not None]
    low, high = min([0.0, *values]), max([100.0, *values])
    room = 0.04 * (high - low)
    return low - (room if low < 0 else 0.0), high + room


def _ticks(low: float, high: float) -> list[float]:
    step = next(size * 10**power for power in range(6, -1, -1) for size in (5, 2, 1)
                if (high - low) / (size * 10**power) >= _FEWEST_TICKS)
    first = int(-(-low // step))
    return [number * step for number in range(first, int(0.9 * high // step) + 1)]
