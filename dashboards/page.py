"""What every page shares: its words and numbers in one language, its template, its file names.

Nothing here is computed that a reader would call a result, no file of a venue
is touched and no clock is read; the same input gives the same bytes.
"""

from __future__ import annotations

import base64
import hashlib
import math
import re
import sys
import tomllib
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date, datetime
from functools import cached_property, lru_cache
from importlib import resources
from importlib.util import cache_from_source
from pathlib import Path
from typing import Any

import jinja2
import jinja2.bccache
from babel import Locale
from babel.dates import format_date, format_interval, format_skeleton
from babel.lists import format_list
from babel.numbers import format_decimal
from markupsafe import Markup

from remanence.shared.added import added_names
from remanence.shared.errors import RemanenceError
from remanence.shared.weeks import Week

NBSP = "\N{NO-BREAK SPACE}"
MINUS = "\N{MINUS SIGN}"
EN_DASH = "\N{EN DASH}"
LANGUAGES = ("en", "de")
MOST_DECIMALS = {"V": 2, "A": 2, "Ω": 2, "ms": 1, "h": 1, "%": 1, "°C": 0}
"""No more decimals than such a figure can mean, however many readings went into it."""

_RESERVED = {"con", "prn", "aux", "nul", *(f"com{n}" for n in range(10)),
             *(f"lpt{n}" for n in range(10))}


class LanguageError(RemanenceError, ValueError):
    """There are no words in the language that was asked for."""


@lru_cache(maxsize=20_000)
def _digits(locale: Locale, size: float, decimals: int) -> str:
    """A number that is not negative. Pages of many locks show the same ones again and again."""
    places = "." + "0" * decimals if decimals > 0 else ""
    text: str = format_decimal(size, f"#,##0{places}", locale=locale)
    return text


@dataclass(frozen=True)
class Language:
    """All words of the pages in one language.

    Call it with a key to get the words: ``lang("front.jobs", count=3)``. A key that has
    plural forms (``KEY.one``, ``KEY.other``) is chosen by ``count``. Plurals, numbers,
    dates and lists follow the Unicode locale data (CLDR) of ``custom.locale``.
    """

    code: str
    words: Mapping[str, str]

    @cached_property
    def locale(self) -> Locale:
        """The locale that plurals, numbers, dates and lists follow."""
        return Locale.parse(self.words["custom.locale"])

    def has(self, key: str) -> bool:
        """Whether there are words under ``key``."""
        return key in self.words or f"{key}.other" in self.words

    def __call__(self, key: str, /, **values: Any) -> str:
        """The words under ``key``, with ``{name}`` replaced by ``values``.

        Raises
        ------
        KeyError
            There are no such words: a fault of the program, not of the user.
        """
        if key not in self.words and "count" in values:
            form = f"{key}.{self.locale.plural_form(values['count'])}"
            key = form if form in self.words else f"{key}.other"
        if not values:
            return self.words[key]
        shown = {
            name: self.number(value) if isinstance(value, (int, float)) else str(value)
            for name, value in values.items()
        }
        return self.words[key].format_map(shown)

    def phrase(self, key: str, fallback: str, /, **values: Any) -> str:
        """The words under ``key``, or ``fallback`` where there are none."""
        return self(key, **values) if self.has(key) else fallback

    # Numbers -----------------------------------------------------------------

    def number(self, value: float | None, decimals: int = 0) -> str:
        """``value`` by the language's custom: ``1,187.5``; a dash for nothing."""
        if value is None or not math.isfinite(value):
            return EN_DASH
        size = abs(round(value, decimals))
        return (MINUS if value < 0 and size else "") + _digits(self.locale, size, decimals)

    def measured(
        self, value: float | None, low: float | None = None, high: float | None = None,
        unit: str = "",
    ) -> str:
        """``value`` with its unit, rounded to what its interval supports.

        With an interval the last digit shown is the one that the interval's half
        width begins in, or the next where that begins with 1 or 2; without one, three
        significant digits, without idle zeros.
        No unit is shown finer than it can be measured in such a room.
        """
        decimals = 0 if value == 0 else shown_decimals(value, low, high, unit)
        return self.unit(self.number(value, decimals), unit)

    def interval(
        self, value: float | None, low: float | None, high: float | None, unit: str = "",
    ) -> str:
        """``88–97 ms``: the two ends, rounded like the value between them, or finer.

        Two ends that would read alike get up to two decimals more: a range is never empty.
        """
        if low is None and high is None:
            return EN_DASH
        decimals = shown_decimals(value, low, high, unit)
        if high is None:
            return self.unit(f"> {self.number(low, decimals)}".replace(" ", NBSP), unit)
        if low is None:
            return self.unit(f"< {self.number(high, decimals)}".replace(" ", NBSP), unit)
        for _ in range(2):
            if self.number(low, decimals) == self.number(high, decimals) and low != high:
                decimals = max(decimals, 0) + 1
        if low == high:
            return self.unit(self.number(low, decimals), unit)
        between = EN_DASH if low >= 0 else f" {self.words['custom.to']} "
        return self.unit(
            f"{self.number(low, decimals)}{between}{self.number(high, decimals)}", unit
        )

    def unit(self, number: str, unit: str) -> str:
        """A number and its unit, kept on one line."""
        if not unit or number == EN_DASH:
            return number
        if unit.startswith("%"):
            return number + self.percent_sign + unit.removeprefix("%")
        return f"{number}{NBSP}{unit}"

    @cached_property
    def percent_sign(self) -> str:
        """What stands behind a number of per cent: ``%``, or a space and ``%``."""
        return str(self.locale.percent_formats[None].suffix[0])

    @cached_property
    def separators(self) -> str:
        """Decimal and thousands separator, in this order."""
        symbols = self.locale.number_symbols["latn"]
        return f"{symbols['decimal']}{symbols['group']}"

    def percent(self, share: float | None, decimals: int = 0) -> str:
        """A share of 1 as per cent."""
        if share is None:
            return EN_DASH
        return self.unit(self.number(100 * share, decimals), "%")

    def money(self, amount: float | None, currency: str, decimals: int = 2) -> str:
        """An amount with its currency's code."""
        return self.unit(self.number(amount, decimals), currency)

    # Dates -------------------------------------------------------------------

    def day(self, day: date | None, *, year: bool = False) -> str:
        """``19 Oct`` or ``19 Oct 2026``, by the language's custom."""
        if day is None:
            return EN_DASH
        return format_skeleton("yMMMd" if year else "MMMd", day, locale=self.locale).replace(
            " ", NBSP)

    def weekday(self, day: date) -> str:
        """The short name of the day of the week."""
        return format_date(day, "ccc", locale=self.locale)

    def moment(self, moment: datetime, *, seconds: bool = False) -> str:
        """A local time with its weekday: ``Fri 20 Nov, 18:03``."""
        clock = f"{moment:%H:%M:%S}" if seconds else f"{moment:%H:%M}"
        return f"{self.weekday(moment.date())}{NBSP}{self.day(moment.date())}, {clock}"

    def week(self, week: Week) -> str:
        """``Week 47 of 2026``."""
        return self.words["custom.week"].format(number=week.number, year=week.year)

    def week_span(self, week: Week) -> str:
        """``16 – 22 Nov 2026``, ``30 Nov – 6 Dec 2026``, broken at the dash if at all."""
        span = format_interval(week.monday, week.sunday, "yMMMd", locale=self.locale)
        # Releases of Babel differ in the thin spaces around the dash.
        return span.replace("\N{THIN SPACE}", "").replace(" ", NBSP)

    def listing(self, items: Iterable[str], *, either: bool = False) -> str:
        """``a, b and c``; with ``either`` ``a, b or c``."""
        return format_list(list(items), style="or" if either else "standard", locale=self.locale)


def decimals_for(
    value: float | None, low: float | None = None, high: float | None = None
) -> int:
    """How many decimals of ``value`` the interval from ``low`` to ``high`` supports.

    Returns
    -------
    int
        Between -3 (thousands) and 4. Without an interval: three significant digits,
        and no rounding before the decimal point.
    """
    if low is not None and high is not None and high > low:
        half = (high - low) / 2
        exponent = math.floor(math.log10(half))
        finer = 1 if half / 10.0**exponent < 3 else 0
        return min(4, max(-3, finer - exponent))
    if value is None or not math.isfinite(value) or value == 0:
        return 0
    return min(4, max(0, 2 - math.floor(math.log10(abs(value)))))


def shown_decimals(
    value: float | None, low: float | None, high: float | None, unit: str = "",
) -> int:
    """Decimals of a figure and its interval as pages show them.

    As :func:`decimals_for`, no finer than the unit can be measured, without zeros that
    all of them end in, and none for a share of ten per cent or more.
    """
    decimals = min(decimals_for(value, low, high), MOST_DECIMALS.get(unit, 4))
    if value == 0 and low is None and high is None:
        return 0
    if unit == "%" and value is not None and abs(value) >= 10:
        decimals = min(decimals, 0)
    known = [item for item in (value, low, high) if item is not None and math.isfinite(item)]
    while decimals > 0 and all(
        round(item, decimals - 1) == round(item, decimals) for item in known
    ):
        decimals -= 1
    return decimals


def _flatten(table: Mapping[str, Any], prefix: str = "") -> dict[str, str]:
    flat: dict[str, str] = {}
    for key, value in table.items():
        if isinstance(value, Mapping):
            flat.update(_flatten(value, f"{prefix}{key}."))
        else:
            flat[f"{prefix}{key}"] = str(value)
    return flat


@lru_cache(maxsize=8)
def language(code: str = "en") -> Language:
    """The words of one language.

    They stand in ``dashboards/words/CODE.toml`` and ``CODE.NAME.toml``; a sheet of its own may keep
    all its words in one file, ``SHEET.toml``, with a table for each language. Keys are joined by
    full stops.

    Raises
    ------
    LanguageError
        There is no such language; those there are, are named.
    """
    words: dict[str, str] = {}
    for entry in (entry for package in _packages() if (
            folder := resources.files(package) / "words").is_dir()
            for entry in sorted(folder.iterdir(), key=lambda item: item.name)):
        first = entry.name.partition(".")[0]
        if not entry.name.endswith(".toml") or (first in LANGUAGES and first != code):
            continue
        table = tomllib.loads(entry.read_text(encoding="utf-8"))
        words.update(_flatten(table if first == code else table.get(code, {})))
    if not words:
        raise LanguageError(f"language: found {code!r}; there are {', '.join(LANGUAGES)}")
    return Language(code, words)


def file_names(names: Sequence[str]) -> dict[str, str]:
    """A safe file name (without ending) for each name, no two alike on any system.

    Letters outside ASCII lose their marks, all else becomes a hyphen. Two names
    that come out alike are told apart by a number, in the order given.
    """
    taken: set[str] = set()
    chosen: dict[str, str] = {}
    for name in names:
        spread = unicodedata.normalize("NFKD", name.replace("ß", "ss"))
        plain = spread.encode("ascii", "ignore").decode()
        base = re.sub(r"[^a-z0-9]+", "-", plain.lower()).strip("-")[:60].strip("-") or "unnamed"
        if base in _RESERVED:
            base += "-1"
        candidate, number = base, 2
        while candidate in taken:
            candidate, number = f"{base}-{number}", number + 1
        taken.add(candidate)
        chosen[name] = candidate
    return chosen


@lru_cache(maxsize=1)
def environment() -> jinja2.Environment:
    """The templates' environment: everything is escaped, an unknown name is an error."""
    return jinja2.Environment(
        loader=jinja2.ChoiceLoader([
            jinja2.PackageLoader(package, "templates") for package in _packages()
            if (resources.files(package) / "templates").is_dir()]),
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True,
        keep_trailing_newline=True,
        bytecode_cache=None if sys.dont_write_bytecode else CompiledTemplates(),
    )


class CompiledTemplates(jinja2.FileSystemBytecodeCache):
    """Compiled templates beside this package's own compiled modules: a run need not compile them.

    A template that was changed since is told by the digest of its source, and compiled again.
    """

    def __init__(self) -> None:
        folder = Path(cache_from_source(__file__)).parent
        super().__init__(str(folder), f"%s.{sys.implementation.cache_tag}.template")

    def load_bytecode(self, bucket: jinja2.bccache.Bucket) -> None:
        """Take one that was kept, where it can be read."""
        with suppress(OSError):
            super().load_bytecode(bucket)

    def dump_bytecode(self, bucket: jinja2.bccache.Bucket) -> None:
        """Keep one; where nothing can be written, as in an installed package, nothing is kept."""
        with suppress(OSError):
            Path(self.directory).mkdir(parents=True, exist_ok=True)
            super().dump_bytecode(bucket)


def _packages() -> list[str]:
    """Packages whose folders ``words`` and ``templates`` hold what pages say; this one first."""
    return ["remanence.dashboards",
            *(point.value for point in added_names("remanence.pages").values())]


@lru_cache(maxsize=16)
def resource(name: str) -> str:
    """The text of a file of this package, such as ``style.css``."""
    return (resources.files("remanence.dashboards") / name).read_text(encoding="utf-8")


@dataclass(frozen=True)
class Link:
    """One entry of a page's navigation; ``href`` None marks the page one is on."""

    title: str
    href: str | None


def page(
    template: str, lang: Language, *, title: str, root: str = "", nav: Sequence[Link] = (),
    inline: bool = False, **context: Any,
) -> bytes:
    """Render one whole page.

    Parameters
    ----------
    template : str
        Name in ``dashboards/templates``; it extends ``base.html.jinja`` and fills
        its blocks ``masthead``, ``content`` and ``foot``.
    lang : Language
        Reached as ``lang`` in the template.
    title : str
        Of the browser's tab.
    root : str
        Way from the page to the folder that holds ``assets``: ``""`` or ``"../"``.
    nav : sequence of Link
        The way to the other pages.
    inline : bool
        Put style and scripts into the page itself, for one file that goes by mail.
    **context
        Further names for the template.

    Returns
    -------
    bytes
        UTF-8.
    """
    script = resource("page.js")
    text = environment().get_template(template).render(
        lang=lang, title=title, root=root, nav=nav, inline=inline,
        base="base.html.jinja", policy=content_policy([script.encode()] if inline else []),
        css=Markup(resource("style.css")) if inline else "",
        page_js=Markup(script) if inline else "",
        **context,
    )
    return text.encode()


def content_policy(scripts: Sequence[bytes] = ()) -> str:
    """What a page may load and run: its own files, and those ``scripts`` that stand in it.

    Whatever a name or a note in a log may smuggle in runs nothing and asks nobody. Source of the
    words: W3C, Content Security Policy Level 3.
    """
    digests = [base64.b64encode(hashlib.sha256(script).digest()).decode() for script in scripts]
    run = " ".join(f"'sha256-{digest}'" for digest in digests) or "'self'"
    return (f"default-src 'none'; script-src {run}; style-src 'self' 'unsafe-inline'; "
            "img-src 'self' data: blob:; font-src 'self' data:; base-uri 'none'; "
            "form-action 'none'")


def assets() -> dict[str, bytes]:
    """What lies beside the pages in ``assets``: style and scripts, shared by all of them."""
    return {name: resource(name.removeprefix("assets/")).encode()
            for name in ("assets/style.css", "assets/page.js")}
