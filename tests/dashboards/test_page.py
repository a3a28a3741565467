"""The common base of the pages: numbers by custom, safe file names, colours to the norm."""

from __future__ import annotations

import re
from datetime import date

import pytest

from remanence.dashboards.page import (
    LANGUAGES,
    NBSP,
    Language,
    decimals_for,
    file_names,
    language,
    resource,
)
from remanence.shared.weeks import Week


def _texts(code: str) -> dict[str, list[str]]:
    """The texts under each key of a language; the plural forms of a key stand together."""
    lang = language(code)
    forms = {*lang.locale.plural_form.tags, "other"}
    gathered: dict[str, list[str]] = {}
    for key, text in lang.words.items():
        stem, _, form = key.rpartition(".")
        plural = form in forms and f"{stem}.other" in lang.words and f"{stem}.one" in lang.words
        gathered.setdefault(stem if plural else key, []).append(text)
    return gathered


def test_every_language_has_the_same_words_with_the_same_blanks():
    english = _texts("en")
    for code in LANGUAGES:
        other = _texts(code)
        assert set(other) == set(english), code
        for key, texts in english.items():
            if key == "custom.locale":
                continue
            blanks = set(re.findall(r"{(\w+)}", " ".join(texts)))
            assert set(re.findall(r"{(\w+)}", " ".join(other[key]))) == blanks, f"{code}: {key}"


def test_plural_forms_are_those_of_the_language():
    words = {"custom.locale": "pl", "day.one": "{count} dzień", "day.few": "{count} dni",
             "day.other": "{count} dnia"}
    lang = Language("pl", words)
    assert [lang("day", count=n) for n in (1, 3, 5)] == ["1 dzień", "3 dni", "5 dnia"]


def test_an_unknown_language_is_answered_with_those_there_are():
    with pytest.raises(ValueError, match="there are en, de"):
        language("xx")


def test_numbers_and_dates_follow_the_custom_of_the_language():
    en, de = language("en"), language("de")
    assert en.number(-1187.25, 1) == "\N{MINUS SIGN}1,187.2"
    assert de.number(-1187.25, 1) == "\N{MINUS SIGN}1.187,2"
    assert en.number(-0.04, 1) == "0.0"
    assert en.number(None) == en.number(float("nan")) == "\N{EN DASH}"
    assert en.percent(0.974) == "97%"
    assert de.percent(0.974) == f"97{NBSP}%"
    assert en.day(date(2026, 10, 9), year=True) == f"9{NBSP}Oct{NBSP}2026"
    assert de.day(date(2026, 10, 9)) == f"9.{NBSP}Okt."
    assert en.week(Week(2026, 47)) == "Week 47 of 2026"
    assert en.week_span(Week(2026, 47)) == f"16–22{NBSP}Nov{NBSP}2026"
    assert de.week_span(Week(2026, 49)) == (
        f"30.{NBSP}Nov.–6.{NBSP}Dez.{NBSP}2026")
    assert en.week_span(Week(2026, 53)) == (
        f"28{NBSP}Dec{NBSP}2026–3{NBSP}Jan{NBSP}2027")
    assert en.measured(2452.0, 2387.0, 2541.0, "ms") == f"2,450{NBSP}ms"
    assert en.interval(2452.0, 2387.0, 2541.0) == "2,390–2,540"
    assert en.measured(12.0, unit="V") == f"12{NBSP}V"
    assert de.measured(12.05041, 12.046, 12.054, "V") == f"12,05{NBSP}V"
    assert en.measured(120.0, unit="V") == f"120{NBSP}V"
    assert en.listing(["a", "b", "c"]) == "a, b and c"
    assert de.listing(iter("ab")) == "a und b"
    assert en.listing(["a", "b"], either=True) == "a or b"
    assert en.measured(5.017, unit="h") == f"5{NBSP}h"
    assert (en.separators, de.separators) == (".,", ",.")


@pytest.mark.parametrize(("value", "low", "high", "decimals"), [
    (92.134, 88.0, 97.4, 0), (92.134, 91.9, 92.3, 2), (92.134, 60.0, 200.0, -1),
    (2452.0, 2387.0, 2541.0, -1),
    (0.1234, 0.11, 0.14, 3), (12.034, None, None, 1), (1187.4, None, None, 0), (0.0, None, None, 0),
])
def test_no_more_digits_than_the_interval_supports(value, low, high, decimals):
    assert decimals_for(value, low, high) == decimals


def test_file_names_are_safe_and_never_alike():
    names = ["Chart drawer", "chart-drawer", "<b>C</b>", "con", "Größe", "日本", "../etc", "日"]
    chosen = file_names(names)
    assert list(chosen) == names
    assert len(set(chosen.values())) == len(names)
    assert all(re.fullmatch(r"[a-z0-9-]+", name) for name in chosen.values())
    assert chosen["con"] != "con"
    assert file_names(names) == chosen


# Contrast. WCAG 2.2 (W3C Recommendation, 2023), definition of relative luminance and contrast
# ratio; 1.4.3: 4.5 for text, 1.4.11: 3 for graphics. Printed pairs to prove the formula: G207,
# G183 and 1.4.11 of its techniques and understanding documents.


def _luminance(colour: str) -> float:
    parts = [int(colour[i:i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def _contrast(one: str, other: str) -> float:
    light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize(("one", "other", "printed"), [
    ("#000000", "#FFFFFF", 21.0), ("#E3660E", "#FFFFFF", 3.4019), ("#3366CC", "#000000", 3.9132),
    ("#9D9D9D", "#FFFFFF", 2.7120), ("#767676", "#FFFFFF", 4.5422),
])
def test_contrast_formula_gives_the_printed_ratios(one, other, printed):
    assert _contrast(one, other) == pytest.approx(printed, abs=5e-4)


def _schemes() -> dict[str, dict[str, str]]:
    """The colours of the style sheet, by scheme; a later scheme overrides the light one."""
    blocks = re.findall(r"(@media \([^)]*\) \{\s*|@media print \{\s*)?:root \{(.*?)\}",
                        resource("style.css"), re.DOTALL)
    light = {}
    schemes = {}
    for media, body in blocks:
        named = dict(re.findall(r"--([a-z-]+):\s*(#[0-9a-f]{6})", body))
        name = "dark" if "dark" in media else "print" if "print" in media else "light"
        light = light or named
        schemes[name] = {**light, **named}
    return schemes


SCHEMES = _schemes()


def test_there_are_three_schemes():
    assert set(SCHEMES) == {"light", "dark", "print"}


TEXT = [(text, ground) for text in ("ink", "muted", "link", "red", "green", "blue")
        for ground in ("paper", "ground")]
TEXT += [("ink", f"{name}-ground") for name in ("red", "yellow", "green", "blue")]
TEXT += [("muted", f"{name}-ground") for name in ("red", "yellow", "green", "blue")]
TEXT += [(name, f"{name}-ground") for name in ("red", "green", "blue")]
TEXT += [(f"on-{name}", name) for name in ("red", "yellow", "blue")]
GRAPHICS = [(name, ground) for name in ("red", "yellow-edge", "green", "blue", "rule-strong")
            for ground in ("paper", "ground")]


@pytest.mark.parametrize("scheme", ["light", "dark", "print"])
@pytest.mark.parametrize(("text", "ground"), TEXT)
def test_text_meets_wcag_double_a(scheme, text, ground):
    assert _contrast(SCHEMES[scheme][text], SCHEMES[scheme][ground]) >= 4.5


@pytest.mark.parametrize("scheme", ["light", "dark", "print"])
@pytest.mark.parametrize(("shape", "ground"), GRAPHICS)
def test_graphics_meet_wcag_double_a(scheme, shape, ground):
    assert _contrast(SCHEMES[scheme][shape], SCHEMES[scheme][ground]) >= 3.0


@pytest.mark.parametrize("code", ["en", "de"])
def test_no_figure_is_written_with_a_power_of_ten(code):
    lang = language(code)
    power = re.compile(r"\d[eE][+-]?\d")
    for exponent in range(-7, 10):
        for digits in (1.0, 1.59, 9.9996):
            value = digits * 10.0**exponent
            for unit in ("ms", "V", "A", "%", "K", "W", "Ω", ""):
                shown = (lang.measured(value, unit=unit), lang.measured(-value, unit=unit),
                         lang.measured(value, value * 0.9, value * 1.1, unit),
                         lang.interval(value, value * 0.9, value * 1.1, unit),
                         lang.number(value, 4))
                assert not any(power.search(text) for text in shown), (value, unit, shown)
