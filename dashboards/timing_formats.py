"""How the designer's sheet writes times, shares and offsets."""

from __future__ import annotations

import math

from remanence.analytics.timing.cue import CueAnswer
from remanence.dashboards.page import EN_DASH, MINUS, Language


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
    return ("+" if cue.offset_ms > 0 else "") + signed_ms(cue.offset_ms, lang)


def signed_ms(value: float | None, lang: Language) -> str:
    """Milliseconds that may lie before a moment: with a minus then."""
    if value is None:
        return EN_DASH
    return (MINUS if value < 0 else "") + ms(abs(value), lang)


def one_in(chance: float | None) -> int | None:
    """How many openings one false alarm comes in, rounded down to two digits."""
    if not chance:
        return None
    count = math.floor(1 / chance + 1e-6)
    step = 10 ** max(len(str(count)) - 2, 0)
    return int(count // step * step)
