"""Free text: each line is taken apart by a regular expression with named groups.

The expression runs in an engine whose time grows with the length of the line and
no faster, whatever the expression; a hostile line cannot hold it up.
"""

from __future__ import annotations

import re

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
from remanence.shared.log_format import LogFormat, group_names

NO_MATCH = "line does not fit the pattern of the [[log]] block"

_GROUPS = ("time", "channel", "value")
LINES_TRIED = 500
LONGEST_TRIED = 400
"""So many lines, and so many characters of each, are enough to choose a pattern by."""

LINES_LOOKED_AT = 2000
"""Lines whose values are looked at once the pattern is chosen."""

_TEXT_TIMES = (
    r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d(?:[.,]\d+)?)?(?:Z|[+-]\d\d:?\d\d)?",
    r"\d{1,2}[./-]\d{1,2}[./-]\d{2,4},? +\d{1,2}:\d\d(?::\d\d(?:[.,]\d+)?)?(?: ?[AaPp][Mm])?",
    r"\d{4}/\d\d/\d\d +\d\d:\d\d:\d\d(?:[.,]\d+)?",
    r"\d+(?:\.\d+)?",
)
_SYNC = r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d(?:[.,]\d+)?(?:Z|[+-]\d\d:?\d\d)?"


class TextReader:
    """Reads one text file."""

    header_line: bytes | None = None

    def __init__(self, log: LogFormat, name: str, fields: Fields) -> None:
        self.name = name
        self.pattern = log.pattern or ""
        self.comment = log.comment
        self.wanted = fields.wanted
        self.groups = set(group_names(self.pattern))

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
        frame = frame.with_columns(
            text.str.contains(self.pattern).alias("_fits"),
            text.str.extract_groups(self.pattern).alias("_groups"))
        good = frame.filter(pl.col("_fits"))
        records = good.select("line", *(
            pl.col("_groups").struct.field(name).replace("", None) if name in self.groups
            else pl.lit(None, pl.String).alias(name)
            for name in self.wanted
        ))
        bad = frame.filter(~pl.col("_fits"))
        rejects = reject_frame(
            (number, line[:KEPT_TEXT], NO_MATCH)
            for number, line in bad.select("line", "text").iter_rows())
        return Parsed(records, rejects, len(lines) - frame.height, ChunkText(chunk))


def _looks(sample: Sample) -> Looks | None:
    """Free text: a time somewhere, then a name and a value."""
    lines = [line[:LONGEST_TRIED] for line in sample.filled[:LINES_LOOKED_AT]]
    tried = lines[:LINES_TRIED]
    best: tuple[float, str, str] = (0.0, "", "")
    for time in _TEXT_TIMES:
        for channel, joint in ((r"[\w./-]+", r"\s*(?:[=:]|->|=>|→)\s*"), (r"[\w./-]+", r"\s+"),
                               (r"[\w./-]+", r"\s+(?:is|to|now|was|set to|changed to)\s+")):
            pattern = (rf"^\D*?(?P<time>{time})[\])>:;,\s]+(?:.*?\s)??"
                       rf"(?P<channel>{channel}){joint}"
                       rf"(?P<value>[-+]?\w+(?:[.,]\d+)?)\s*[A-Za-z%]*\s*$")
            share = sum(bool(re.match(pattern, line)) for line in tried) / len(tried)
            if share > best[0] + 0.05:
                best = (share, pattern, time)
    share, pattern, time = best
    if not pattern:
        return Looks("text of a kind that was not recognised", {
            "pattern": "^(?P<time>[^ ]+) (?P<channel>[^ ]+) (?P<value>[^ ]+)$",
        }, roles=_GROUPS, questions=[
            "How is a line built up? Write a pattern with groups named time, channel and value; "
            f"the first line is: {quoted(lines[0][:200])}"])
    matches = [m for line in lines if (m := re.match(pattern, line))]
    looks = Looks(f"text, {share:.0%} of its lines fit one pattern", {"pattern": pattern},
                  {name: [m[name] for m in matches] for name in _GROUPS}, roles=_GROUPS)
    other = [line for line in tried if not re.match(pattern, line)]
    if other:
        looks.questions.append(
            f"{len(other)} of the first {len(tried)} lines do not fit the pattern, like "
            f"{quoted(other[0][:120])}. Are they records? If not, name what they have in common "
            "with ignore.")
        sync = next((line for line in other if re.search(_SYNC, line)), None)
        if sync and time == _TEXT_TIMES[-1]:
            looks.questions.append(
                f"{quoted(sync[:120])} carries true time: give it a group named wall in the "
                "pattern, and the counter is anchored by it.")
    return looks


READER = LogReader(
    "free text, taken apart by a regular expression", lines=TextReader, looks=_looks, looks_at=90)
