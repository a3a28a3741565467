"""Free text: each line is taken apart by its form or a regular expression with named groups.

The expression runs in an engine whose time grows with the length of the line and
no faster, whatever the expression; a hostile line cannot hold it up.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from functools import cache

import polars as pl

from remanence.pipelines.readers.raw import (
    KEPT_TEXT,
    ChunkText,
    Fields,
    LogReader,
    Looks,
    Parsed,
    Sample,
    reject_frame,
)
from remanence.pipelines.readers.source import Chunk
from remanence.pipelines.sniff.toml_text import quoted
from remanence.shared.line_form import PAIRS, line_pattern, places
from remanence.shared.log_format import LogFormat, group_names

NO_MATCH = "line does not fit the line_form or pattern of the [[log]] block"

LINES_TRIED = 500
LONGEST_TRIED = 400
"""So many lines, and so many characters of each, are enough to choose a form by."""

LINES_LOOKED_AT = 2000
"""Lines whose values are looked at once the form is chosen."""

BETTER = 0.05
"""A form that passes over more of a line must fit this share of lines more."""

MOST_UNITS = 4
PAIRS_OF_A_LINE = 2
"""From so many words like name=value on, they are the columns."""

_CLOCK = r"\d{1,2}:\d\d:\d\d(?:[.,]\d+)?"
_TEXT_TIMES = (
    r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d(?:[.,]\d+)?)?(?:Z?[+-]\d\d:?\d\d|Z)?",
    r"\d{1,2}[./-]\d{1,2}[./-]\d{2,4},? +\d{1,2}:\d\d(?::\d\d(?:[.,]\d+)?)?(?: ?[AaPp][Mm])?",
    rf"\d{{4}}/\d\d/\d\d +{_CLOCK}",
    rf"(?:[A-Z][a-z]{{2}} +\d{{1,2}}|\d{{1,2}} [A-Z][a-z]{{2}}|\d\d[-/]\d\d|\d\d\.\d\d\.) +"
    rf"{_CLOCK}",
    _CLOCK,
    r"\d+(?:\.\d+)?",
)
_JOINTS = ("=", ": ", ":", " = ", " -> ", "->", " => ", "=>", " → ", " is ", " to ", " now ",
           " was ", " set to ", " changed to ", " ")
_SYNC = r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d(?:[.,]\d+)?(?:Z|[+-]\d\d:?\d\d)?"
_PAIR = re.compile(r"(?:^|[\s,;\[({])([A-Za-z_][\w.-]*)\s?[=:]\s?"
                   r"""(?:"([^"]*)"|([^\s,;"'\])}]+))""")
_NAME = re.compile(r"[\w./-]*[A-Za-z][\w./-]*")
_READING = re.compile(r"[-+]?\w+(?:[.,]\d+)?")
_UNIT = re.compile(r"\d(\s?)([A-Za-z%]{1,3})$")


class TextReader:
    """Reads one text file."""

    header_line: bytes | None = None

    def __init__(self, log: LogFormat, name: str, fields: Fields) -> None:
        self.name = name
        self.patterns = log.patterns
        self.comment = log.comment
        self.wanted = fields.wanted

    def parse(self, chunk: Chunk) -> Parsed:
        """Turn whole lines into raw records."""
        lines = chunk.data.decode("utf-8", "backslashreplace").removesuffix("\n").split("\n")
        text = pl.col("text")
        passed = text.str.strip_chars() == ""
        if self.comment:
            passed = passed | text.str.starts_with(self.comment)
        first = chunk.first_line
        frame = pl.DataFrame({
            "line": pl.int_range(first, first + len(lines), dtype=pl.Int64, eager=True),
            "text": pl.Series(lines, dtype=pl.String).str.strip_chars_end("\r"),
        }).filter(~passed)
        parts, rest = [], frame
        for pattern in self.patterns:
            groups = rest.select(pl.col("text").str.extract_groups(pattern)).to_series()
            # (A line that a pattern takes has a group, unless every group may be missing.)
            fits = groups.struct.unnest().select(
                pl.any_horizontal(pl.all().is_not_null())).to_series()
            if not fits.all():
                fits = rest.select(fits | pl.col("text").str.contains(pattern)).to_series()
            parts.append(self._taken(rest.with_columns(_groups=groups).filter(fits), pattern))
            rest = rest.filter(~fits)
        records = pl.concat(parts).sort("line") if len(parts) > 1 else parts[0]
        rejects = reject_frame(
            (number, line[:KEPT_TEXT], NO_MATCH)
            for number, line in rest.select("line", "text").iter_rows())
        return Parsed(records, rejects, len(lines) - frame.height, ChunkText(chunk))

    def _taken(self, frame: pl.DataFrame, pattern: str) -> pl.DataFrame:
        """The fields that are wanted of lines that fit a pattern, from its groups or pairs."""
        groups = group_names(pattern)

        def field(name: str) -> pl.Expr:
            if name in groups:
                return pl.col("_groups").struct.field(name).str.strip_chars()
            if PAIRS in groups:
                pairs, quoted, bare = pl.col("_groups").struct.field(PAIRS), *_pair_patterns(name)
                return pl.coalesce(pairs.str.extract(quoted), pairs.str.extract(bare))
            return pl.lit(None, pl.String)

        return frame.select("line", *(field(name).replace("", None).alias(name)
                                      for name in self.wanted))


def _pair_patterns(name: str) -> tuple[str, str]:
    """Where a word like name=value stands, with the value between quotes or bare."""
    start = rf"(?:^|[\s,;\[({{]){re.escape(name)}\s?[=:]\s?"
    return start + '"([^"]*)"', start + r"""([^\s,;"'\])}]+)"""


def _looks(sample: Sample) -> Looks | None:
    """Free text: a time somewhere, then a name and a value, or words like name=value."""
    lines = [line[:LONGEST_TRIED].strip() for line in sample.filled[:LINES_LOOKED_AT]]
    tried = lines[:LINES_TRIED]
    best: tuple[float, list[str], str] = (0.0, [], "")
    for time in _TEXT_TIMES:
        for forms in _forms(tried, time):
            share = sum(_taken(forms, time, line) is not None for line in tried) / len(tried)
            if share > best[0] + BETTER:
                best = (share, forms, time)
    share, forms, time = best
    if not forms:
        return Looks("text of a kind that was not recognised", {
            "line_form": ["{time} {channel} {value}"],
        }, roles=("time", "channel", "value"), questions=[
            "How is a line built up? Write it as line_form, with {time}, {channel} and {value} in "
            f"place of what changes; the first line is: {quoted(lines[0][:200])}"])
    taken = [found for line in lines if (found := _taken(forms, time, line)) is not None]
    used = [form for form in forms if any(_taken([form], time, line) for line in tried)]
    names = dict.fromkeys(name for found in taken for name in found)
    looks = Looks(
        f"text, {share:.0%} of its lines fit one form", {"line_form": used},
        {name: [found.get(name, "") for found in taken] for name in names},
        roles=() if PAIRS in places(forms[0]) else ("time", "channel", "value"))
    other = [line for line in tried if _taken(forms, time, line) is None]
    if other:
        looks.questions.append(
            f"{len(other)} of the first {len(tried)} lines do not fit the form, like "
            f"{quoted(other[0][:120])}. Are they records? If so, add their form to line_form; if "
            "not, name what they have in common with ignore.")
        sync = next((line for line in other if re.search(_SYNC, line)), None)
        if sync and time == _TEXT_TIMES[-1]:
            looks.questions.append(
                f"{quoted(sync[:120])} carries true time: add its form to line_form, with {{wall}} "
                "where that time stands, and the counter is anchored by it.")
    return looks


def _forms(lines: list[str], time: str) -> Iterator[list[str]]:
    """Forms that lines with such a time may have, the plainest first."""
    around: Counter[tuple[str, str]] = Counter()
    rests = []
    for line in lines:
        found = re.search(rf"(?<![\w.:]){time}(?![\w])", line)
        if found is None:
            continue
        closing = re.match(r"[^\w\[<(\"'/+-]*(?:->|=>)?\s*", line[found.end():])
        end = found.end() + (closing.end() if closing else 0)
        around[_literal(line[:found.start()]), _literal(line[found.end():end])] += 1
        rests.append(line[end:])
    if not around:
        return
    (before, after), _ = around.most_common(1)[0]
    if before.rstrip().endswith(("[", "(", "<")):
        before = before.rstrip()  # blanks there only fill up a number
    start = f"{before}{{time}}{after or ' '}"
    several = sum(len(_PAIR.findall(rest)) >= PAIRS_OF_A_LINE for rest in rests)
    if several > len(rests) / 2:
        yield [start + "{pairs}"]
        return
    units: Counter[str] = Counter(f"{m[1]}{m[2]}" for rest in rests if (m := _UNIT.search(rest)))
    for between in ("", "{...} "):
        for joint in _JOINTS:
            form = f"{start}{between}{{channel}}{joint}{{value}}"
            yield [*(f"{form}{unit}" for unit, _ in units.most_common(MOST_UNITS)), form]


def _literal(text: str) -> str:
    """What stands around a time, with a blank for what changes with it."""
    text = re.sub(r"\w*\d[\w.]*", "{}", re.sub(r"[{}]", "", text))
    return re.sub(r"\s+", " ", text)


def _taken(forms: list[str], time: str, line: str) -> dict[str, str] | None:
    """What stands in a line by its name, or None where no form fits it."""
    for form in forms:
        found = _compiled(form, time).match(line)
        if found is None:
            continue
        words = {name: text.strip() for name, text in found.groupdict().items()}
        if PAIRS in words:
            pairs = {name: quoted or bare for name, quoted, bare in _PAIR.findall(words.pop(PAIRS))}
            if not pairs:
                continue
            return words | pairs
        if _NAME.fullmatch(words["channel"]) and _READING.fullmatch(words["value"]):
            return words
    return None


@cache
def _compiled(form: str, time: str) -> re.Pattern[str]:
    return re.compile(line_pattern(form, "iso", {}, {"time": time}))


READER = LogReader(
    "free text, taken apart by the form of a line or a regular expression", lines=TextReader,
    looks=_looks, looks_at=90)
